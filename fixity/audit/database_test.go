package audit_test

import (
	"os"
	"strings"
	"testing"

	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

// onEach runs a test with its ledger in each database that there is. Which one is
// part of the test's name: that is where placeOf finds it.
func onEach(t *testing.T, test func(t *testing.T)) {
	t.Helper()
	t.Run("sqlite", test)
	t.Run("postgres", func(t *testing.T) {
		if os.Getenv(ledgertest.Postgres) == "" {
			t.Skip(ledgertest.Postgres + " names no database: .ci/run has a step of its own that does")
		}
		test(t)
	})
}

// place is where a ledger is kept.
type place struct{ ledgertest.Place }

// placeOf is a file in a folder, or a database of the test's own.
func placeOf(t testing.TB, base string) place {
	t.Helper()
	if strings.Contains(t.Name()+"/", "/postgres/") {
		return place{ledgertest.Database(t, base)}
	}
	return place{ledgertest.Ready(t, base)}
}

func (p place) options(rules care.Rules) ledger.Options {
	o := p.Options()
	o.Rules, o.Now, o.By = rules, begun, "a test"
	return o
}

func (p place) open(t testing.TB, rules care.Rules) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(t.Context(), p.options(rules))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}
