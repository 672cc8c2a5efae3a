package ledger_test

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// queries finds the texts of SQL in a file of this package.
var queries = regexp.MustCompile("(?s)`(\\s*(?:SELECT|UPDATE|DELETE)\\b.*?)`(\\+?)")

// The tables that grow with the holdings or with time. Walking through one for each
// page, file or reading would make a night's work quadratic.
var large = []string{"instance", "file", "version", "block", "stray", "difference", "event", "reading", "log_hash", "finding"}

// walks are the queries that may walk through a whole large table, as they count or
// give all of it, and how often each is asked.
var walks = map[string]string{
	"SELECT store, set_name, state, count(*), CAST(sum": "CheckCounts counts all",
	"SELECT store, set_name, CASE WHEN reported_ok = 0": "likewise",
	"SELECT id, set_name, path, item, version FROM fil": "a part of a query, of which CheckCounts alone counts all",
	"SELECT (SELECT count(*) FROM event), (SELECT coun": "once, when a ledger is begun",
	"SELECT count(*) FROM log_hash":                     "Verify reads all",
	"SELECT count(*) FROM reading WHERE event >= $1 OR": "Verify reads all",
	"SELECT coalesce(max(seq), 0) FROM event WHERE ver": "Verify reads all",
	"SELECT count(*) FROM stated WHERE event >= $1 OR ": "Verify reads all",
	"SELECT urgency, count(*) FROM finding WHERE settl": "once a report, of the open ones",
	"SELECT coalesce(max(seq), -1) FROM event WHERE ve": "once a backup",
	"SELECT CAST(coalesce(sum(length(leaf) + 1), 0) AS": "once a backup",
	"SELECT max(at) FROM event":                         "once a command",
	"SELECT f.id, f.set_name, f.path, f.taken_at, COAL": "once a reading of the register",
	"SELECT item, count(*) FROM file WHERE taken_at >=": "once a letter",
	"SELECT i.store, i.state, count(*) FROM instance i": "once a letter",
	"SELECT store, count(*), count(*) FILTER (WHERE re": "once a letter",
	"SELECT s.owner, count(*), max(CASE WHEN f.owner =": "once a report",
	"SELECT i.at, v.size, f.id FROM instance i JOIN fi": "once for a store without a marker",
	"SELECT f.id, f.set_name, f.item, f.taken_at, f.re": "once a statement of a year",
	"SELECT store, file, read_at FROM instance WHERE c": "once a statement of a year",
	"SELECT opened_at, settled_at, settled FROM findin": "once a statement of a year",
	"SELECT audit, event, lines FROM reading WHERE aud": "once a statement of a year",
	"SELECT DISTINCT item FROM file WHERE retired_at =": "once for a name that was mistyped",
	"SELECT item, taken_at FROM file WHERE retired_at ": "of 2,000 files at most",
	"SELECT count(*) FROM file":                         "once a rebuilding",
	"SELECT id, lines FROM reading WHERE id > $1 AND ":  "once, for a ledger from before readings had ranges",
	"SELECT count(*) FROM instance WHERE ($1 = '' OR s": "once a statement or audit",
	"UPDATE finding SET store = $2 WHERE store = $1 AN": "once, when the shelf gets a name",
	"SELECT count(*) FROM (SELECT 1 FROM file LIMIT 1)": "its first row only",
	"SELECT DISTINCT f.id FROM file f JOIN note x ON x": "once, for a ledger from before findings about transfers",
}

