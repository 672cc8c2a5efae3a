// Package report writes the sentences about findings, facts and copies, and says what to do
// about each, for letters, pages, terminal and exports alike.
package report

import (
	"cmp"
	"encoding/base64"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
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
	SameBytes  []SameBytes    `json:"same_bytes,omitempty"` // where another file has the bytes, if no copy of this one is intact
	Mergeable  bool           `json:"mergeable"`
	Incident   *int64         `json:"incident"`
	Subject    fixity.Subject `json:"subject"`
	Disc       string         `json:"disc,omitempty"`
	FoundAt    string         `json:"found_at,omitempty"`
	FoundAt64  string         `json:"found_at_base64,omitempty"`
	Count      int64          `json:"count"`
	Detail     string         `json:"detail"`
	Step       care.Step      `json:"step"`
	Opened     time.Time      `json:"opened"`
	Seen       time.Time      `json:"seen"`
	Settled    fixity.Settled `json:"settled,omitempty"`
	SettledAt  *time.Time     `json:"settled_at,omitempty"`
	SettledBy  string         `json:"settled_by,omitempty"`
	Reason     string         `json:"reason,omitempty"`
	EndedAs    string         `json:"ended_as,omitempty"` // in words
	WrongWay   *WrongWay      `json:"wrong_way,omitempty"`
	Once       bool           `json:"cannot_repeat,omitempty"` // the register says so of its item
}

// WrongWay says that a copy was intact once and now holds just the wrong bytes of another
// store's copy of the same file.
type WrongWay struct {
	Store    string   `json:"store"`     // whose wrong bytes these are
	IntactAt *Instant `json:"intact_at"` // when this copy was last known to be intact; null: not known
}

// SameBytes is a copy of another file under care that has the version's bytes and is intact.
type SameBytes struct {
	Store      string `json:"store"`
	Disc       string `json:"disc,omitempty"`
	Set        string `json:"set"`
	Path       string `json:"path"`
	PathBase64 string `json:"path_base64,omitempty"`
}

// Ordered are findings in their order.
func Ordered(fs []ledger.Finding) []ledger.Finding {
	if slices.IsSortedFunc(fs, comesFirst) {
		return fs
	}
	at := make([]*ledger.Finding, len(fs)) // a finding is large: it is moved once
	for i := range fs {
		at[i] = &fs[i]
	}
	slices.SortStableFunc(at, func(a, b *ledger.Finding) int { return comesFirst(*a, *b) })
	out := make([]ledger.Finding, len(fs))
	for i, f := range at {
		out[i] = *f
	}
	return out
}

// comesFirst puts findings in their order: the most urgent first, and of those what can't be
// transferred again.
func comesFirst(a, b ledger.Finding) int {
	return cmp.Or(cmp.Compare(b.Urgency.Level(), a.Urgency.Level()), cmp.Compare(once(b), once(a)))
}

func once(f ledger.Finding) int {
	if f.Once {
		return 1
	}
	return 0
}

// Rules are those of the archive; the zero Rules will do for what lies in no set.
type Rules = care.Rules

