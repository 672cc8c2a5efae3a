//go:build unix

package main

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity/ledger"
)

// A state is all that an archive has come to, in lines that two runs have in common if they
// came to the same: the ledger's rows, its record, the stores, the letters, the backups, and
// every other file. Times are only told apart from none, and numbers of rows are replaced by
// what the row is about.
type state []string

// without are the tables that a state leaves out, and why.
var without = map[string]string{
	"log_hash": "ledger verify holds the record together", "log_head": "likewise", "stated": "likewise", "event": "by its own columns, below",
	"counter": "numbers jump", "pace": "how fast it was read", "host": "which daemons ran", "age": "by minutes; ledger verify counts again",
	"audit": "below, by what they came to", "shard": "the paperwork of an audit: one that was killed leaves another", "reading": "likewise; ledger verify holds them",
	"difference": "likewise", "read_first": "likewise", "portion": "likewise", "remark": "likewise", "audit_host": "likewise",
	"day": "how much was read: what was broken off is read again", "disc_draw": "drawn by chance", "goose_db_version": "not Firmus's", "service_day": "how much was read",
	"letter": "below", "letter_to": "the daemon's row holds it against what came",
	"firing": "visits below; the schedule's others come as they come",
}

// dropped are columns that a state leaves out of a table: numbers that jump, what is drawn by
// chance, how often something was tried.
var dropped = map[string]string{
	"account": "secret", "backup": "events bytes", "disc": "id", "disc_check": "id event control drive", "disc_decision": "id", "file": "id", "finding": "id audit incident",
	"incident": "id audit", "instance": "read_audit inode_at", "letter_cursor": "seq fills", "level_statement": "id",
	"manifest_owed": "marks", "proposal": "id what", "received": "id", "received_file": "received", "register_row": "id", "web_link": "token", "web_session": "token", "told": "readings",
	"manifest": "intended", "register_problem": "key",
}

// again are tables to which a command that is said again may add what it has added already: a
// statement stands for an earlier one, a disc is checked once more.
var again = map[string]bool{"level_statement": true, "disc_check": true, "received": true, "received_file": true, "web_link": true}

// runs are events of runs: what was broken off is begun again, or done once more. What
// audits did is left out: their readings are held by ledger verify, and what they came to shows.
var runs = map[string]bool{"taken-in": true, "store-adopted": true, "account-changed": true, "store-replaced": true, "audit-concluded": true, "recovery-ordered": true, "drilled": true, "received": true, "level-stated": true, "disc-checked": true, "handed-over": true,
	"manifest-written": true, "may-be-erased": true, "received-held": true}

// byChance are columns that are drawn once for an archive.
var byChance = map[string]bool{"holdings.id": true, "store.holdings": true, "store.identity": true, "record_key.public": true, "log_head.origin": true}

var (
	isTime   = regexp.MustCompile(`(^|_)(at|mtime|since|begun|minute|clock|doubted_at|wrong_way|due|event|until)$`)
	digits   = regexp.MustCompile(`[0-9][0-9.:TZ]*`)
	hexes    = regexp.MustCompile(`\b([0-9a-f-]{16,}|[A-Z2-7]{26})\b`)
	facts    = regexp.MustCompile(`"[0-9-]{10}T[0-9:.]+Z"`)
	notPlain = regexp.MustCompile(`(^|/)(ledger\.db|ledger-moved[^/]*\.db|checkpoint\.txt|tagmanifest-\w+\.txt|premis\.xml|.*\.jsonl|\.firmus-store\.[^/]*)$|(^|/)state/[^/]*key[^/]*$|^state/(locks|written)/|\.firmus-ledger/.*\.jsonl$`)
)

// stateOf is the state of the archive in a folder. What doesn't hold together is an error of
// the test: a finding of leftovers comes of the comparison.
func stateOf(t *testing.T, dir string) state {
	t.Helper()
	var s state
	for p, sum := range treeOf(t, dir) {
		s = append(s, "file "+p+" "+sum)
	}
	db := filepath.Join(dir, "state", "ledger.db")
	if _, err := os.Stat(db); err == nil {
		s = append(s, rowsOf(t, db)...)
		held(t, dir)
	}
	slices.Sort(s)
	return slices.Compact(s)
}

