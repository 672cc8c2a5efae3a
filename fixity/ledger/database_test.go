package ledger_test

import (
	"context"
	"database/sql"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

const day = 24 * time.Hour

var begun = time.Date(2031, 3, 4, 5, 6, 7, 8, time.UTC)

// rules: new files appear in the studio; the mirror is kept in step with it.
var rules = care.Rules{
	Stores: []care.Store{
		{Name: "studio", Kind: "disk", Sets: []string{"masters", "access"}, Arrivals: true, ReadWithin: 30 * day, ExpectWithin: 3 * day},
		{Name: "vault", Kind: "disk", Sets: []string{"masters", "access"}, ReadWithin: 30 * day, ExpectWithin: 3 * day},
		{Name: "attic", Kind: "disk", Sets: []string{"masters", "access"}, ReadWithin: 30 * day, ExpectWithin: 3 * day},
		{Name: shelf, Kind: "optical"},
	},
	Sets: []care.Set{{Name: "masters", Role: fixity.Master}, {Name: "access", Role: fixity.Access, Editing: 3 * day}},
}

// database is where a test keeps its ledger: a file, or a schema of its own.
type database struct {
	name  string
	path  string
	url   string
	state string
	t     *testing.T
}

// onEach runs a test on every database that is available, with a fresh ledger's
// place for each.
func onEach(t *testing.T, test func(t *testing.T, d database)) {
	t.Helper()
	ledgertest.OnEach(t, func(t *testing.T, p ledgertest.Place) { test(t, onPlace(t, p)) })
}

func onSQLite(t *testing.T) database { return onPlace(t, ledgertest.Ready(t, t.TempDir())) }

func onPostgres(t *testing.T) database {
	return onPlace(t, ledgertest.Database(t, t.TempDir()))
}

// onNothing is onEach where not even a table is there yet.
func onNothing(t *testing.T, test func(t *testing.T, d database)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { t.Parallel(); test(t, onNewFile(t)) })
	t.Run("postgres", func(t *testing.T) {
		t.Parallel()
		test(t, onPlace(t, ledgertest.Nothing(t, t.TempDir())))
	})
}

// onNewFile is a place for a file that isn't there yet.
func onNewFile(t *testing.T) database { return onPlace(t, ledgertest.File(t.TempDir())) }

func onPlace(t *testing.T, p ledgertest.Place) database {
	name := "sqlite"
	if p.URL != "" {
		name = "postgres"
	}
	return database{name: name, path: p.Path, url: p.URL, state: p.State, t: t}
}

func (d database) options() ledger.Options {
	return ledger.Options{Path: d.path, URL: d.url, State: d.state, Rules: rules, Now: begun, By: "Ada Wren"}
}

// open opens the ledger, closed again at the test's end.
func (d database) open(change ...func(*ledger.Options)) *ledger.Ledger {
	d.t.Helper()
	o := d.options()
	for _, c := range change {
		c(&o)
	}
	l, err := ledger.Open(d.t.Context(), o)
	if err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() { l.Close() })
	return l
}

// raw is a connection past the ledger, as a wrong hand would use it.
func (d database) raw() *sql.DB {
	d.t.Helper()
	driver, dsn := "pgx", d.url
	if d.url == "" {
		driver, dsn = "sqlite", "file:"+d.path+"?_pragma=busy_timeout(5000)"
	}
	db, err := sql.Open(driver, dsn)
	if err != nil {
		d.t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	d.t.Cleanup(func() { db.Close() })
	return db
}

func tx(t *testing.T, l *ledger.Ledger, now time.Time, fn func(*ledger.Tx) error) {
	t.Helper()
	if err := l.Tx(context.WithoutCancel(t.Context()), now, fn); err != nil {
		t.Fatal(err)
	}
}

func view(t *testing.T, l *ledger.Ledger, fn func(*ledger.Tx) error) {
	t.Helper()
	if err := l.View(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

// sound says that the record and the tallies hold.
func sound(t *testing.T, l *ledger.Ledger) ledger.Verified {
	t.Helper()
	v, err := l.Verify(t.Context())
	if err != nil {
		t.Fatalf("verify: %v", err)
	}
	if err := l.CheckCounts(t.Context()); err != nil {
		t.Error(err)
	}
	return v
}

// bytesOf stands for the bytes of a file: what a name gives is always the same.
func bytesOf(name string) ledger.Version {
	sum := func(a fixity.Algorithm) fixity.Digest {
		b := make([]byte, a.Size())
		for i := range b {
			b[i] = byte(i) + byte(a.Size())
		}
		copy(b, name)
		return fixity.DigestOf(a, b)
	}
	size := int64(0)
	if name != "" {
		size = 100_000 + int64(len(name))
	}
	return ledger.Version{Size: size, BLAKE3: sum(fixity.BLAKE3), SHA256: sum(fixity.SHA256), MD5: sum(fixity.MD5),
		Blocks: []uint32{uint32(len(name)), 7}, By: "Ada Wren", Reason: "taken in"}
}

func sums(v ledger.Version) []fixity.Digest { return []fixity.Digest{v.BLAKE3, v.SHA256, v.MD5} }

func quoteAll(names []string) string { return `"` + strings.Join(names, `", "`) + `"` }