func TestNoQueryWalksThroughALargeTable(t *testing.T) {
	d := onSQLite(t)
	w := newWorld(t, d)
	w.tx(func(x *ledger.Tx) error {
		for i := range 300 {
			if _, err := w.takeIn(x, masters, fmt.Sprintf("QV-%04d/%d.wav", i/100, i), fmt.Sprint(i), true, "studio", "vault"); err != nil {
				return err
			}
		}
		return nil
	})
	db := d.raw()
	seen := 0
	for _, f := range goFiles(t) {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range queries.FindAllStringSubmatch(string(text), -1) {
			if m[2] != "" {
				continue // a part of a query: see TestPagesAreSoughtByKey for those of slices
			}
			q := strings.TrimSpace(m[1])
			rows, err := db.Query(`EXPLAIN QUERY PLAN `+q, make([]any, strings.Count(q, "$"))...)
			if err != nil {
				continue // a part of a query, or for the other database
			}
			seen++
			for rows.Next() {
				var id, parent, unused int
				var step string
				if err := rows.Scan(&id, &parent, &unused, &step); err != nil {
					t.Fatal(err)
				}
				if strings.HasPrefix(step, "CORRELATED LIST SUBQUERY") {
					t.Errorf("%s: a list is made anew for each row\n%s", f, q)
				}
				table, isWalk := strings.CutPrefix(step, "SCAN ")
				table, _, _ = strings.Cut(table, " ")
				// The order of a page is the key's, and what is joined is sought by its own.
				if _, ok := walks[q[:min(49, len(q))]]; ok || strings.HasSuffix(step, "INDEX finding_unsettled") || strings.HasSuffix(step, "INDEX file_retired") ||
					strings.HasSuffix(step, "USING INDEX instance_settled") || strings.HasSuffix(step, "USING INDEX instance_state") {
					continue // of the few that are open, settled, retired or not intact only
				}
				half := strings.HasSuffix(step, "(store=? AND set_name=? AND carrier=?)") && strings.Contains(q, " JOIN ")
				if half || step == "USE TEMP B-TREE FOR ORDER BY" && strings.Contains(q, "LIMIT") && strings.Contains(q, " at > ") {
					t.Errorf("%s: %s\n%s", f, step, q)
				}
				if !isWalk || !slices.Contains(large, aliased(q, table)) {
					continue
				}
				t.Errorf("%s: %s\n%s", f, step, q)
			}
			rows.Close()
		}
	}
	if seen < 60 {
		t.Errorf("only %d queries were found", seen)
	}
}

// aliased is the table that goes by an alias in a query.
func aliased(q, alias string) string {
	m := regexp.MustCompile(`\b(?:FROM|JOIN|,)\s+(\w+)\s+` + regexp.QuoteMeta(alias) + `\b`).FindStringSubmatch(q)
	if m == nil || m[1] == "WHERE" {
		return alias
	}
	return m[1]
}

// plan is how SQLite goes about a query that is put together in parts.
func plan(t *testing.T, d database, q string, places int) string {
	t.Helper()
	db := d.raw()
	rows, err := db.Query(`EXPLAIN QUERY PLAN `+q, make([]any, places)...)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var id, parent, unused int
		var step string
		if err := rows.Scan(&id, &parent, &unused, &step); err != nil {
			t.Fatal(err)
		}
		out = append(out, step)
	}
	return strings.Join(out, "\n")
}

// The queries of a slice, asked once a page: in the order of the key, from where the
// last page ended, without sorting.
func TestPagesAreSoughtByKey(t *testing.T) {
	d := onSQLite(t)
	d.open()
	const byKey = "(store=? AND set_name=? AND carrier=? AND top=? AND at"
	for name, x := range map[string]struct{ q, want string }{
		"due copies": {`SELECT i.at, i.file, i.size, i.mtime, i.wrong FROM instance i
			WHERE i.store = 'a' AND i.set_name = 'b' AND i.carrier = 0 AND i.top = x'00' AND i.at >= x'00' AND (i.at > x'00' AND i.at < x'ff' OR i.at = x'01')
				AND i.read_audit <> 7 AND (i.due_at <= 5 OR i.due_at > 8 AND i.due_at < 11)
				AND NOT EXISTS (SELECT 1 FROM difference d WHERE d.audit = 7 AND d.set_name = i.set_name AND d.top = i.top AND d.at = i.at)
			ORDER BY i.at LIMIT 9`, byKey + ">?"},
		"due first": {`SELECT i.at, i.file, i.size, i.mtime, i.wrong FROM read_first p CROSS JOIN instance i WHERE p.audit = 7 AND p.set_name = 'b' AND p.top = x'00' AND p.at >= x'00' AND i.at = p.at
			AND i.store = 'a' AND i.set_name = 'b' AND i.carrier = 0 AND i.top = x'00' AND i.at >= x'00' AND (i.at > x'00' AND i.at < x'ff' OR i.at = x'01')
				AND i.read_audit <> 7 AND (i.due_at <= 5 OR i.due_at > 8 AND i.due_at < 11)
				AND NOT EXISTS (SELECT 1 FROM difference d WHERE d.audit = 7 AND d.set_name = i.set_name AND d.top = i.top AND d.at = i.at)
			ORDER BY p.at LIMIT 9`, byKey + "=?"},
	} {
		p := plan(t, d, x.q, 0)
		if !strings.Contains(p, x.want) || strings.Contains(p, "TEMP B-TREE") || strings.Contains(p, "SCAN instance") {
			t.Errorf("%s:\n%s", name, p)
		}
	}
}

