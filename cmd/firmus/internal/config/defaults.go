package config

import (
	"time"

	"firmus/fixity"
)

// setDefaults fills in all that the file doesn't say. It is the only place with
// defaults in it. given says whether the file has a key.
func setDefaults(c *Config, given func(path ...string) bool) {
	unless := func(set func(), path ...string) {
		if !given(path...) {
			set()
		}
	}
	unless(func() { c.State = "state" }, "state")
	unless(func() { c.Web.Listen = "127.0.0.1:7340" }, "web", "listen")
	if c.Mail != nil {
		unless(func() { c.Mail.TLS = "starttls" }, "mail", "tls")
		unless(func() { c.Mail.Weekly = Weekly{time.Monday, 9 * time.Hour} }, "mail", "weekly")
	}
	if g := c.Register; g != nil {
		// A document in the cloud is named by its address in a browser.
		if id, ok := DocumentID(g.File); ok {
			g.Document, g.File = id, ""
		}
		unless(func() {
			for _, s := range c.Stores {
				if s.Service == Drive && g.Document != "" {
					g.Store = s.Name
				}
			}
		}, "register", "store")
	}
	for i := range c.Sets {
		s := &c.Sets[i]
		if s.Role == fixity.Access {
			unless(func() { s.Editing = 3 * Day }, "set", s.Name, "editing")
		}
	}
	for i := range c.Stores {
		s := &c.Stores[i]
		key := func(k string) []string { return []string{"store", s.Name, k} }
		unless(func() { s.ExpectWithin = 3 * Day }, key("expect_within")...)
		switch s.Kind {
		case Disk:
			// A drive of 2 TB is read in a night, so a month is no burden.
			unless(func() { s.ReadWithin = 30 * Day }, key("read_within")...)
			unless(func() { s.Manifests = s.Arrivals }, key("manifests")...)
			unless(func() { s.Marker = true }, key("marker")...)
		case Cloud:
			// 2 TB within a year are 5.5 GB a day, 37 minutes at 20 Mbit/s.
			unless(func() { s.ReadWithin = 365 * Day }, key("read_within")...)
			// A program of one's own may fetch 1 TB a day from the service before it may
			// cost something (terms of 2026). Half of that leaves as much for others, and
			// reads 180 TB within a year: no promise of a small archive is broken by it.
			unless(func() { s.ReadADay = 500e9 }, key("read_a_day")...)
			unless(func() {
				for _, set := range c.Sets {
					s.Sets = append(s.Sets, Root{Set: set.Name})
				}
			}, key("sets")...)
		case Optical:
			unless(func() { s.ReadWithin = 3 * Year }, key("read_within")...)
			unless(func() { s.ExpectWithin = 30 * Day }, key("expect_within")...)
		}
		if s.Kind != Optical {
			unless(func() { s.Schedule = "0 1 * * *" }, key("schedule")...)
		}
	}
	// Two copies that don't fail by one wrong hand; but no rule that this
	// configuration can't keep, for its finding would never go away.
	unless(func() { c.Rule.Copies = max(1, min(2, c.independent(Disk, Cloud))) }, "rule", "copies")
	unless(func() { c.Rule.Within = 3 * Day }, "rule", "within")
}

// independent counts the stores of some kinds, those that follow one another once.
func (c *Config) independent(kinds ...Kind) int {
	leaders := map[string]bool{}
	for _, s := range c.Stores {
		for _, k := range kinds {
			if s.Kind == k {
				leaders[c.leader(s.Name)] = true
			}
		}
	}
	return len(leaders)
}

// leader is the end of a store's chain of follows, or the name at which a circle
// closes.
func (c *Config) leader(name string) string {
	for seen := map[string]bool{}; !seen[name]; {
		seen[name] = true
		if s, ok := c.Store(name); ok && s.Follows != "" {
			name = s.Follows
		}
	}
	return name
}
