package ledger_test

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// notVouched are the tables and columns that Verify doesn't hold against the record,
// each with the reason. Every other column of the schema is edited below, and Verify
// must find it: so whoever adds a column has to decide.
var notVouched = map[string]string{
	"audit": course, "shard": course, "difference": course, "portion": course, "read_first": course, "remark": course,
	"firing": course, "pace": course, "service_day": course, "service_log": course, "backup": course, "host": course, "audit_host": course, "bearing": course,

	"letter": "letters rest on findings and are kept as they were sent", "letter_to": "whether a letter was sent", "told": "what was said of a finding", "letter_cursor": "up to where letters were written",
	"tally": "counted from the copies", "extent": recounted, "item": recounted, "few": recounted, "age": recounted, "day": "counted from readings and findings",
	"counter": "the next free numbers; a number that is taken is refused by the table's key",

	"disc_draw": "which discs are to be read; the events tell of each draw",
	"proposal":  "what waits for a second person; the events tell of each, and of both names once it is done",
	"account":   "who may open the pages; the events tell of each change", "web_session": "who has them open", "web_place": "where they signed in before", "web_link": "who may open them once",

	"register_row": "held against the digest in its version when it is asked for", "register_says": "follows from the rows", "register_problem": "follows from the rows; findings tell of it", "register_reading": "when it was read last",

	"manifest": "derived from versions, and held against the files", "manifest_owed": "which of them are to be written anew",
	"stray": "as the last listing showed it; the next one shows it again", "service_item": "as the last listing showed it",

	"store.kind": configured, "store.place": configured, "store_set.root": configured,
	"store.seen_at": "when it was there last; the next audit says it again", "store_set.listed_complete_at": "as the last audit showed it",

	"mount": "as it was last seen; each process looks anew", "store_set.volume": "as it was last seen; each process looks anew", "store_set.arrived_at": "as the last audit showed it",

	"instance.size": nextAudit, "instance.mtime": nextAudit, "instance.due_at": nextAudit, "instance.read_audit": nextAudit, "instance.inode_at": nextAudit,
	"instance.read_at": evidence, "instance.read_ok": evidence, "instance.read_cache": evidence,
	"instance.reported_at": evidence, "instance.reported_ok": evidence, "instance.reported_by": nextAudit,
	"finding.seen_at": "when a reading showed it last",

	"reading.id": "the order of result lines counts, which the root shows", "stated.id": "the order of statements counts, which the root shows",
	"log_head.id": "a constraint holds it",
}

const (
	recounted  = "counted from files and copies, and counted again by Verify"
	course     = "how far work has come, for the next audit"
	configured = "from the configuration"
	nextAudit  = "decides when a copy is read next, not what is known of it"
	evidence   = "when and how a copy was read or reported last; the result lines of readings have it"
)

