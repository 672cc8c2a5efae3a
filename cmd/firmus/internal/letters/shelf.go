package letters

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// lies is where a finding's copy is: a disc, or a store.
func (w words) lies(f ledger.Finding) string {
	if f.Disc != "" {
		return "disc " + clean(f.Disc)
	}
	if f.Subject == fixity.OfRegister {
		return "register"
	}
	return w.store(f.Store)
}

// liesAt is that with the store's place.
func (w words) liesAt(f ledger.Finding) string {
	if f.Disc != "" {
		return w.lies(f) + w.place(f.Store)
	}
	return w.storeAt(f.Store)
}

// liesOf is where several findings of one store are.
func (w words) liesOf(fs []ledger.Finding) string {
	if oneDisc(fs) {
		return w.lies(fs[0])
	}
	return w.store(fs[0].Store)
}

// copyIn names the place of a copy, in a table.
func (w words) copyIn(c ledger.Copy) string {
	if c.Disc == "" {
		return w.store(c.Store)
	}
	s := "disc " + clean(c.Disc)
	if c.Lesser {
		s += " (samples only)"
	}
	return s
}

// oneDisc says that findings are all about one disc.
func oneDisc(fs []ledger.Finding) bool {
	return len(fs) > 0 && fs[0].Carrier != 0 && !slices.ContainsFunc(fs, func(f ledger.Finding) bool { return f.Carrier != fs[0].Carrier })
}

// shelfRow adds the discs to the table of stores.
func (w week) shelfRow(t table) table {
	if w.shelf.Discs == 0 {
		return t
	}
	unread, promised := "-", "none set"
	if !w.shelf.Oldest.IsZero() {
		unread = age(w.now.Sub(w.shelf.Oldest))
	}
	if w.shelf.NeverRead > 0 {
		unread = fixity.Number(w.shelf.NeverRead) + " never read"
	}
	for _, s := range w.rules.Stores {
		if s.Kind != "optical" || s.ReadWithin <= 0 {
			continue
		}
		kept := "kept"
		if w.shelf.NeverRead > 0 || w.now.Sub(w.shelf.Oldest) > s.ReadWithin {
			kept = "NOT KEPT"
		}
		promised = days(s.ReadWithin) + ", " + kept
		break
	}
	t.Rows = append(t.Rows, []string{"discs", fixity.Number(w.shelf.Discs), "-", fixity.Number(w.shelf.Read), unread, promised})
	return t
}

// shelfLine says what the discs that were read in the week came to, and where the next ones lie.
func (w week) shelfLine() string {
	var out []string
	if w.shelf.Read > 0 {
		s := fmt.Sprintf("%s read, %s as burned or as first read", fixity.Number(w.shelf.Read), fixity.Number(w.shelf.Read-int64(len(w.shelf.Bad))))
		if bad := names(w.shelf.Bad); len(bad) > 0 {
			s += "; not: " + fixity.And(bad)
		}
		out = append(out, s+".")
	}
	if n := len(w.shelf.Next); n > 0 {
		boxes, loose := []string{}, 0
		for _, d := range w.shelf.Next {
			if d.Box == "" {
				loose++
			} else if b := clean(ledger.BoxName(d.Box)); !slices.Contains(boxes, b) {
				boxes = append(boxes, b)
			}
		}
		slices.SortFunc(boxes, func(a, b string) int { return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b)) })
		s := fmt.Sprintf("%s of this month's draw %s to be read", fixity.Number(int64(n)), fixity.OneOr(int64(n), "is", "are"))
		switch {
		case len(boxes) > sampled:
			s += fmt.Sprintf(", in %d boxes", len(boxes))
		case len(boxes) > 0:
			s += ": " + fixity.OneOr(int64(len(boxes)), "box ", "boxes ") + fixity.And(boxes)
		}
		out = append(out, s+" (the list: Discs, this month's list).")
	}
	return strings.Join(out, " ")
}

// names are the names of discs, of many the first.
func names(ds []ledger.Disc) (out []string) {
	for _, d := range ds {
		if len(out) == sampled {
			return append(out, "and more")
		}
		out = append(out, clean(d.Name()))
	}
	return out
}

// ofDisc is about a disc, or several files on one.
func (w writer) ofDisc() (string, page) {
	f := w.x.open[0]
	kinds := map[fixity.Kind]int64{}
	for _, o := range w.x.open {
		kinds[o.Kind]++
	}
	what := "not as it should be"
	switch {
	case f.Kind == fixity.Fading && len(kinds) == 1:
		what = "harder to read than before"
	case f.Kind == fixity.OtherDisc && len(kinds) == 1:
		what = "another disc was read in its place"
	case f.Kind == fixity.WrongDirectory && len(kinds) == 1:
		what = "whole, but for its directory"
	case f.Facts.Tells(fixity.DiscLevel) && len(kinds) == 1:
		what = "the same recording at another level"
	case f.Kind == fixity.Kind(fixity.Misplaced) && len(kinds) == 1:
		what = "in another order than it is registered"
	case f.Kind == fixity.Kind(fixity.Missing) && len(kinds) == 1:
		what = "not complete"
	case kinds[fixity.Kind(fixity.Unreadable)] > 0 && len(kinds) == 1:
		what = "can't be read in full"
	case kinds[fixity.Kind(fixity.Altered)] > 0 && len(kinds) == 1:
		what = "damaged"
	}
	subject := fmt.Sprintf("%s - %s - %s [%s]", heading(w.x.open), w.lies(f), what, numbers(w.x.open))
	var p page
	s := "is " + what
	switch {
	case strings.HasPrefix(what, "can't"):
		s = what
	case f.Kind == fixity.OtherDisc && len(kinds) == 1:
		s = "was asked for, and " + what
	}
	p.Lead = append(p.Lead, fmt.Sprintf("The %s %s.", w.liesAt(f), s))
	if f.Subject == fixity.OfFile {
		p.Lead = append(p.Lead, fmt.Sprintf("It concerns %s. %s", fixity.Count(int64(len(w.x.fileIDs())), "file"), w.good(f)))
	}
	p.Lead = append(p.Lead, w.please(f))
	var sure part
	for i, o := range w.x.open {
		if i == sampled {
			break
		}
		sure.fact("How sure", fmt.Sprintf("[%d]: %s", o.ID, w.told(o)))
	}
	p.add(sure)
	if f.Subject == fixity.OfFile {
		p.add(w.filesTable("The files", w.x.open))
	}
	w.act(&p)
	return subject, p
}
