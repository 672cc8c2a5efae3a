package config

import (
	"slices"

	"firmus/fixity"
)

// top is the file itself.
func (r *reader) top(c *Config) fields {
	return fields{
		"name":              r.text(&c.Name),
		"state":             r.text(&c.State),
		"titles_in_letters": r.boolean(&c.TitlesInLetters),
		"closed": r.texts(func(n *node, s string) {
			var d Days
			if err := d.UnmarshalText([]byte(s)); err != nil {
				r.fail(n.at, "closed: %v", err)
				return
			}
			c.Closed = append(c.Closed, d)
		}),
		"set": r.named(func(n *node) {
			s := Set{Name: n.key}
			r.table(n, r.set(&s))
			c.Sets = append(c.Sets, s)
		}),
		"store": r.named(func(n *node) {
			s := Store{Name: n.key}
			r.store(n, &s)
			c.Stores = append(c.Stores, s)
		}),
		"rule":   r.section(func() fields { return r.rule(&c.Rule) }),
		"ledger": r.section(func() fields { return r.ledger(&c.Ledger) }),
		"host":   r.section(func() fields { return r.host(&c.Host) }),
		"mail": r.section(func() fields {
			c.Mail = &Mail{}
			return r.mail(c.Mail)
		}),
		"web":  r.section(func() fields { return r.web(&c.Web) }),
		"work": r.section(func() fields { return r.work(&c.Work) }),
		"register": r.section(func() fields {
			c.Register = &Register{}
			return r.register(c.Register)
		}),
	}
}

func (r *reader) set(s *Set) fields {
	return fields{
		"role":       r.choice(func(w string) { s.Role = fixity.Role(w) }, string(fixity.Master), string(fixity.Access)),
		"editing":    r.unit(&s.Editing, "3d"),
		"pattern":    r.text(&s.Pattern),
		"restricted": r.boolean(&s.Restricted),
		"two_people": r.boolean(&s.TwoPeople),
		"leave_out":  r.texts(func(_ *node, t string) { s.LeaveOut = append(s.LeaveOut, t) }),
	}
}

func (r *reader) storeFields(s *Store) fields {
	return fields{
		"kind":          r.choice(func(w string) { s.Kind = Kind(w) }, string(Disk), string(Cloud), string(Optical)),
		"place":         r.text(&s.Place),
		"medium":        r.text(&s.Medium),
		"sets":          r.sets(s),
		"patterns":      r.patterns(s),
		"arrivals":      r.boolean(&s.Arrivals),
		"visiting":      r.boolean(&s.Visiting),
		"follows":       r.text(&s.Follows),
		"manifests":     r.boolean(&s.Manifests),
		"own_drive":     r.boolean(&s.OwnDrive),
		"marker":        r.boolean(&s.Marker),
		"read_within":   r.promise(&s.ReadWithin, "30d"),
		"expect_within": r.promise(&s.ExpectWithin, "3d"),
		"drill_within":  r.promise(&s.DrillWithin, "30d"),
		"schedule":      r.text(&s.Schedule),
		"window":        r.unit(&s.Window, "22:00-06:00"),
		"rate":          r.unit(&s.Rate, "20MB/s"),
		"readers":       r.count(&s.Readers),
		"hosts":         r.texts(func(_ *node, t string) { s.Hosts = append(s.Hosts, t) }),
		"at_once":       r.count(&s.AtOnce),
		"service":       r.choice(func(w string) { s.Service = w }, Drive, S3, WebDAV),
		"folder":        r.text(&s.Folder),
		"credentials":   r.text(&s.Credentials),
		"endpoint":      r.text(&s.Endpoint),
		"tokens":        r.text(&s.Tokens),
		"bucket":        r.text(&s.Bucket),
		"region":        r.text(&s.Region),
		"addressing":    r.choice(func(w string) { s.Addressing = w }, "path", "host"),
		"read_a_day":    r.unit(&s.ReadADay, "20GB"),
		"drive":         r.text(&s.Drive),
	}
}

// kindsOf names the kinds of store that a key is for; one that isn't here is for all.
var kindsOf = map[string][]Kind{
	"sets":         {Disk, Cloud},
	"arrivals":     {Disk},
	"visiting":     {Disk, Cloud},
	"follows":      {Disk, Cloud},
	"manifests":    {Disk},
	"own_drive":    {Disk},
	"marker":       {Disk},
	"drill_within": {Disk, Cloud},
	"schedule":     {Disk, Cloud},
	"window":       {Disk, Cloud},
	"rate":         {Disk, Cloud},
	"readers":      {Disk},
	"at_once":      {Disk, Cloud},
	"patterns":     {Cloud},
	"service":      {Cloud},
	"folder":       {Cloud},
	"credentials":  {Cloud},
	"endpoint":     {Cloud},
	"tokens":       {Cloud},
	"bucket":       {Cloud},
	"region":       {Cloud},
	"addressing":   {Cloud},
	"read_a_day":   {Cloud},
	"drive":        {Optical},
}