// rich is a ledger with a long history: every vouched table has rows, and every kind of
// act has been done.
func rich(t *testing.T, d database) *world {
	w := newWorld(t, d)
	f := w.take(masters, side, "one", true, "studio", "vault")
	cut := w.take(access, "QV-0107/cut.wav", "cut", false, "studio", "vault")
	w.take(masters, "QV-0107/\xe9t\xe9.wav", "odd", true, "studio", "vault", "attic")
	gone := w.take(masters, "QV-0108/gone.wav", "gone", true, "studio", "vault")
	old, better := w.take(masters, "QV-0109/old.wav", "old", true, "studio", "vault"), w.take(masters, "QV-0109/new.flac", "new", true, "studio")
	moved := w.take(masters, "QV-0110/moved.wav", "moved", true, "studio", "vault")
	w.tx(func(x *ledger.Tx) error {
		for i := range 25 {
			if _, err := w.takeIn(x, masters, fmt.Sprintf("QV-0200/%02d.wav", i), fmt.Sprint("many ", i), true, "studio", "vault"); err != nil {
				return err
			}
		}
		if err := x.Exec(`UPDATE version SET sound = $3, samples = $4, duration = $5 WHERE file = $1 AND n = $2`,
			f.ID, int64(1), `{"rate":96000}`, bytesOf("sound").BLAKE3.Bytes(), int64(time.Minute)); err != nil {
			return err
		}
		if err := x.Exec(`INSERT INTO note (file, n, seq, code, at, length, since, until, count) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			f.ID, int64(1), 0, "clipped", 44, 100, int64(time.Second), int64(2*time.Second), 3); err != nil {
			return err
		}
		if err := x.CountAnew(); err != nil { // what was written past the ledger
			return err
		}
		x.Event(ledger.Event{Verb: fixity.TakenIn, By: "Ada Wren", Store: "studio", Set: masters})
		_, _, err := x.Register.Keep(fixity.RegisterVersion{By: "Ada Wren", From: "register.csv", Sheet: "Reels", Columns: `{"item":"Number"}`, File: fixity.DigestOf(fixity.SHA256, make([]byte, 32)),
			Added: 1, Deleted: 2, Changed: 3, Moved: 4}, []fixity.RegisterRow{{Line: 2, Cells: `{"item":"QV-0107"}`}})
		return err
	})
	w.pass(time.Hour)
	w.put("studio", access, "QV-0107/cut.wav", "cut again") // a save
	w.rot("vault", masters, side, "onE")
	w.put("attic", masters, "notes.txt", "what is this")
	w.move("studio", masters, "QV-0110/moved.wav", "QV-0110/moved to.wav")
	w.remove("studio", masters, "QV-0108/gone.wav")
	for _, s := range []string{"vault", "studio", "attic"} {
		w.audit(s, order{full: true})
	}
	fd := w.found(f, "vault", fixity.Altered, fixity.AtRisk)
	w.tx(func(x *ledger.Tx) error {
		return x.Findings.Settle(fd, fixity.ByPerson, "Bo Ferry", "the vault is being copied anew")
	})
	for i := range 23 { // an incident
		w.remove("vault", masters, fmt.Sprintf("QV-0200/%02d.wav", i))
	}
	w.rot("studio", masters, "QV-0200/24.wav", "meant")
	w.pass(time.Hour)
	w.audit("vault", order{full: true})
	w.audit("studio", order{full: true})
	w.signOffPlace(moved, "studio")
	missing := w.finding(gone, "studio")
	w.tx(func(x *ledger.Tx) error { return x.Findings.SignOffAbsence(missing, "Bo Ferry", "a double") })
	w.tx(func(x *ledger.Tx) error {
		changed, err := x.Files.At(masters, "QV-0200/24.wav")
		if err != nil {
			return err
		}
		v := bytesOf("meant")
		_, err = x.Findings.SignOffVersion(w.finding(changed, "studio"), v, fixity.Entry{Path: changed.Path, Size: v.Size, ModTime: w.clock},
			fixity.Evidence{Strength: fixity.Read, At: w.clock, OK: true, Cache: fixity.Bypassed}, 30*day, "Bo Ferry", "a better transfer")
		if err != nil {
			return err
		}
		if err := x.Files.Replace(old, better, bytesOf("sound").BLAKE3, "Bo Ferry", "the same sound"); err != nil {
			return err
		}
		saved, err := x.Files.Get(cut.ID)
		if err != nil {
			return err
		}
		return x.Files.Finish(saved, "Bo Ferry", "done")
	})
	w.tx(func(x *ledger.Tx) error {
		id, err := x.Sources.Put(ledger.Received{Source: "/media/stick", Set: masters, Folder: "QV-0300", By: "Ada Wren",
			Files: []ledger.ReceivedFile{{Name: "001.wav", Clock: w.clock, Path: "QV-0300/001.wav", Size: 9, Digest: bytesOf("r").BLAKE3}}}, "")
		if err != nil {
			return err
		}
		return x.Sources.Erasable(ledger.Received{ID: id, Source: "/media/stick", Set: masters}, 1, "Ada Wren")
	})
	a, b := w.disc("QD-0031", "A", ledger.AudioDisc, f), w.disc("QD-0031", "B", ledger.DataDisc, f)
	w.checks(a, fixity.DiscIntact, fixity.Intact)
	w.checks(b, fixity.DiscChanged, fixity.Altered, func(c *ledger.DiscCheck, held []ledger.DiscHeld) {
		c.Gain, c.Changed, c.Map, c.Looked, c.Result = -3, true, []byte{1, 2}, "a scratch", `{"a":1}`
		held[0].Wrong = bytesOf("burned").BLAKE3
	})
	w.tx(func(x *ledger.Tx) error {
		if err := x.Discs.KeepBaseline(a.ID, []byte{7}); err != nil {
			return err
		}
		for range 2 {
			if _, err := x.Levels.State(ledger.LevelStatement{Point: "storage-1-stable", Day: "2026-03-01", Words: "a mirrored drive, replaced every five years", By: "Ada Wren"}); err != nil {
				return err
			}
		}
		if err := x.Levels.Withdraw(2, "Bo Ferry", "it was said twice"); err != nil {
			return err
		}
		_, err := x.Discs.Decide(ledger.DiscDecision{Verdict: fixity.DiscChanged, Class: care.DiscClass{Gain: -3, Within: 0.5}, Reason: "recorded louder", By: "Bo Ferry"})
		return err
	})
	w.tx(func(x *ledger.Tx) error {
		if _, err := x.Stores.Forget("attic", "", true, 0, 1000, "Bo Ferry", "given away", func(ledger.File) error { return nil }); err != nil {
			return err
		}
		return x.Stores.End("attic", "", true, "Bo Ferry", "given away")
	})
	return w
}

// schema is every column of the ledger, by table.
func schema(t *testing.T, d database, db *sql.DB) map[string][]col {
	t.Helper()
	q := `SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name`
	if d.name == "postgres" {
		q = `SELECT table_name FROM information_schema.tables WHERE table_schema = current_schema() ORDER BY 1`
	}
	out := map[string][]col{}
	for _, name := range column(t, db, q) {
		if name != "goose_db_version" {
			out[name] = columns(t, db, name)
		}
	}
	return out
}

// cells reads rows of a table, at most n, spread over it.
func cells(t *testing.T, db *sql.DB, table string, cols []col, n int) [][]any {
	t.Helper()
	null := map[string]bool{}
	for _, c := range cols {
		null[c.name] = c.kind == "blob" && column(t, db, `SELECT CAST(count(*) AS TEXT) FROM `+table+` WHERE `+c.name+` IS NULL`)[0] != "0"
	}
	rows, err := db.Query(`SELECT * FROM ` + table)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	// A driver gives an empty blob and none alike; no column here has both.
	var all [][]any
	for rows.Next() {
		into := make([]any, len(cols))
		for i, c := range cols {
			switch c.kind {
			case "int":
				into[i] = new(sql.NullInt64)
			case "text":
				into[i] = new(sql.NullString)
			default:
				into[i] = new([]byte)
			}
		}
		if err := rows.Scan(into...); err != nil {
			t.Fatal(err)
		}
		vals := make([]any, len(cols))
		for i, x := range into {
			switch x := x.(type) {
			case *sql.NullInt64:
				if x.Valid {
					vals[i] = x.Int64
				}
			case *sql.NullString:
				if x.Valid {
					vals[i] = x.String
				}
			case *[]byte:
				if len(*x) > 0 || !null[cols[i].name] {
					vals[i] = append([]byte{}, *x...)
				}
			}
		}
		all = append(all, vals)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	if len(all) <= n {
		return all
	}
	var out [][]any
	for i := range n {
		out = append(out, all[i*(len(all)-1)/(n-1)])
	}
	return out
}

// other is another value of a column.
func other(c col, v any) any {
	switch x := v.(type) {
	case int64:
		return x + 1_000_003 // no other row's
	case string:
		return x + "x"
	case []byte:
		if len(x) == 0 {
			return []byte("x")
		}
		y := bytes.Clone(x)
		y[len(y)-1] ^= 1
		return y
	}
	switch c.kind {
	case "int":
		return int64(1)
	case "text":
		return "x"
	}
	return []byte("x")
}

// only is the condition that names one row by all of its columns that can be compared.
func only(cols []col, vals []any) (string, []any) {
	var and []string
	var args []any
	for i, c := range cols {
		if vals[i] == nil {
			and = append(and, c.name+" IS NULL")
			continue
		}
		args = append(args, vals[i])
		and = append(and, fmt.Sprintf("%s = $%d", c.name, len(args)))
	}
	return " WHERE " + strings.Join(and, " AND "), args
}

// TestAnEditedRowIsNeverWhatTheRecordSays edits, removes and adds rows of every table,
// column by column, past the ledger.
func TestAnEditedRowIsNeverWhatTheRecordSays(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := rich(t, d)
		before := sound(t, w.l)
		db := d.raw()
		tried, caught, left := 0, 0, 0
		edit := func(what, names string, do, undo func() error) {
			t.Helper()
			if err := do(); err != nil {
				t.Fatalf("%s: %v", what, err)
			}
			tried++
			_, err := w.l.Verify(t.Context())
			switch {
			case !errors.Is(err, ledger.ErrRewritten):
				t.Errorf("%s: %v", what, err)
			case names != "" && !strings.Contains(err.Error(), names):
				t.Errorf("%s: the error doesn't name it: %v", what, err)
			default:
				caught++
			}
			if err := undo(); err != nil {
				t.Fatalf("%s: take it back: %v", what, err)
			}
		}
		set := func(q string, args ...any) func() error {
			return func() error {
				r, err := db.Exec(q, args...)
				if err == nil {
					if n, _ := r.RowsAffected(); n != 1 {
						err = fmt.Errorf("%d rows: %s", n, q)
					}
				}
				return err
			}
		}
		tables := schema(t, d, db)
		for name, cols := range tables {
			if _, ok := notVouched[name]; ok {
				left += len(cols)
				continue
			}
			rows := cells(t, db, name, cols, 4)
			if len(rows) == 0 {
				t.Errorf("table %s has no row to try: give it one in rich, or say in notVouched why it isn't vouched for", name)
			}
			raw := slices.Contains([]string{"event", "reading", "stated", "log_hash", "log_head", "holdings", "block"}, name)
			for _, vals := range rows {
				for i, c := range cols {
					if _, ok := notVouched[name+"."+c.name]; ok {
						left++
						continue
					}
					changed := slices.Clone(vals)
					changed[i] = other(c, vals[i])
					from, args := only(cols, vals)
					back, backArgs := only(cols, changed)
					names := ""
					if !raw {
						names = c.name // of a key, too: the row has it in its name
					}
					edit(fmt.Sprintf("%s.%s: %v to %v", name, c.name, vals[i], changed[i]), names,
						set(fmt.Sprintf(`UPDATE %s SET %s = $%d%s`, name, c.name, len(args)+1, from), append(args, changed[i])...),
						set(fmt.Sprintf(`UPDATE %s SET %s = $%d%s`, name, c.name, len(backArgs)+1, back), append(backArgs, vals[i])...))
				}
				where, args := only(cols, vals)
				marks := make([]string, len(cols))
				names := make([]string, len(cols))
				for i, c := range cols {
					marks[i], names[i] = fmt.Sprintf("$%d", i+1), c.name
				}
				insert := `INSERT INTO ` + name + ` (` + strings.Join(names, ", ") + `) VALUES (` + strings.Join(marks, ", ") + `)`
				edit("a row of "+name+" goes", "", set(`DELETE FROM `+name+where, args...), set(insert, vals...))
				if raw {
					continue // these are tried in the tests of the log
				}
				added := slices.Clone(vals)
				for i, c := range cols {
					if c.kind == "int" {
						added[i] = int64(987654)
					}
				}
				for i, c := range cols { // a store's row has no number
					if c.kind == "text" && i == 0 {
						added[i] = "another"
					}
				}
				where, args = only(cols, added)
				edit("a row of "+name+" comes", name, set(insert, added...), set(`DELETE FROM `+name+where, args...))
			}
		}
		for k := range notVouched {
			name, c, _ := strings.Cut(k, ".")
			if cols, ok := tables[name]; !ok || c != "" && !slices.ContainsFunc(cols, func(x col) bool { return x.name == c }) {
				t.Errorf("notVouched names %s, which there isn't", k)
			}
		}
		if after := sound(t, w.l); after != before {
			t.Errorf("not all was taken back: %+v, %+v", before, after)
		}
		t.Logf("%d of %d edits were caught, over %d rows of %d events", caught, tried, before.Rows, before.Events)
	})
}
