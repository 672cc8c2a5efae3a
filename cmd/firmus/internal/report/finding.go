// Package report makes statements and exports from what the ledger holds. No
// sentence claims more than that; what is not known stays blank.
package report

import (
	"encoding/base64"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// Finding is a finding as JSON (command-line contract). Field names are stable.
type Finding struct {
	ID         int64          `json:"id"`
	Kind       fixity.Kind    `json:"kind"`
	Urgency    fixity.Urgency `json:"urgency"`
	Store      string         `json:"store"`
	Set        string         `json:"set"`
	Path       string         `json:"path"`
	PathBase64 string         `json:"path_base64,omitempty"`
	State      string         `json:"state"` // open, settled
	New        bool           `json:"new"`
	Anatomy    *string        `json:"anatomy"`
	Ranges     []fixity.Range `json:"ranges"`
	RangesMore bool           `json:"ranges_more,omitempty"`
	IntactIn   []string       `json:"intact_in"`
	Mergeable  bool           `json:"mergeable"`
	Incident   *int64         `json:"incident"`
	Subject    fixity.Subject `json:"subject"`
	Disc       string         `json:"disc,omitempty"`
	FoundAt    string         `json:"found_at,omitempty"`
	FoundAt64  string         `json:"found_at_base64,omitempty"`
	Count      int64          `json:"count"`
	Detail     string         `json:"detail"`
	Step       policy.Step    `json:"step"`
	Opened     time.Time      `json:"opened"`
	Seen       time.Time      `json:"seen"`
	Settled    fixity.Settled `json:"settled,omitempty"`
	SettledAt  *time.Time     `json:"settled_at,omitempty"`
	SettledBy  string         `json:"settled_by,omitempty"`
	Reason     string         `json:"reason,omitempty"`
	WrongWay   *WrongWay      `json:"wrong_way,omitempty"`
}

// WrongWay says that a copy was intact once and now holds just the wrong bytes of another
// store's copy of the same file.
type WrongWay struct {
	Store    string   `json:"store"`     // whose wrong bytes these are
	IntactAt *Instant `json:"intact_at"` // when this copy was last known to be intact; null: not known
}

// FindingOf makes the JSON of a finding.
func FindingOf(f ledger.Finding, fresh bool) Finding {
	out := Finding{ID: f.ID, Kind: f.Kind, Urgency: f.Urgency, Store: f.Store, Set: f.Set, State: "open", New: fresh,
		Ranges: f.Ranges, RangesMore: f.RangesMore, IntactIn: f.IntactIn, Mergeable: f.Mergeable, Subject: f.Subject, Disc: f.Disc,
		Count: f.Count, Detail: f.Detail, Step: f.Step, Opened: f.Opened, Seen: f.Seen, Settled: f.Settled, SettledBy: f.SettledBy, Reason: f.Reason}
	out.Path, out.PathBase64 = Path(f.Path)
	out.FoundAt, out.FoundAt64 = Path(f.FoundAt)
	if out.Ranges == nil {
		out.Ranges = []fixity.Range{}
	}
	if out.IntactIn == nil {
		out.IntactIn = []string{}
	}
	if f.Anatomy != "" {
		s := string(f.Anatomy)
		out.Anatomy = &s
	}
	if f.Incident != 0 {
		out.Incident = &f.Incident
	}
	if s := f.WrongWay(); s != "" {
		out.WrongWay = &WrongWay{s, InstantOf(f.Facts.IntactAt)}
	}
	if !f.Open() {
		out.State, out.SettledAt = "settled", &f.SettledAt
	}
	return out
}

// Path is a path for JSON: as it is if it is UTF-8, else with U+FFFD, and exactly
// in base64.
func Path(p string) (shown, exact string) {
	if utf8.ValidString(p) {
		return p, ""
	}
	return strings.ToValidUTF8(p, "\ufffd"), base64.StdEncoding.EncodeToString([]byte(p))
}

// Show is a path for a person: quoted where it holds what can't be seen or would
// disturb a terminal.
func Show(p string) string {
	q := fmt.Sprintf("%q", p)
	if q == `"`+p+`"` && strings.TrimSpace(p) == p {
		return p
	}
	return q
}

// Count is a number with its noun.
func Count(n int64, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return Number(n) + " " + noun + "s"
}

// Number has commas between the thousands.
func Number(n int64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Size is a number of bytes for a person, in powers of 1000.
func Size(n int64) string {
	if n == 1 {
		return "1 byte"
	}
	f, units := float64(n), []string{"bytes", "kB", "MB", "GB", "TB", "PB"}
	i := 0
	for f >= 999.5 && i < len(units)-1 {
		f, i = f/1000, i+1
	}
	if i == 0 {
		return fmt.Sprintf("%d %s", n, units[0])
	}
	return fmt.Sprintf("%.3g %s", f, units[i])
}

// What says in words what a finding tells.
func What(f ledger.Finding) string {
	switch {
	case f.Subject == fixity.OfManifest:
		return "the manifest contradicts the ledger: " + f.Detail
	case f.Subject == fixity.OfStore && f.Kind == fixity.Away:
		return "could not be reached: " + f.Detail
	case f.Subject == fixity.OfStore:
		return f.Detail
	case f.Subject == fixity.OfDisc && f.Kind == fixity.Fading:
		return fixity.Means("kind", string(f.Kind)) + ": " + f.Detail
	case f.Subject == fixity.OfDisc:
		return f.Detail
	case isUnfinished(f):
		return fixity.Means("kind", string(f.Kind)) + ": " + f.Detail
	}
	means := fixity.Means("state", string(f.Kind))
	if f.Anatomy != "" {
		means = fmt.Sprintf("%s (%s)", fixity.Means("anatomy", string(f.Anatomy)), f.Anatomy)
	}
	if f.Disc != "" && f.Kind == fixity.Kind(fixity.Altered) && f.Anatomy == "" {
		// A disc is held against what was burned; of sound there are samples, no bytes.
		means = "some of it was read well and is not what was burned"
	}
	if f.FoundAt != "" {
		means += "; found at " + Show(f.FoundAt)
	}
	if n := rangesTotal(f); n > 0 && f.Anatomy != "" {
		more := ""
		if f.RangesMore {
			more = " or more"
		}
		means += fmt.Sprintf("; within %s%s, from byte %s on", Size(n), more, Number(f.Ranges[0].Offset))
	}
	return means
}

func rangesTotal(f ledger.Finding) (n int64) {
	for _, r := range f.Ranges {
		n += r.Length
	}
	return n
}

// Good says where an intact copy is known.
func Good(f ledger.Finding) string {
	switch {
	case f.Subject != fixity.OfFile:
		return ""
	case isUnfinished(f):
		return "every known copy is a copy of that"
	case len(f.IntactIn) > 0:
		return "intact in " + strings.Join(f.IntactIn, ", ")
	case f.Mergeable:
		return "no intact copy known; the damaged copies together hold every part of it"
	}
	return "no intact copy known"
}

// Urgency is an urgency for a heading.
func Urgency(u fixity.Urgency) string { return strings.ToUpper(fixity.Means("urgency", string(u))) }