// FindingOf makes the JSON of a finding.
func FindingOf(f ledger.Finding, rules Rules, fresh bool) Finding {
	out := Finding{ID: f.ID, Kind: f.Kind, Urgency: f.Urgency, Store: f.Store, Set: f.Set, State: "open", New: fresh,
		Ranges: f.Ranges, RangesMore: f.RangesMore, IntactIn: f.IntactIn, Mergeable: f.Mergeable, Subject: f.Subject, Disc: f.Disc,
		Count: f.Count, Detail: Told(f, nil), Step: f.Step, Opened: f.Opened, Seen: f.Seen, Settled: f.Settled, SettledBy: f.SettledBy, Reason: f.Reason, Once: f.Once}
	if !f.Open() {
		out.EndedAs = EndedAs(f)
	}
	if f.Step == care.StepRecover && Edited(f, rules) {
		out.Step = care.StepAsk
	}
	if f.Kind == fixity.OtherDisc {
		out.Step = care.StepMoveBack // nothing is to be burned: the disc that was meant lies elsewhere
	}
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
	for _, x := range f.Facts.SameBytes {
		y := SameBytes{Store: x.Store, Disc: x.Disc, Set: x.Set}
		y.Path, y.PathBase64 = Path(string(x.Path))
		out.SameBytes = append(out.SameBytes, y)
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
// disturb a terminal. A backslash is seen, and divides folders on Windows.
func Show(p string) string {
	q := fmt.Sprintf("%q", p)
	if strings.ReplaceAll(q, `\\`, `\`) == `"`+p+`"` && strings.TrimSpace(p) == p {
		return p
	}
	return q
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

// What says in words what a finding tells; when says its times.
func What(f ledger.Finding, when func(time.Time) string) string {
	told := Told(f, when)
	switch {
	case f.Subject == fixity.OfManifest:
		return "the manifest contradicts the ledger: " + told
	case f.Subject == fixity.OfStore && f.Kind == fixity.Away:
		return "could not be reached: " + told
	case f.Subject == fixity.OfDisc && f.Kind == fixity.Fading, isUnfinished(f):
		return fixity.Means("kind", string(f.Kind)) + ": " + told
	case f.Subject == fixity.OfStore, f.Subject == fixity.OfDisc:
		return told
	case f.Subject == fixity.OfRegister:
		return ofRegister(f, when)
	}
	means := fixity.Means("state", string(f.Kind))
	switch with := swapped(f); {
	case with != "":
		return fmt.Sprintf("a swap: it has the bytes of %s, and that file has its bytes", Show(with))
	case FormerName(f):
		means = "the right bytes, under the name that the file had before"
	case fixity.State(f.Kind) != fixity.Disputed || f.Facts.Tells(fixity.StoresDiffer, fixity.AsTold):
	case f.Facts.Tells(fixity.ListDiffers):
		return "it differs from a list of checksums that lay beside it, and nothing says which is right"
	case f.Facts.Tells(fixity.HoldsVersion):
		return "it holds what the first reading gave, later readings gave other bytes, and nothing says which is right"
	default:
		return "it differs from the version that was taken in, and nothing says which is right"
	}
	if f.Anatomy != "" {
		means = fmt.Sprintf("%s (%s)", fixity.Means("anatomy", string(f.Anatomy)), f.Anatomy)
	}
	if f.Disc != "" && f.Kind == fixity.Kind(fixity.Altered) && f.Anatomy == "" {
		// A disc is held against what was burned; of sound there are samples, no bytes.
		means = "some of it was read well and is not what was burned"
		if OtherVersion(f) {
			x, _ := f.Facts.Find(fixity.DiscVersion)
			return Fact(x)
		}
		if x, ok := f.Facts.Find(fixity.OnDisc); ok && len(x.Said) > 0 {
			means = x.Said[0] // as the check sheet says it
		}
	}
	if f.FoundAt != "" {
		means += "; found at " + Show(f.FoundAt)
	}
	if n := rangesTotal(f); n > 0 && f.Anatomy != "" {
		more := ""
		if f.RangesMore {
			more = " or more"
		}
		means += fmt.Sprintf("; within %s%s, from byte %s on", Size(n), more, fixity.Number(f.Ranges[0].Offset))
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
	case fixity.State(f.Kind) == fixity.Disputed:
		return "no version counts as intact until you decide"
	case len(f.IntactIn) > 0:
		return "intact in " + strings.Join(f.IntactIn, ", ")
	case len(f.Facts.SameBytes) > 0:
		x := f.Facts.SameBytes[0]
		where := x.Store
		if x.Disc != "" {
			where = "disc " + x.Disc
		}
		return fmt.Sprintf("no copy of this file is intact, but another file with the same checksum is: %s/%s in %s", x.Set, Show(string(x.Path)), where)
	case f.Mergeable:
		return "no intact copy known; the damaged copies together hold every part of it"
	}
	return "no intact copy known"
}

// Ended says how a finding ended: who, when and why, as far as a person did it.
func Ended(f ledger.Finding, when func(time.Time) string) string {
	return endedAt(f, ", "+when(f.SettledAt))
}

// EndedBy is that without the time.
func EndedBy(f ledger.Finding) string { return endedAt(f, "") }

func endedAt(f ledger.Finding, when string) string {
	s := EndedAs(f) + when
	if f.Settled != fixity.IntactAgain && f.SettledBy != "" {
		s += ", by " + f.SettledBy
	}
	if x, ok := f.Facts.Find(fixity.Superseded); ok {
		s += ": " + Fact(x)
	}
	if f.Reason != "" {
		s += ": " + f.Reason
	}
	return s
}

// Was names what a finding that ended was about, and how it ended.
func Was(f ledger.Finding) string {
	what := f.Store
	switch {
	case f.Subject == fixity.OfRegister:
		what = "the register"
	case f.Disc != "":
		what = "disc " + f.Disc
	case f.Path != "":
		what = f.Set + "/" + Show(f.Path)
	}
	return fmt.Sprintf("%s (%s): %s", what, f.Kind, EndedAs(f))
}

// OtherVersion says that the copy on a disc is all of another version than the disc is
// registered with.
func OtherVersion(f ledger.Finding) bool { return f.Facts.Tells(fixity.DiscVersion) }

// FormerName says that a copy has the right bytes, under the name that its file had before it
// was renamed.
func FormerName(f ledger.Finding) bool {
	return fixity.State(f.Kind) == fixity.Behind && f.FoundAt != ""
}

// again is how a finding about a file ended by what was seen of the file.
var again = map[fixity.Kind]string{
	fixity.Kind(fixity.Altered):    "read again, and right",
	fixity.Kind(fixity.Unreadable): "read again, and right",
	fixity.Kind(fixity.Unsteady):   "read again, and right",
	fixity.Kind(fixity.Missing):    "back in its place",
	fixity.Kind(fixity.Misplaced):  "back in its place",
	fixity.Kind(fixity.Awaited):    "there now",
	fixity.Kind(fixity.Behind):     "the current version is there now",
}

// EndedAs says in a few words how a finding ended. Of a store that is back nothing was read
// by that: "intact" would claim too much.
func EndedAs(f ledger.Finding) string {
	switch {
	case f.Kind == fixity.Unfinished && f.Settled == fixity.Overtaken:
		return "there is a new version"
	case f.Settled == fixity.PutBack:
		return PutBack(f)
	case f.Settled != fixity.IntactAgain:
		return fixity.Means("settled", string(f.Settled))
	case f.Subject == fixity.OfStore && f.Kind == fixity.Away:
		return "there again"
	case f.Subject == fixity.OfFile && again[f.Kind] != "":
		return again[f.Kind]
	}
	return fixity.Means("settled", string(f.Settled))
}

// PutBack says how a finding ended that a recovery ended.
func PutBack(f ledger.Finding) string {
	x, ok := f.Facts.Find(fixity.PutBackFrom)
	if !ok {
		return fixity.Means("settled", string(f.Settled))
	}
	if x.Store == "" {
		return "moved back and read there"
	}
	if x.Code == fixity.Merged {
		return "joined of the good parts in " + x.Store + " and read there"
	}
	if k := fixity.State(f.Kind); k == fixity.Awaited || k == fixity.Behind {
		return "replicated from " + x.Store + " and read there"
	}
	if len(x.Said) > 0 {
		return "recovered from " + x.Store + ", by the same bytes of another file, " + Show(x.Said[0]) + ", and read there"
	}
	return "recovered from " + x.Store + " and read there"
}

// Second is who confirmed what an event tells of, where two people decided; else "".
func Second(e ledger.Event) string {
	if second, _ := e.Told()["confirmed_by"].(string); second != e.By {
		return second
	}
	return ""
}

// Deciders are who did what an event tells of, and who confirmed it.
func Deciders(e ledger.Event) string { return Both(e.By, Second(e)) }

// Both names who decided and who confirmed it; second is "" where one person did.
func Both(by, second string) string {
	if second == "" {
		return by
	}
	return by + ", confirmed by " + second
}

// ShowFolder is a folder in a set for a person.
func ShowFolder(p string) string {
	if p == "" {
		return "the set's own folder"
	}
	return Show(p)
}

// Urgency is an urgency for a heading.
func Urgency(u fixity.Urgency) string { return strings.ToUpper(fixity.Means("urgency", string(u))) }

// Heading is what stands before a finding: its urgency. Of a dispute nobody can say that no
// copy is intact; it waits for a decision.
func Heading(fs ...ledger.Finding) string {
	u, disputed := fixity.Tidy, true
	for _, f := range fs {
		if f.Urgency.Level() > u.Level() {
			u = f.Urgency
		}
		disputed = disputed && fixity.State(f.Kind) == fixity.Disputed
	}
	if disputed {
		return "TO BE DECIDED"
	}
	return Urgency(u)
}
