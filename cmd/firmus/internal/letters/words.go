package letters

import (
	"fmt"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// words puts what the ledger holds into those of a letter.
type words struct {
	rules  care.Rules
	zone   *time.Location
	titles bool // names may stand in letters as they are
	pages  string
	// withhold says that the letter tells of a recording that isn't for everybody: nothing in
	// it says what that is called.
	withhold bool
}

// link is the page about findings: of one, or of the incident that they belong to.
func (w words) link(fs ...ledger.Finding) string {
	switch {
	case w.pages == "" || len(fs) == 0:
		return ""
	case len(fs) > 1 && fs[0].Incident != 0 && fs[0].Open():
		return fmt.Sprintf("%s/incidents/%d", w.pages, fs[0].Incident)
	}
	return fmt.Sprintf("%s/findings/%d", w.pages, fs[0].ID)
}

func number(n int) string { return strconv.Itoa(n) }

// clean is s on one line, with nothing in it that isn't seen: a name may hold line
// breaks, or marks that turn the direction of writing round.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\u2028' || r == '\u2029' || unicode.Is(unicode.C, r) && r != '\u00ad':
			return '\ufffd'
		case unicode.IsSpace(r):
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\ufffd"))
}

// cut is s with at most n characters.
func cut(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
}

// when is a time for a person, with its zone.
func (w words) when(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.In(w.zone).Format("2 Jan 2006 15:04 MST")
}

// whenDay is a time to come or a deadline, with the day of the week.
func (w words) whenDay(t time.Time) string { return t.In(w.zone).Format("Mon 2 Jan 2006, 15:04 MST") }

func (w words) day(t time.Time) string { return t.In(w.zone).Format("2 Jan 2006") }

// exact is a time with its seconds, as readings have it.
func (w words) exact(t time.Time) string { return t.In(w.zone).Format("2 Jan 2006 15:04:05 MST") }

// told is how a finding was seen, and what says what it tells.
func (w words) told(f ledger.Finding) string { return clean(report.Told(w.masked(f), w.exact)) }
func (w words) what(f ledger.Finding) string { return clean(report.What(w.masked(f), w.exact)) }

// age is how long something has lasted, in words.
func age(d time.Duration) string {
	switch days := int64(d / (24 * time.Hour)); {
	case d < 2*time.Hour:
		return "less than 2 hours"
	case days < 2:
		return fixity.Count(int64(d/time.Hour), "hour")
	default:
		return fixity.Count(days, "day")
	}
}

// number of days of a promise.
func days(d time.Duration) string {
	if d%(24*time.Hour) == 0 {
		return fixity.Count(int64(d/(24*time.Hour)), "day")
	}
	return fixity.Count(int64(d/time.Hour), "hour")
}

// store names a store as people know it: "vault hard drive".
func (w words) store(name string) string {
	rule, _ := w.rules.Store(name)
	shown, noun := clean(name), ""
	switch rule.Kind {
	case "disk":
		noun = "hard drive"
	case "cloud":
		noun = "cloud folder"
		if strings.Contains(strings.ToLower(name), "cloud") {
			noun = "folder"
		}
	}
	if noun == "" || strings.HasSuffix(strings.ToLower(name), "drive") {
		return shown
	}
	return shown + " " + noun
}

// storeAt is the store with its place.
func (w words) storeAt(name string) string {
	return w.store(name) + w.place(name)
}

func (w words) stores(names []string) string {
	out := make([]string, len(names))
	for i, n := range names {
		out[i] = w.store(n)
	}
	return fixity.And(out)
}

// path is a file's path as a letter may show it. Unless titles may leave the house,
// of each name only what is a number, a side or a short code stays: titles and
// performers stand in names too.
func (w words) path(p string) string {
	p = clean(p)
	if w.titles && !w.withhold || p == "" {
		return p
	}
	names := strings.Split(p, "/")
	for i, n := range names {
		ext := ""
		if i == len(names)-1 {
			ext = path.Ext(n)
			if len(ext) > 5 || strings.ContainsAny(ext, " _-") {
				ext = ""
			}
		}
		names[i] = coded(strings.TrimSuffix(n, ext)) + ext
	}
	return strings.Join(names, "/")
}

// coded keeps the beginning of a name as long as its pieces are numbers or codes.
func coded(name string) string {
	kept, rest := "", name
	for rest != "" {
		end := strings.IndexFunc(rest, func(r rune) bool { return strings.ContainsRune(" _-.", r) })
		piece, next := rest, ""
		if end >= 0 {
			piece, next = rest[:end], rest[end:]
		}
		if !isCode(piece, kept == "") {
			break
		}
		after := strings.TrimLeft(next, " _-.")
		kept += piece + next[:len(next)-len(after)]
		rest = after
	}
	if rest == "" {
		return name
	}
	return strings.TrimRight(kept, " _-.") + "…"
}

// isCode says that a piece of a name is a number, a side, or a short code such as
// the letters before an item's number.
func isCode(s string, first bool) bool {
	letters, digits := 0, 0
	for _, r := range s {
		switch {
		case r >= '0' && r <= '9':
			digits++
		case r >= 'A' && r <= 'Z' || len(s) == 1 && r >= 'a' && r <= 'z':
			letters++
		default:
			return strings.EqualFold(s, "side")
		}
	}
	return letters <= 2 || (digits > 0 || first) && letters <= 4
}

// name is a file in a subject and a first line: the item, and the file if its name
// says more. If nothing of the path but what may be a title would be left, it is the
// file's own name: nobody can act on "…".
func (w words) name(p string) string {
	whole := path.Base(p)
	if p = w.path(p); !strings.ContainsFunc(strings.TrimSuffix(p, path.Ext(p)), func(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) }) {
		if w.withhold {
			return "a file whose name is withheld"
		}
		return clean(whole)
	}
	base := strings.TrimSuffix(path.Base(p), path.Ext(p))
	item, _, inFolder := strings.Cut(p, "/")
	if !inFolder || strings.HasPrefix(base, strings.TrimSuffix(item, "…")) {
		return base
	}
	return item + ", " + base
}

// nameIn is name of a file in a set. Where the set's pattern finds the item and a
// side or track, these are said instead of the name.
func (w words) nameIn(set, p string) string {
	s, _ := w.rules.Set(set)
	f, _ := s.Pattern.Fields(p)
	if f.Item == "" || f.Side == "" && f.Track == "" {
		return w.name(p)
	}
	out := w.path(f.Item)
	if f.Side != "" {
		out += ", side " + w.path(f.Side)
	}
	if f.Track != "" {
		out += ", track " + w.path(f.Track)
	}
	return out
}

// role is what a set's files are called.
func (w words) role(set string) string {
	if s, _ := w.rules.Set(set); s.Role == fixity.Access {
		return "access file"
	}
	return "master"
}

// masked is a finding with its paths as a letter may show them, for the sentences
// that pages and the terminal use too.
func (w words) masked(f ledger.Finding) ledger.Finding {
	f.Path, f.FoundAt = w.path(f.Path), w.path(f.FoundAt)
	f.Facts.Seen = slices.Clone(f.Facts.Seen)
	for i := range f.Facts.Seen {
		x := &f.Facts.Seen[i]
		x.Places = slices.Clone(x.Places)
		for k, p := range x.Places {
			x.Places[k] = fixity.Path(w.path(string(p)))
		}
	}
	return f
}

func numbers(fs []ledger.Finding) string { return report.Numbers(fs) }

// urgency is the verdict in a subject.
func urgency(u fixity.Urgency) string { return report.Urgency(u) }

// heading is that of findings.
func heading(fs []ledger.Finding) string { return report.Heading(fs...) }
