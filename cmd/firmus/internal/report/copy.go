package report

import (
	"encoding/json"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Instant is a time as JSON has it: RFC 3339, UTC.
type Instant struct{ Time time.Time }

// InstantOf is nil for the zero time, so that what is not known stays blank.
func InstantOf(t time.Time) *Instant {
	if t.IsZero() {
		return nil
	}
	return &Instant{t.UTC()}
}

// MarshalJSON gives whole seconds.
func (i Instant) MarshalJSON() ([]byte, error) {
	return json.Marshal(i.Time.UTC().Format(time.RFC3339))
}

// Copy is one file in one store as JSON.
type Copy struct {
	Store       string       `json:"store"`
	State       fixity.State `json:"state"`
	At          string       `json:"at"`
	AtBase64    string       `json:"at_base64,omitempty"`
	Spelled     string       `json:"spelled,omitempty"` // at is the file's path in another "form" of Unicode, or "case"
	Version     int64        `json:"version"`           // last shown to be there; 0: none
	Read        *Instant     `json:"read"`
	ReadOK      bool         `json:"read_ok"`
	ReadCache   fixity.Cache `json:"read_cache"`
	Reported    *Instant     `json:"reported"`
	ReportedOK  bool         `json:"reported_ok"`
	Since       *Instant     `json:"since"`
	SettledAsIs bool         `json:"settled_as_is"`
	Disc        string       `json:"disc,omitempty"`
	Burned      int64        `json:"burned_version,omitempty"` // that the disc is held against
	SameAs      string       `json:"same_as,omitempty"`        // the store whose file this is under a second name: one copy
	Lesser      bool         `json:"lesser,omitempty"`         // an audio disc: samples, not the file
}

// CopiesOf makes the JSON of copies.
func CopiesOf(cs []ledger.Copy) []Copy {
	out := []Copy{}
	for _, c := range cs {
		x := Copy{Store: c.Store, State: c.State, Version: c.Held, Read: InstantOf(c.Read.At), ReadOK: c.Read.OK, ReadCache: c.Read.Cache,
			Reported: InstantOf(c.Reported.At), ReportedOK: c.Reported.OK, Since: InstantOf(c.Since), SettledAsIs: c.SettledAs != "", Disc: c.Disc, Burned: c.Burned, SameAs: c.SameAs, Lesser: c.Lesser}
		x.At, x.AtBase64 = Path(c.At)
		out = append(out, x)
	}
	return out
}

// placeOf says in words where a copy lies if that isn't just the file's path, "" if
// it is.
func placeOf(c ledger.Copy, path string) string {
	if c.Carrier != 0 || c.At == path {
		return ""
	}
	s := "its place here is " + Show(c.At)
	switch ledger.Spelling(c.At, path) {
	case "form":
		s += ", the same name in another Unicode form"
	case "case":
		s += ", which differs in case only"
	}
	return s
}

// LastKnown says when and how a copy was last known, in words.
func LastKnown(c ledger.Copy) string {
	s := "never read"
	if !c.Read.At.IsZero() {
		how := "read"
		if !c.Read.OK {
			how = "read, not as it should be,"
		}
		s = fmt.Sprintf("%s %s", how, Local(c.Read.At))
		switch {
		case c.Carrier != 0 && c.Read.Cache == fixity.Unknown:
			s += " (an image of it)"
		case c.Read.Cache != fixity.Bypassed:
			s += " (" + fixity.Means("cache", string(c.Read.Cache)) + ")"
		}
	}
	if !c.Reported.At.IsZero() {
		how := "; reported right by the service "
		if !c.Reported.OK {
			how = "; reported by the service, and not as it should be, "
		}
		s += how + Local(c.Reported.At)
	}
	if c.State == fixity.Awaited {
		s = "awaited since " + Local(c.Since)
		if c.Carrier != 0 {
			s = "registered " + Local(c.Since) + ", not yet read"
		}
	}
	if c.SameAs != "" {
		s += "; it is the very file in " + c.SameAs + " under a second name, so the two are one copy"
	}
	if c.Lesser {
		s += "; holds lesser quality: samples, not the file"
	}
	return s
}

// Local is a time for a person, with its zone.
func Local(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Local().Format("2 Jan 2006 15:04 MST")
}
