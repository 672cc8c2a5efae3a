package site

import (
	"fmt"
	"net/url"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Sentence begins with a capital and ends with a full stop.
func Sentence(s string) string {
	r := []rune(s)
	if len(r) > 0 && r[0] < 128 {
		r[0] = []rune(strings.ToUpper(string(r[0])))[0]
	}
	if s = string(r); s == "" {
		return ""
	}
	if !strings.ContainsAny(s[len(s)-1:], ".!?:") {
		s += "."
	}
	return s
}

// DayTime is a time for a person: today's by its clock, another by its day.
func DayTime(t, now time.Time) string {
	t, now = t.Local(), now.Local()
	if t.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return "today, " + t.Format("15:04")
	}
	return report.Day(t, now)
}

// SubjectOf names what a finding is about.
func SubjectOf(f ledger.Finding) string {
	switch {
	case f.Subject == fixity.OfStore:
		return f.Store
	case f.Subject == fixity.OfRegister:
		return "the register"
	case f.Disc != "" && (f.Path == "" || f.Subject == fixity.OfDisc):
		return "disc " + f.Disc
	case f.Disc != "":
		return Shown(f.Set+"/"+f.Path) + ", disc " + f.Disc
	}
	return Shown(f.Set + "/" + f.Path)
}

// KindInWords says in a few words what is wrong, and where.
func KindInWords(f ledger.Finding) string {
	on := " on " + f.Store
	if f.Disc != "" {
		on = ""
	}
	if f.Subject == fixity.OfStore {
		if f.Kind == fixity.Away {
			return "could not be reached"
		}
		return report.What(f, report.Local)
	}
	if f.Subject == fixity.OfDisc || f.Subject == fixity.OfManifest || f.Subject == fixity.OfRegister {
		return report.What(f, report.Local)
	}
	words := map[string]string{
		"altered": "damaged" + on, "missing": "missing" + on, "misplaced": "in another place" + on, "unreadable": "can't be read" + on, "unsteady": "reads differently each time" + on,
		"disputed": "differs between stores", "unexpected": "under no one's care" + on, "unfinished": "not a whole recording", "awaited": "not there yet" + on, "behind": "an earlier version" + on,
	}
	w, ok := words[string(f.Kind)]
	if !ok {
		w = string(f.Kind) + on
	}
	if report.OtherVersion(f) {
		w = "another version" + on
	}
	if report.FormerName(f) {
		w = "under its former name" + on
	}
	if fixity.State(f.Kind) == fixity.Disputed && f.Facts.Tells(fixity.ListDiffers, fixity.HoldsVersion) {
		w = "disputed" // other stores need not have it
	}
	switch f.Anatomy {
	case fixity.CutShort:
		w = "cut short" + on
	case fixity.Grown:
		w = "longer than it was" + on
	case fixity.Zeroed:
		w = "stretches of zeros" + on
	case fixity.Replaced:
		w = "holds other contents" + on
	case fixity.DescriptionOnly:
		w = "the description in the file differs" + on
	}
	if f.FoundAt != "" {
		w += ": found at " + Shown(f.FoundAt)
	}
	return w
}

// FindingLinks lead to findings, the first twenty of them.
func FindingLinks(fs []ledger.Finding) (out []Link) {
	for _, f := range fs[:min(len(fs), 20)] {
		out = append(out, Link{fmt.Sprintf("/findings/%d", f.ID), fmt.Sprintf("Finding %d: %s: %s", f.ID, SubjectOf(f), KindInWords(f))})
	}
	if len(fs) > 20 {
		out = append(out, Link{"/findings", fmt.Sprintf("and %s more", fixity.Number(int64(len(fs)-20)))})
	}
	return out
}

// CopyLine is a copy in a list.
type CopyLine struct {
	Store, Place, Is, Known, At string
	State                       string
	Bad                         bool
}

// Event is something that happened to a file, in a list.
type Event struct {
	At   time.Time
	What string
	By   string
}

// MostEvents is how much of a file's history a page shows.
const MostEvents = 40

// Line is a finding in a list.
type Line struct {
	ID      int64
	State   string // whose mark stands before it
	Urgency fixity.Urgency
	Heading string
	Subject string // what it is about
	What    string
	Good    string
	Since   time.Time
	Ended   string
}

// LineOf is a finding as a list shows it.
func LineOf(f ledger.Finding) Line {
	l := Line{ID: f.ID, State: StateOf(f), Urgency: f.Urgency, Heading: HeadingOf(f), Subject: SubjectOf(f), What: KindInWords(f), Since: f.Opened}
	if f.Kind != fixity.Unfinished && f.Open() {
		l.Good = report.Good(f)
	}
	if !f.Open() {
		l.Ended = report.EndedBy(f)
	}
	return l
}

// StateOf says which mark stands before a finding.
func StateOf(f ledger.Finding) string {
	if f.Subject == fixity.OfRegister {
		return string(fixity.Unexpected) // a note; nothing is damaged
	}
	return string(f.Kind)
}

// HeadingOf is what stands before a finding, in small letters: a page isn't a telegram.
func HeadingOf(f ledger.Finding) string {
	if fixity.State(f.Kind) == fixity.Disputed {
		return "to be decided"
	}
	return fixity.Means("urgency", string(f.Urgency))
}

// ItemPath is the page of an item.
func ItemPath(item string) string { return "/reels/" + url.PathEscape(item) }

// DiscPath is the page of a disc.
func DiscPath(name string) string { return "/discs/" + url.PathEscape(name) }
