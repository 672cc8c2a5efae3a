package ledger_test

import (
	"testing"

	"firmus/fixity/ledger"

	"github.com/google/go-cmp/cmp"
)

// TestOwners: copies are counted by the account that they belong to, in each store.
func TestOwners(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		w.take(masters, side, "one", true, "studio", "vault")
		w.take(masters, "QV-0108/a.wav", "two", true, "studio", "vault")
		w.take(masters, "QV-0109/a.wav", "three", true, "studio", "vault")
		w.tx(func(x *ledger.Tx) error {
			for _, i := range []struct {
				store string
				item  ledger.ServiceItem
			}{
				{"vault", ledger.ServiceItem{Path: "", Owner: "archive@quillmere.example"}},
				{"vault", ledger.ServiceItem{Path: side, ID: "1", Owner: "archive@quillmere.example"}},
				{"vault", ledger.ServiceItem{Path: "QV-0108/a.wav", ID: "2", Owner: "e.tansy@mail.example"}},
				{"vault", ledger.ServiceItem{Path: "QV-0109/a.wav", ID: "3", Owner: "e.tansy@mail.example"}},
				{"vault", ledger.ServiceItem{Path: "QV-0110/no copy.wav", ID: "4", Owner: "e.tansy@mail.example"}},
				{"studio", ledger.ServiceItem{Path: side, ID: "5", Owner: "archive@quillmere.example"}},
				{"studio", ledger.ServiceItem{Path: "QV-0108/a.wav", ID: "6"}},
			} {
				if err := x.Services.PutItem(i.store, masters, i.item); err != nil {
					return err
				}
			}
			return nil
		})
		w.remove("vault", masters, "QV-0109/a.wav")
		w.audit("vault", order{})
		w.view(func(x *ledger.Tx) error {
			got, err := x.Services.Owners()
			want := []ledger.OwnerCount{
				{Store: "studio", Owner: "archive@quillmere.example", Files: 1},
				{Store: "vault", Owner: "archive@quillmere.example", Files: 1, Own: true},
				{Store: "vault", Owner: "e.tansy@mail.example", Files: 1},
			}
			if d := cmp.Diff(want, got); d != "" {
				w.Error(d)
			}
			return err
		})
	})
}
