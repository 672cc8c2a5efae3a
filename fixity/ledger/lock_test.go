package ledger_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
)

// TestADatabaseThatIsGoneIsNeverAnotherProcess: a lock that can't be asked for is not held
// by anybody.
func TestADatabaseThatIsGoneIsNeverAnotherProcess(t *testing.T) {
	t.Parallel()
	l := onPostgres(t).open()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	_, err := l.LockStore(t.Context(), "vault", "Ada Wren", 0, time.Now)
	if err == nil || errors.Is(err, fixity.ErrBusy) || strings.Contains(err.Error(), "another process") {
		t.Errorf("got %v", err)
	}
}
