package ledger_test

import (
	"fmt"
	"slices"
	"testing"

	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// What to save first from a failing drive: what the fewest others hold, masters first,
// and a store that follows the drive is no other one.
func TestFewest(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d, func(o *ledger.Options) {
			o.Rules.Stores = slices.Clone(o.Rules.Stores)
			o.Rules.Stores = append(o.Rules.Stores, care.Store{Name: "mirror", Kind: "disk", Follows: "studio", Sets: []string{"masters", "access"}})
		})
		w.take("masters", "QV-0107/a.wav", "one", true, "studio", "vault", "mirror")
		w.take("masters", "QV-0108/a.wav", "two", true, "studio", "mirror")
		w.take("access", "QV-0106/a.wav", "three", true, "studio")
		w.take("masters", "QV-0109/a.wav", "four", true, "vault")
		for _, tc := range []struct {
			store string
			n     int
			only  int64
			want  []string
		}{
			{"studio", 10, 2, []string{"masters/QV-0108/a.wav 0 []", "access/QV-0106/a.wav 0 []", "masters/QV-0107/a.wav 1 [vault]"}},
			{"studio", 1, 2, []string{"masters/QV-0108/a.wav 0 []"}},
			{"vault", 10, 1, []string{"masters/QV-0109/a.wav 0 []", "masters/QV-0107/a.wav 1 [mirror studio]"}},
		} {
			w.view(func(x *ledger.Tx) error {
				fs, only, err := x.Copies.SaveFirst(tc.store, tc.n)
				var got []string
				for _, f := range fs {
					slices.Sort(f.In)
					got = append(got, fmt.Sprintf("%s/%s %d %v", f.File.Set, f.File.Path, f.Others, f.In))
				}
				if only != tc.only || !slices.Equal(got, tc.want) {
					t.Errorf("%s, %d: %d only there; %q, want %d; %q", tc.store, tc.n, only, got, tc.only, tc.want)
				}
				return err
			})
		}
	})
}
