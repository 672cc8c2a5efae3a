package ledger_test

import (
	"context"
	"errors"
	"testing"

	"firmus/fixity/ledger"
)

// TestSoonIsForOnce: what may be taken back by a power cut is that transaction
// alone; the next one lasts, whatever became of the first.
func TestSoonIsForOnce(t *testing.T) {
	failed := errors.New("failed")
	for name, fn := range map[string]func(stop func()) error{
		"it is committed": func(func()) error { return nil },
		"it fails":        func(func()) error { return failed },
		"it is stopped":   func(stop func()) error { stop(); return nil },
	} {
		t.Run(name, func(t *testing.T) {
			l := onSQLite(t).open()
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			inside := 0
			err := l.Soon(ctx, func(tx *ledger.Tx) error { inside++; return fn(stop) })
			if want := name == "it is committed"; (err == nil) != want || inside != 1 {
				t.Errorf("got %v", err)
			}
			if n, err := l.Waits(t.Context()); n != 2 || err != nil {
				t.Errorf("then a commit waits %d, %v", n, err)
			}
		})
	}
}