// What asks for many rows at once seeks each of them by its key.
func TestListsAreSoughtByKey(t *testing.T) {
	d := onSQLite(t)
	d.open()
	for q, want := range map[string]string{
		`SELECT file, n FROM version WHERE substr(blake3, 1, 8) = $2 AND blake3 = $1 ORDER BY file, n DESC`:                            "version_blake3 (<expr>=?)",
		`SELECT 1 FROM instance WHERE store = $1 AND carrier = 0 AND due_at < 0 AND size >= 0`:                                         "instance_ahead (store=? AND due_at<?)",
		`UPDATE stray SET peace = 1 WHERE file = $1 AND file <> 0`:                                                                     "stray_file (file=?)",
		`SELECT at FROM instance WHERE store = $1 AND set_name = $2 AND carrier = $3 AND top = $4 AND at IN ($5, $6)`:                  "(store=? AND set_name=? AND carrier=? AND top=? AND at=?)",
		`SELECT at FROM stray WHERE store = $1 AND set_name = $2 AND top = $3 AND at IN ($4, $5)`:                                      "(store=? AND set_name=? AND top=? AND at=?)",
		`DELETE FROM stray WHERE file = 0 AND peace = 0 AND store = $1 AND set_name = $2 AND top = $3 AND at IN ($4, $5) RETURNING at`: "(store=? AND set_name=? AND top=? AND at=?)",
		`SELECT id FROM reading WHERE low <= $2 AND high >= $1 AND event >= 0`:                                                         "COVERING INDEX reading_files (low<?)",
		`SELECT seq FROM event WHERE seq >= $1 AND at >= $2 AND verb IN ($3) ORDER BY seq LIMIT 9`:                                     "event_verb (verb=? AND seq>?)",
		`SELECT max(at) FROM event`:                                  "COVERING INDEX event_at",
		`SELECT id FROM file WHERE id IN ($1, $2)`:                   "INTEGER PRIMARY KEY (rowid=?)",
		`SELECT size FROM version WHERE n = $1 AND file IN ($2, $3)`: "(file=? AND n=?)",
		`SELECT file FROM instance WHERE store = $1 AND set_name = $2 AND carrier = $3 AND top = $4 AND at IN ($5, $6)`: "(store=? AND set_name=? AND carrier=? AND top=? AND at=?)",
	} {
		if p := plan(t, d, q, strings.Count(q, "$")); !strings.HasPrefix(p, "SEARCH") || !strings.Contains(p, want) {
			t.Errorf("%s:\n%s", q, p)
		}
	}
}

// Files with the same bytes are sought by their digests: a ledger may have a million.
func TestSameBytesAreSoughtByDigest(t *testing.T) {
	d := onSQLite(t)
	d.open()
	for _, q := range []string{ledger.SameBytes, ledger.HaveFindings + ` AND substr(v.blake3, 1, 8) IN ($1, $2)`} {
		p := plan(t, d, q, strings.Count(q, "$"))
		if !strings.Contains(p, "version_blake3 (<expr>=?)") || strings.Contains(p, "SCAN") {
			t.Errorf("%s:\n%s", q, p)
		}
	}
}

