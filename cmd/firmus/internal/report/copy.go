package report

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
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
	ReportedBy  fixity.Basis `json:"reported_by,omitempty"` // by the newest listing; of a copy that a service keeps
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
			Reported: InstantOf(c.Reported.At), ReportedOK: c.Reported.OK, ReportedBy: c.ReportedBy(), Since: InstantOf(c.Since), SettledAsIs: c.SettledAs != "", Disc: c.Disc, Burned: c.Burned, SameAs: c.SameAs, Lesser: c.Lesser}
		x.At, x.AtBase64 = Path(c.At)
		out = append(out, x)
	}
	return out
}

// OddPlace says in words where a copy lies if that isn't just the file's path, "" if
// it is.
func OddPlace(c ledger.Copy, path string) string {
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

// InWords is what a copy is, as people read it. In a dispute neither side is called intact:
// each is named by what it holds.
func InWords(c ledger.Copy, disputed bool) string {
	switch {
	case disputed && Holds(c):
		return fmt.Sprintf("version %d", c.Held)
	case disputed && c.State == fixity.Disputed:
		return "other bytes"
	}
	return string(c.State)
}

// InDispute says that copies of a file disagree, and that a person has still to decide.
func InDispute(cs []ledger.Copy) bool {
	return slices.ContainsFunc(cs, func(c ledger.Copy) bool { return c.State == fixity.Disputed })
}

// Absent are stores that could not be reached, with when each was last seen.
type Absent map[string]time.Time

// Of puts before what is known of a store that isn't here when it was last seen.
func (a Absent) Of(store string, now time.Time, known string) string {
	if at, ok := a[store]; ok {
		return "when last seen, " + Day(at, now) + ": " + known
	}
	return known
}

// LastKnown says when and how a copy was last known, in words.
func LastKnown(c ledger.Copy) string {
	s := "never read"
	if !c.Read.At.IsZero() {
		how := "read"
		if !c.Read.OK && c.State != fixity.Disputed { // in a dispute nothing says how it should be
			how = "read, not as it should be,"
		}
		if c.State == fixity.Missing {
			how = "last " + how
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
		s += how + Local(c.Reported.At) + ReportedBy(c)
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

// ReportedBy says by what a service reports a copy, behind when it did so.
func ReportedBy(c ledger.Copy) string {
	switch {
	case c.Basis == "":
		return ""
	case c.Basis.Says():
		return ", by " + fixity.Means("basis", string(c.Basis))
	}
	return "; now it tells only " + fixity.Means("basis", string(c.Basis))
}

// Local is a time for a person, with its zone.
func Local(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Local().Format("2 Jan 2006 15:04 MST")
}

// Day is a day for a person; the year only if it isn't this one.
func Day(t, now time.Time) string {
	t = t.Local()
	if t.Year() == now.Local().Year() {
		return t.Format("2 Jan")
	}
	return t.Format("2 Jan 2006")
}

// NotHere are the stores that could not be reached, with when each was last seen: those
// with an open finding, and visiting ones that were not here for a day.
func NotHere(t *ledger.Tx, rules care.Rules, now time.Time) (Absent, error) {
	out := Absent{}
	gone, err := t.Findings.Away()
	if err != nil {
		return nil, err
	}
	for _, s := range rules.Stores {
		known, err := t.Stores.Get(s.Name)
		if errors.Is(err, fixity.ErrNotFound) || err == nil && known.Seen.IsZero() {
			continue
		}
		if err != nil {
			return nil, err
		}
		if s.Visiting && now.Sub(known.Seen) > 24*time.Hour || slices.Contains(gone, s.Name) {
			out[s.Name] = known.Seen
		}
	}
	return out, nil
}

// Where is where the finding is: a disc, or a store.
func (f Finding) Where() string {
	if f.Disc != "" {
		return "disc " + f.Disc
	}
	return f.Store
}

// Ending says how a finding ended, and quotes who settled it.
func (f Finding) Ending() string {
	s := f.EndedAs + ", " + Local(*f.SettledAt)
	if f.SettledBy != "" && f.Settled != fixity.IntactAgain {
		s += ", by " + f.SettledBy
	}
	if f.Reason != "" {
		s += ": " + f.Reason
	}
	return s
}
