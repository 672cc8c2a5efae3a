package pages

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
func (q *request) lookRestricted() ledger.Restricted {
	s := q.s
	s.veils.mu.Lock()
	defer s.veils.mu.Unlock()
	err := q.view(func(t *tx) error {
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
		return ledger.AllRestricted(s.o.Archive.Rules)
	}
	return s.veils.is
}

// veils is what is restricted, as it was read last.
type veils struct {
	mu   sync.Mutex
	mark string // of the register's reading
	is   ledger.Restricted
}

// mayNotKnow says that a recording, by its file's set and path, is not for the person who
// asks: they don't hear it, and see item, side and track instead of its name.
func (q *request) mayNotKnow(set, path string) bool {
	return !q.who.Role.May(fixity.Technician) && q.restricted.File(set, path)
}

// mayKnowAll says that nothing is kept from the person who asks.
func (q *request) mayKnowAll() bool {
	return q.who.Role.May(fixity.Technician) || q.restricted.None()
}

// runs are the acts that go on, as the person may know of them: where they are is told by
// names.
func (q *request) runs() (out []jobNow) {
	if !q.mayKnowAll() {
		return nil
	}
	for _, j := range q.s.jobs.running() {
		out = append(out, j.now())
	}
	return out
}

// errRestricted is for what names recordings and is not for everybody.
var errRestricted = status{http.StatusForbidden, "This names restricted recordings", "Your account may not see it. A technician or a reviewer can print it."}

// named is a path as the person may see it.
func (q *request) named(set, path string) string {
	if path == "" || !q.mayNotKnow(set, path) {
		return path
	}
	return q.withheld(set, path)
}

// withheld is what may be said of a path to who may not know it.
func (q *request) withheld(set, path string) string {
	if path == "" {
		return ""
	}
	s, _ := q.s.o.Archive.Rules.Set(set)
	f := s.FieldsOf(path)
	var parts []string
	for _, x := range [][2]string{{"", f.Item}, {"side ", f.Side}, {"track ", f.Track}} {
		if x[1] != "" {
			parts = append(parts, x[0]+x[1])
		}
	}
	return strings.Join(append(parts, "name withheld"), ", ")
}

// hides says that a finding is about a recording that isn't for the person who asks: where it
// should be, or where it lies. What rows of the register say, and facts about a whole store,
// may name any.
func (q *request) hides(f ledger.Finding) bool {
	switch {
	case f.Set == "":
		return !q.mayKnowAll()
	case f.Path == "":
		return q.mayNotKnow(f.Set, "")
	}
	if slices.ContainsFunc(f.Facts.SameBytes, func(x fixity.SameBytes) bool { return q.mayNotKnow(x.Set, string(x.Path)) }) {
		return true
	}
	return q.mayNotKnow(f.Set, f.Path) || f.FoundAt != "" && q.mayNotKnow(f.Set, f.FoundAt)
}

// veiled is a finding as the person may see it. Facts that name places are left out.
func (q *request) veiled(f ledger.Finding) ledger.Finding {
	if !q.hides(f) {
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

// veil takes out of a finding's page what its person may not know: names, places, what
// others typed, and what only who may act needs.
func (d *findingData) veil(q *request, f ledger.Finding) {
	if !q.hides(f) {
		return
	}
	d.Steps, d.Recover, d.SignOff, d.NotOffer, d.Incident, d.Settle = nil, nil, nil, nil, nil, false
	for i := range d.Copies {
		d.Copies[i].At = ""
	}
	for i := range d.Versions {
		d.Versions[i].Reason = ""
	}
	for i := range d.History {
		d.History[i].What, _, _ = strings.Cut(d.History[i].What, ":")
	}
}
