package pages

import (
	"net/http"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// mayNotKnow says that the recordings of a set are not for the person who asks: they hear
// none, and see item, side and track instead of names.
func (q *request) mayNotKnow(set string) bool {
	s, _ := q.s.o.Archive.Rules.Set(set)
	return s.Restricted && !q.who.Role.May(fixity.Technician)
}

// mayKnowAll says that no set is kept from the person who asks.
func (q *request) mayKnowAll() bool {
	return q.who.Role.May(fixity.Technician) || !slices.ContainsFunc(q.s.o.Archive.Rules.Sets, func(s care.Set) bool { return s.Restricted })
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
	if path == "" || !q.mayNotKnow(set) {
		return path
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

// veiled is a finding as the person may see it. Facts that name places are left out.
func (q *request) veiled(f ledger.Finding) ledger.Finding {
	if !q.mayNotKnow(f.Set) {
		return f
	}
	f.Path, f.FoundAt, f.Reason = q.named(f.Set, f.Path), q.named(f.Set, f.FoundAt), ""
	f.Facts.Seen = slices.DeleteFunc(slices.Clone(f.Facts.Seen), func(x fixity.Fact) bool { return len(x.Places) > 0 || len(x.Said) > 0 })
	return f
}

// veil takes out of a finding's page what its person may not know: names, places, what
// others typed, and what only who may act needs.
func (d *findingData) veil(q *request, f ledger.Finding) {
	if !q.mayNotKnow(f.Set) {
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