// timeless leaves times, numbers and what is drawn by chance out of a text.
func timeless(s string) string {
	return digits.ReplaceAllString(hexes.ReplaceAllString(s, "~"), "#")
}

// treeOf is what lies below a folder, by path, with the digest of its bytes where a run
// always makes the same. Times in names and texts are left out.
func treeOf(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	if err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil || rel == "." {
			return err
		}
		rel = filepath.ToSlash(rel)
		ours := strings.Contains(rel, ".firmus-ledger/") || strings.HasPrefix(rel, "state/")
		switch {
		case strings.HasPrefix(rel, "state/ledger.db-"): // goes when the last connection does
			return nil
		case strings.HasPrefix(rel, "state/gathered/"): // what a disc gave is kept for a week
			return nil
		case d.IsDir():
			if ours {
				rel = timeless(rel)
			}
			out[rel+"/"] = ""
			return nil
		case d.Type()&fs.ModeSymlink != 0:
			to, err := os.Readlink(p)
			out[rel] = "-> " + to
			return err
		}
		b, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		sum := ""
		if !notPlain.MatchString(rel) {
			switch filepath.Ext(rel) {
			case ".html", ".xml", ".csv", ".json", ".log", ".toml", ".3", ".1":
				b = []byte(timeless(string(b)))
			case ".txt":
				if !strings.HasPrefix(filepath.Base(rel), "manifest-") {
					b = digits.ReplaceAll(b, []byte("#"))
				}
			}
			if filepath.Base(rel) == "manifest-sha512.txt" && strings.Contains(string(b), "metadata/") {
				b = hexes.ReplaceAll(b, []byte("~"))
			}
			sum = fmt.Sprintf("%d %x", len(b), sha256.Sum256(b))
		}
		if ours {
			rel = timeless(rel)
		}
		out[rel] = sum
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

// rowsOf are the ledger's rows.
func rowsOf(t *testing.T, db string) state {
	t.Helper()
	c, err := sql.Open("sqlite", "file:"+db)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	each := func(query string, do func(cols []string, row []any)) {
		t.Helper()
		rows, err := c.Query(query)
		if err != nil {
			t.Fatalf("%s: %v", query, err)
		}
		defer rows.Close()
		cols, err := rows.Columns()
		if err != nil {
			t.Fatal(err)
		}
		for rows.Next() {
			row, to := make([]any, len(cols)), make([]any, len(cols))
			for i := range row {
				to[i] = &row[i]
			}
			if err := rows.Scan(to...); err != nil {
				t.Fatal(err)
			}
			do(cols, row)
		}
		if err := rows.Err(); err != nil {
			t.Fatal(err)
		}
	}
	about := map[string]map[string]string{} // what the row of a number is about, by the column that names it
	name := func(column, query string) {
		about[column] = map[string]string{"0": "-"}
		each(query, func(_ []string, row []any) { about[column][fmt.Sprint(row[0])] = fmt.Sprintf("%s", row[1]) })
	}
	name("file", `SELECT id, CAST(set_name AS BLOB) || '/' || path FROM file`)
	name("disc", `SELECT id, number || ' ' || twin || ' ' || part FROM disc`)
	name("letter", `SELECT id, kind || ' ' || subject FROM letter`)
	about["carrier"] = about["disc"]
	name("finding", `SELECT id, CAST(store || ' ' || kind || ' ' || subject || ' ' || set_name || '/' AS BLOB) || path FROM finding`)
	value := func(table, column string, v any) string {
		text := fmt.Sprintf("%v", v)
		if b, ok := v.([]byte); ok {
			if text = string(b); column == "path" || column == "at" || column == "name" || column == "folder" || column == "top" || column == "item" {
				return text
			}
			return fmt.Sprintf("%x", sha256.Sum256(b))[:12]
		}
		n, number := v.(int64)
		switch {
		case byChance[table+"."+column] && text != "":
			return "?"
		case number && isTime.MatchString(column) && n != 0:
			return map[bool]string{true: "set", false: "before"}[n > 0]
		case about[column] != nil && number:
			if s, ok := about[column][text]; ok {
				return s
			}
			return text + " of nothing"
		case column == "facts":
			return facts.ReplaceAllString(text, `"?"`)
		case column == "thread":
			return digits.ReplaceAllString(text, "#")
		}
		return text
	}
	var s state
	counts := map[string]int{}
	line := func(table string, cols []string, row []any) {
		var b strings.Builder
		b.WriteString(table)
		for i, col := range cols {
			if !slices.Contains(strings.Fields(dropped[table]), col) {
				fmt.Fprintf(&b, " %s=%s", col, value(table, col, row[i]))
			}
		}
		if counts[b.String()]++; again[table] || table == "event" && runs[fmt.Sprint(row[0])] || table == "audit" || table == "firing" {
			counts[b.String()] = 1
		}
	}
	var tables []string
	each(`SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'`, func(_ []string, row []any) { tables = append(tables, fmt.Sprint(row[0])) })
	for _, table := range tables {
		if without[table] == "" {
			each(`SELECT * FROM "`+table+`"`, func(cols []string, row []any) { line(table, cols, row) })
		}
	}
	// An audit that was cut off is nobody's business; one that is open would be. Intakes and
	// follow-ups are as they come.
	each(`SELECT store, kind, sets, scope, full_read, phase, complete FROM audit WHERE kind = 'audit' AND phase <> 'cut-off'`, func(cols []string, row []any) { line("audit", cols, row) })
	each(`SELECT job, store, by_name, outcome FROM firing WHERE job = 'visit' AND outcome <> 'stopped'`, func(cols []string, row []any) { line("firing", cols, row) })
	// What was read by the time a letter is written stands in it, and needs no second one.
	each(`SELECT kind, thread FROM letter WHERE kind <> 'more'`, func(cols []string, row []any) { line("letter", cols, row) })
	each(`SELECT verb, CASE verb WHEN 'manifest-written' THEN '' ELSE by_name END AS by_name, store, set_name, file, finding, CASE verb WHEN 'store-adopted' THEN '' ELSE reason END AS reason FROM event WHERE verb NOT IN ('audited', 'audit-concluded')`, func(cols []string, row []any) { line("event", cols, row) })
	for text, n := range counts {
		s = append(s, fmt.Sprintf("%s (%d)", text, n))
	}
	return s
}

// held holds a ledger against its own seals and counts, and its event files against it.
func held(t *testing.T, dir string) {
	t.Helper()
	c, err := config.Load(filepath.Join(dir, "firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	a, err := app.Open(t.Context(), app.Options{Config: c, MustExist: true, Shows: true})
	if err != nil {
		t.Errorf("the ledger doesn't open: %v", err)
		return
	}
	defer a.Close()
	v, err := a.Ledger.Verify(t.Context())
	if err != nil {
		t.Errorf("the record doesn't hold: %v", err)
	}
	var lines bytes.Buffer
	names, err := filepath.Glob(filepath.Join(dir, "state", "events", "*.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		lines.Write(b)
	}
	g, err := ledger.GatherEvents(&lines)
	if err != nil || g.Events != v.Events || g.Beyond != 0 || g.Torn != 0 {
		t.Errorf("the event files hold %d events, %d beyond, %d torn lines (%v); the record holds %d", g.Events, g.Beyond, g.Torn, err, v.Events)
	}
}

// unlike says what is in one state and not in another.
func (s state) unlike(want state) string {
	var b strings.Builder
	for _, l := range s {
		if _, ok := slices.BinarySearch(want, l); !ok {
			b.WriteString("  more: " + l + "\n")
		}
	}
	for _, l := range want {
		if _, ok := slices.BinarySearch(s, l); !ok {
			b.WriteString("  less: " + l + "\n")
		}
	}
	return b.String()
}
