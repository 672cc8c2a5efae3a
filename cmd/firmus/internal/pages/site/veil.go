package site

import (
	"net/http"
	"slices"
	"strings"
	"sync"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// lookRestricted says what isn't for everybody, by the rules and the register. All of it is
// read anew only once the register was.
func (q *Request) lookRestricted() ledger.Restricted {
	s := q.Site
	s.veils.mu.Lock()
	defer s.veils.mu.Unlock()
	err := q.View(func(t *ledger.Tx) error {
		r, err := t.Register.Reading()
		if err != nil {
			return err
		}
		if mark := r.TriedAt.String() + r.ReadAt.String(); mark != s.veils.mark || s.veils.mark == "" {
			if s.veils.is, err = t.Register.Restricted(); err != nil {
				return err
			}
			s.veils.mark = mark
		}
		return nil
	})
	if err != nil {
		s.veils.mark = ""
		return ledger.AllRestricted(s.Archive.Rules)
	}
	return s.veils.is
}

// veils is what is restricted, as it was read last.
type veils struct {
	mu   sync.Mutex
	mark string // of the register's reading
	is   ledger.Restricted
}

// MayNotKnow says that a recording, by its file's set and path, is not for the person who
// asks: they don't hear it, and see item, side and track instead of its name.
func (q *Request) MayNotKnow(set, path string) bool {
	return !q.Who.Role.May(fixity.Technician) && q.Restricted.File(set, path)
}

// MayKnowAll says that nothing is kept from the person who asks.
func (q *Request) MayKnowAll() bool {
	return q.Who.Role.May(fixity.Technician) || q.Restricted.None()
}

// Runs are the acts that go on, as the person may know of them: where they are is told by
// names.
func (q *Request) Runs() (out []JobNow) {
	if !q.MayKnowAll() {
		return nil
	}
	for _, j := range q.Site.jobs.running() {
		out = append(out, j.now())
	}
	return out
}

// ErrRestricted is for what names recordings and is not for everybody.
var ErrRestricted = Status{http.StatusForbidden, "This names restricted recordings", "Your account may not see it. A technician or a reviewer can print it."}

// Named is a path as the person may see it.
func (q *Request) Named(set, path string) string {
	if path == "" || !q.MayNotKnow(set, path) {
		return path
	}
	return q.withheld(set, path)
}

// withheld is what may be said of a path to who may not know it.
func (q *Request) withheld(set, path string) string {
	if path == "" {
		return ""
	}
	s, _ := q.Site.Archive.Rules.Set(set)
	f := s.FieldsOf(path)
	var parts []string
	for _, x := range [][2]string{{"", f.Item}, {"side ", f.Side}, {"track ", f.Track}} {
		if x[1] != "" {
			parts = append(parts, x[0]+x[1])
		}
	}
	return strings.Join(append(parts, "name withheld"), ", ")
}

// Hides says that a finding is about a recording that isn't for the person who asks: where it
// should be, or where it lies. What rows of the register say, and facts about a whole store,
// may name any.
func (q *Request) Hides(f ledger.Finding) bool {
	switch {
	case f.Set == "":
		return !q.MayKnowAll()
	case f.Path == "":
		return q.MayNotKnow(f.Set, "")
	}
	if slices.ContainsFunc(f.Facts.SameBytes, func(x fixity.SameBytes) bool { return q.MayNotKnow(x.Set, string(x.Path)) }) {
		return true
	}
	return q.MayNotKnow(f.Set, f.Path) || f.FoundAt != "" && q.MayNotKnow(f.Set, f.FoundAt)
}

// Veiled is a finding as the person may see it. Facts that name places are left out.
func (q *Request) Veiled(f ledger.Finding) ledger.Finding {
	if !q.Hides(f) {
		return f
	}
	f.Path, f.FoundAt, f.Reason = q.withheld(f.Set, f.Path), q.withheld(f.Set, f.FoundAt), ""
	f.Facts.SameBytes = slices.Clone(f.Facts.SameBytes)
	for i, x := range f.Facts.SameBytes {
		f.Facts.SameBytes[i].Path = fixity.Path(q.withheld(x.Set, string(x.Path)))
	}
	f.Facts.Seen = slices.DeleteFunc(slices.Clone(f.Facts.Seen), func(x fixity.Fact) bool { return len(x.Places) > 0 || len(x.Said) > 0 })
	return f
}
