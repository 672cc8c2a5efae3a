package audit_test

import (
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// postgresURL names a PostgreSQL database in which tests may make schemas.
const postgresURL = "FIRMUS_TEST_POSTGRES"

// onEach runs a test with its ledger in each database that there is. Which one is
// part of the test's name: that is where placeOf finds it.
func onEach(t *testing.T, test func(t *testing.T)) {
	t.Helper()
	t.Run("sqlite", test)
	t.Run("postgres", func(t *testing.T) {
		if os.Getenv(postgresURL) == "" {
			t.Skip(postgresURL + " names no database: .ci/run has a step of its own that does")
		}
		test(t)
	})
}

// place is where a ledger is kept.
type place struct{ Path, URL, State string }

// placeOf is a file in a folder, or a schema of the test's own.
func placeOf(t testing.TB, base string) place {
	t.Helper()
	p := place{Path: filepath.Join(base, "ledger.db"), State: base}
	if !strings.Contains(t.Name()+"/", "/postgres/") {
		return p
	}
	var b [8]byte
	rand.Read(b[:])
	schema := "t" + hex.EncodeToString(b[:])
	admin, err := sql.Open("pgx", os.Getenv(postgresURL))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := admin.Exec(`CREATE SCHEMA ` + schema); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if _, err := admin.Exec(`DROP SCHEMA ` + schema + ` CASCADE`); err != nil {
			t.Error(err)
		}
		admin.Close()
	})
	u, err := url.Parse(os.Getenv(postgresURL))
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	q.Set("search_path", schema)
	u.RawQuery = q.Encode()
	p.Path, p.URL = "", u.String()
	return p
}

func (p place) options(rules policy.Rules) ledger.Options {
	return ledger.Options{Path: p.Path, URL: p.URL, State: p.State, Rules: rules, Now: begun, By: "a test"}
}

func (p place) open(t testing.TB, rules policy.Rules) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(t.Context(), p.options(rules))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}
