package statements_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

// A statement names the first 1,000 files with one copy, says that there are more and how to
// have them all, and then has them all, each once.
func TestAllFilesWithOneCopyCanBeNamed(t *testing.T) {
	t.Parallel()
	const files = 1_300
	o := ledgertest.Ready(t, t.TempDir()).Options()
	o.Now, o.By = made, "Ada Wren"
	o.Rules = care.Rules{Sets: []care.Set{{Name: "masters", Role: fixity.Master}}, Stores: []care.Store{{Name: "studio", Kind: "disk", Sets: []string{"masters"}, Arrivals: true}}}
	l, err := ledger.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	x := ledgertest.Large{Ledger: l, Set: "masters", Stores: []string{"studio"}, Now: made.Add(-time.Hour)}
	if err := x.Adopt(t.Context(), "disk"); err != nil {
		t.Fatal(err)
	}
	if err := x.Fill(t.Context(), 0, files); err != nil {
		t.Fatal(err)
	}
	h, err := statements.MakeHoldings(t.Context(), l, archive, o.Rules, made)
	if err != nil || len(h.Thin) != 1000 {
		t.Fatal(len(h.Thin), err)
	}
	says := func() bool {
		var text strings.Builder
		if err := h.Text(&text); err != nil {
			t.Fatal(err)
		}
		return strings.Contains(strings.Join(strings.Fields(text.String()), " "), "1,300 files have no copy or one only. The first 1,000 are named. All of them can be asked for")
	}
	if !says() {
		t.Error("it doesn't say that there are more")
	}
	if err := h.NameAll(t.Context(), l); err != nil || len(h.Thin) != files || says() {
		t.Fatal(len(h.Thin), err)
	}
	var paths []string
	for _, f := range h.Thin {
		paths = append(paths, f.Path)
	}
	if !slices.IsSorted(paths) || len(slices.Compact(paths)) != files {
		t.Error("some are named twice, or out of order")
	}
}
