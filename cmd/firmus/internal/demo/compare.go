package demo

import "firmus/fixity"

// claim is what a planted fault and a finding must agree in.
type claim struct {
	store, set, path, foundAt string
	subject                   fixity.Subject
	kind                      fixity.Kind
	anatomy                   fixity.Anatomy
	urgency                   fixity.Urgency
}

// Compare says which planted faults were not found, and which findings nobody
// planted, each in the order given. A fault counts as found only if an open finding
// agrees with all that is claimed of it, urgency included: one that is wrong in
// anything makes its fault lacking and is itself extra. Each finding answers for
// one fault. Settled findings are passed over.
func Compare(planted []Planted, found []fixity.Finding) (lacking []Planted, extra []fixity.Finding) {
	waiting := map[claim]int{}
	for _, f := range found {
		if f.Open() {
			waiting[claim{f.Store, f.Set, f.Path, f.FoundAt, f.Subject, f.Kind, f.Anatomy, f.Urgency}]++
		}
	}
	matched := map[claim]int{}
	for _, p := range planted {
		c := claim{p.Store, p.Set, p.Path, p.FoundAt, p.Subject, p.Kind, p.Anatomy, p.Urgency}
		if waiting[c] == 0 {
			lacking = append(lacking, p)
			continue
		}
		waiting[c]--
		matched[c]++
	}
	for _, f := range found {
		c := claim{f.Store, f.Set, f.Path, f.FoundAt, f.Subject, f.Kind, f.Anatomy, f.Urgency}
		switch {
		case !f.Open():
		case matched[c] > 0:
			matched[c]--
		default:
			extra = append(extra, f)
		}
	}
	return lacking, extra
}
