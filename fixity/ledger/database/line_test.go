package database_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"firmus/fixity/ledger/database"
	"firmus/fixity/testing/ledgertest"
)

// TestLine waits for a statement that takes longer than the patience, and not for an answer that
// was lost on its way, nor for a server that says nothing any more.
func TestLine(t *testing.T) {
	t.Parallel()
	place, way := ledgertest.Database(t, t.TempDir()).Through(t)
	d, err := database.Open(database.Options{URL: place.URL})
	if err != nil {
		t.Fatal(err)
	}
	ask := func(q string) (took time.Duration, err error) {
		began, n := time.Now(), ""
		err = d.Ask(context.Background(), q, nil, &n)
		return time.Since(began), err
	}
	if took, err := ask(`SELECT pg_sleep(12)::text`); err != nil || took < 12*time.Second {
		t.Errorf("a long statement ended after %s: %v", took, err)
	}
	way.Lose()
	if took, err := ask(`SELECT 'a'`); err != nil || took > 20*time.Second { // asked again at another one
		t.Errorf("a connection that was lost: after %s %v", took, err)
	}
	way.Stop()
	took, err := ask(`SELECT 'b'`)
	if err == nil || !strings.Contains(d.Translate(err).Error(), "doesn't answer") || took > 30*time.Second { // asked again, too
		t.Errorf("a silent server: after %s %v", took, err)
	}
	began := time.Now()
	if d.Close(); time.Since(began) > 2*time.Second {
		t.Errorf("its end took %s", time.Since(began))
	}
}