// One audit of many files, as far as the ledger is concerned.
func BenchmarkAudit(b *testing.B) {
	for _, n := range []int{1_000, 10_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			l, done := manyFiles(b, n, "QV-%04d/%05d.wav")
			defer done()
			for b.Loop() {
				auditMany(b, l, n)
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "files/s")
		})
	}
}

func manyFiles(b *testing.B, n int, named string, change ...func(*ledger.Options)) (*ledger.Ledger, func()) {
	b.Helper()
	dir := b.TempDir()
	o := ledger.Options{Path: dir + "/ledger.db", State: dir, Rules: rules, Now: begun, By: "Ada Wren"}
	for _, c := range change {
		c(&o)
	}
	l, err := ledger.Open(b.Context(), o)
	if err != nil {
		b.Fatal(err)
	}
	if err := l.Tx(b.Context(), begun, func(x *ledger.Tx) error {
		return x.Stores.Put(ledger.Store{Name: "vault", Kind: "disk", Roots: []ledger.Root{{Set: masters, Root: "/vault"}}})
	}); err != nil {
		b.Fatal(err)
	}
	for from := 0; from < n; from += 500 {
		if err := l.Tx(b.Context(), begun, func(x *ledger.Tx) error {
			for i := from; i < min(from+500, n); i++ {
				p := fmt.Sprintf(named, i/1000, i)
				f, err := x.Files.Add(masters, p, "Ada Wren", begun, true, bytesOf(p))
				if err != nil {
					return err
				}
				if err := x.Copies.Put(ledger.Copy{}, ledger.Copy{Store: "vault", Set: masters, At: p, File: f.ID, Held: 1, State: fixity.Intact, Size: bytesOf(p).Size}); err != nil {
					return err
				}
			}
			return nil
		}); err != nil {
			b.Fatal(err)
		}
	}
	return l, func() { l.Close() }
}

func auditMany(b *testing.B, l *ledger.Ledger, n int) {
	b.Helper()
	r := l.Record(func() time.Time { return begun }, "Ada Wren")
	var a ledger.Audit
	if err := l.Tx(b.Context(), begun, func(x *ledger.Tx) (err error) {
		if a, _, err = x.Audits.Begin(ledger.Audit{Store: "vault", Kind: ledger.Plain, Sets: []string{masters}, Full: true, Cache: fixity.Bypassed, By: "Ada Wren"}); err == nil {
			_, err = x.Audits.AddShards(a, masters, nil)
		}
		return err
	}); err != nil {
		b.Fatal(err)
	}
	read := 0
	for _, p := range []fixity.Phase{fixity.PhaseList, fixity.PhaseProve, fixity.PhaseRead} {
		jobs, err := r.Open(b.Context(), a.ID, p)
		if err != nil {
			b.Fatal(err)
		}
		for _, j := range jobs {
			s, err := r.Claim(b.Context(), j)
			if err != nil {
				b.Fatal(err)
			}
			if p == fixity.PhaseList {
				if err := r.CommitListing(b.Context(), fixity.Listed{Shard: s, Done: true}); err != nil {
					b.Fatal(err)
				}
				continue
			}
			due, err := r.Due(b.Context(), s, n)
			if err != nil {
				b.Fatal(err)
			}
			var results []fixity.Result
			for _, x := range due {
				results = append(results, fixity.Result{Path: x.Path, File: x.File, At: begun, Size: x.Size, ModTime: x.ModTime, Outcome: fixity.ReadIntact, Version: 1, Cache: fixity.Bypassed})
			}
			read += len(results)
			if err := r.CommitReadings(b.Context(), fixity.Readings{Shard: s, Results: results, End: true, Done: true}); err != nil {
				b.Fatal(err)
			}
		}
		if err := r.Advance(b.Context(), a.ID, p); err != nil {
			b.Fatal(err)
		}
	}
	if read != n {
		b.Fatalf("read %d of %d", read, n)
	}
}