// store reads the kind first: which other keys there may be hangs on it.
func (r *reader) store(n *node, s *Store) {
	f := r.storeFields(s)
	if k := n.find("kind"); k != nil {
		f["kind"](k)
	} else {
		r.fail(n.at, "store %q has no kind: %s", s.Name, either([]string{string(Disk), string(Cloud), string(Optical)}))
	}
	f["kind"] = func(*node) {}
	for key, kinds := range kindsOf {
		if s.Kind != "" && !slices.Contains(kinds, s.Kind) {
			f[key] = func(n *node) {
				words := make([]string, len(kinds))
				for i, k := range kinds {
					words[i] = string(k)
				}
				r.fail(n.at, "key %q is for stores of kind %s; %q is of kind %q", n.key, either(words), s.Name, s.Kind)
			}
		}
	}
	r.table(n, f)
}

// sets reads a disk store's table of sets with their folders, or a cloud store's
// list of sets.
func (r *reader) sets(s *Store) func(*node) {
	return func(n *node) {
		switch {
		case s.Kind == "": // which of the two it should be isn't known
		case s.Kind == Cloud:
			r.texts(func(_ *node, set string) { s.Sets = append(s.Sets, Root{Set: set}) })(n)
		case !n.table:
			r.fail(n.at, "sets must name a folder for each set, { masters = \"studio/masters\" }")
		default:
			for _, b := range n.below {
				if path, ok := r.asText(b, "studio/masters"); ok {
					s.Sets = append(s.Sets, Root{b.key, path})
				}
			}
		}
	}
}

// patterns reads a cloud store's table of sets with the patterns of their names there.
func (r *reader) patterns(s *Store) func(*node) {
	return func(n *node) {
		if !n.table {
			r.fail(n.at, "patterns must name a pattern for each set that is filed in another way, { masters = \"{barcode}_{side}.wav\" }")
			return
		}
		for _, b := range n.below {
			if text, ok := r.asText(b, "{barcode}_{side}.wav"); ok {
				s.Patterns = append(s.Patterns, Naming{b.key, text})
			}
		}
	}
}

func (r *reader) rule(u *Rule) fields {
	return fields{
		"copies": r.count(&u.Copies),
		"places": r.count(&u.Places),
		"within": r.promise(&u.Within, "3d"),
	}
}

func (r *reader) ledger(l *Ledger) fields { return fields{"url": r.text(&l.URL)} }

func (r *reader) host(h *Host) fields { return fields{"name": r.text(&h.Name)} }

func (r *reader) mail(m *Mail) fields {
	return fields{
		"server":        r.text(&m.Server),
		"from":          r.text(&m.From),
		"to":            r.texts(func(_ *node, s string) { m.To = append(m.To, s) }),
		"tls":           r.choice(func(w string) { m.TLS = w }, "starttls", "tls", "none"),
		"user":          r.text(&m.User),
		"password_file": r.text(&m.PasswordFile),
		"deputy":        r.text(&m.Deputy),
		"weekly":        r.unit(&m.Weekly, "Monday 09:00"),
	}
}

func (r *reader) web(w *Web) fields {
	return fields{
		"listen":      r.text(&w.Listen),
		"address":     r.text(&w.Address),
		"certificate": r.text(&w.Certificate),
		"key":         r.text(&w.Key),
		"proxies":     r.texts(func(_ *node, s string) { w.Proxies = append(w.Proxies, s) }),
	}
}

func (r *reader) work(w *Work) fields {
	return fields{"sources": r.texts(func(_ *node, s string) { w.Sources = append(w.Sources, s) })}
}

// home says in words where a key belongs, "" if nowhere. A key that was meant for
// the whole file and stands below a [section] is part of that section in TOML.
func home(key string) string {
	var r reader
	var c Config
	homes := []struct {
		words string
		keys  fields
	}{
		{"at the top of the file, before the first [section]", r.top(&c)},
		{"in [set.NAME]", r.set(&Set{})},
		{"in [store.NAME]", r.storeFields(&Store{})},
		{"in [rule]", r.rule(&Rule{})},
		{"in [ledger]", r.ledger(&Ledger{})},
		{"in [host]", r.host(&Host{})},
		{"in [mail]", r.mail(&Mail{})},
		{"in [web]", r.web(&Web{})},
		{"in [work]", r.work(&Work{})},
		{"in [register]", r.register(&Register{})},
	}
	for _, h := range homes {
		if _, ok := h.keys[key]; ok {
			return h.words
		}
	}
	return ""
}
