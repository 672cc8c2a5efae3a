package acts_test

import (
	"fmt"
	"slices"
	"testing"

	"firmus/fixity"
	"firmus/fixity/testing/ledgertest"
)

// Of more altered copies than an audit compares, the newest are compared, and those that
// no intact copy lies beside take no turn from the others. The next audit compares the rest.
func TestTheNewestFindingsAreComparedFirst(t *testing.T) {
	t.Parallel()
	inWorld(t, ledgertest.File(t.TempDir()), func(w *world) {
		var held, altered []string
		for i := range 480 {
			held = append(held, fmt.Sprintf("masters/QV-0107/QV-0107_%03d.wav", i))
		}
		w.held(held...)
		for i, p := range held[100:124] { // too few to be one incident
			w.put(p, []byte("rot of "+p), "vault")
			if i >= 22 {
				w.put(p, []byte("other rot of "+p), "studio")
				continue
			}
			altered = append(altered, p[len("masters/"):])
		}
		// In the order in which they were found: two readers may exchange neighbours.
		compared := func() (found, out []string) {
			for _, f := range w.open("vault") {
				if slices.Contains(altered, f.Path) {
					found = append(found, f.Path)
				}
				if f.Facts.Tells(fixity.Compared) {
					out = append(out, f.Path)
				}
			}
			return found, out
		}
		w.audit(fixity.Bypassed)
		if found, got := compared(); len(found) != len(altered) || !slices.Equal(got, found[2:]) {
			t.Errorf("after one audit these are compared: %q; want the newest 20 of %q", got, found)
		}
		w.audit(fixity.Bypassed)
		if found, got := compared(); !slices.Equal(got, found) {
			t.Errorf("after two audits these are compared: %q; want all of %q", got, found)
		}
	})
}
