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
		compared := func() (out []string) {
			for _, f := range w.open("vault") {
				if f.Facts.Tells(fixity.Compared) {
					out = append(out, f.Path)
				}
			}
			return out
		}
		w.audit(fixity.Bypassed)
		if got := compared(); !slices.Equal(got, altered[2:]) {
			t.Errorf("after one audit %d are compared, the first %q; want 20, the first %q", len(got), got[:1], altered[2])
		}
		w.audit(fixity.Bypassed)
		if got := compared(); !slices.Equal(got, altered) {
			t.Errorf("after two audits %d are compared; want all %d", len(got), len(altered))
		}
	})
}
