package checking_test

import (
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
)

// A disc that could not be read whole when it gave a file back is due until it is checked,
// and no other disc is.
func TestADoubtedDiscIsDueUntilItIsChecked(t *testing.T) {
	s := newShelf(t)
	s.file("masters", "QV-0107/a.wav", 1)
	var discs []ledger.Disc
	for _, twin := range []string{"A", "B"} {
		d := s.add(registering.Order{Number: "QD-0001", Twin: twin, Kind: ledger.DataDisc, Files: []string{"masters/QV-0107/a.wav"}})
		discs = append(discs, d)
	}
	check := func(d ledger.Disc) {
		t.Helper()
		s.disc = &fake{about: disc(optical.Data, 100), found: []burned.Match{{ID: d.ID, Sure: true}}, report: read(fixity.DiscIntact)}
		s.check(checking.Order{Number: d.Name()})
	}
	due := func(d ledger.Disc) string {
		t.Helper()
		why, err := s.env.Due(t.Context(), d)
		if err != nil {
			t.Fatal(err)
		}
		return why
	}
	check(discs[0])
	check(discs[1])
	s.clock = s.clock.Add(24 * time.Hour)
	file := int64(1)
	if err := s.env.Ledger.Tx(t.Context(), s.clock, func(t *ledger.Tx) error { return t.Discs.Doubt(discs[0].ID, file) }); err != nil {
		t.Fatal(err)
	}
	if a, b := due(discs[0]), due(discs[1]); !strings.Contains(a, "could be read when it gave a file back") || b != "" {
		t.Errorf("A: %q, B: %q", a, b)
	}
	check(discs[0])
	if a := due(discs[0]); a != "" {
		t.Errorf("after its check: %q", a)
	}
}
