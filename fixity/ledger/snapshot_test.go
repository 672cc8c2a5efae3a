package ledger_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"firmus/fixity/ledger"
)

// A snapshot is taken while somebody writes, who doesn't wait for it, nor it for them.
func TestASnapshotHoldsUpNobodyWhoWrites(t *testing.T) {
	w := newWorld(t, onSQLite(t))
	w.take(masters, side, "one", true, "studio", "vault")
	file := filepath.Join(t.TempDir(), "snapshot.db")
	w.tx(func(x *ledger.Tx) error {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if ok, err := w.l.Snapshot(ctx, file); err != nil || !ok {
			t.Fatalf("beside a transaction that writes: %t, %v", ok, err)
		}
		_, err := x.Files.At(masters, side)
		return err
	})
	if st, err := os.Stat(file); err != nil || st.Size() == 0 {
		t.Errorf("the snapshot: %v, %v", st, err)
	}
}
