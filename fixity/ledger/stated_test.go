package ledger_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// earlier makes of a ledger what an earlier version wrote: the same rows and acts, and
// a record that says nothing of what the rows hold.
func earlier(t *testing.T, d database) {
	t.Helper()
	db := d.raw()
	defer db.Close()
	for _, seq := range column(t, db, `SELECT CAST(seq AS TEXT) FROM event ORDER BY seq`) {
		var leaf []byte
		if err := db.QueryRow(`SELECT leaf FROM event WHERE seq = ` + seq).Scan(&leaf); err != nil {
			t.Fatal(err)
		}
		dec := json.NewDecoder(bytes.NewReader(leaf))
		dec.UseNumber()
		var e map[string]any
		if err := dec.Decode(&e); err != nil {
			t.Fatal(err)
		}
		if data, ok := e["data"].(map[string]any); ok {
			delete(data, "rows")
			delete(data, "stated")
			delete(data, "stated_root")
			delete(data, "schema")
		}
		leaf, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		mustExec(t, db, `UPDATE event SET leaf = $1 WHERE seq = `+seq, leaf)
	}
	rebuild(t, db)
	mustExec(t, db, `DROP TABLE stated`)
	mustExec(t, db, `DELETE FROM counter WHERE name = 'stated'`)
	mustExec(t, db, `DELETE FROM goose_db_version WHERE version_id = 9`)
}

// TestAnEarlierLedgerIsNeverLeftWithoutDigests: at its first opening all that it holds
// is stated in one event, once, also after a kill between the migration and that.
func TestAnEarlierLedgerIsNeverLeftWithoutDigests(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := rich(t, d)
		if err := w.l.Close(); err != nil {
			t.Fatal(err)
		}
		earlier(t, d)
		migration, err := os.ReadFile("migrations/" + d.name + "/00009_stated.sql")
		if err != nil {
			t.Fatal(err)
		}
		db := d.raw()
		for _, q := range strings.Split(string(migration), ";\n") {
			mustExec(t, db, q)
		}
		mustExec(t, db, `INSERT INTO goose_db_version (version_id, is_applied, tstamp) VALUES (9, $1, $2)`, true, "2031-01-01 00:00:00")
		// Killed here: all is migrated and nothing is stated.
		var before int64
		for range 2 {
			l, err := ledger.Open(t.Context(), d.options())
			if err != nil {
				t.Fatal(err)
			}
			v := sound(t, l)
			if v.Since != v.Events-1 || v.Since == 0 || !v.SinceAt.Equal(begun) || v.Rows < 100 {
				t.Errorf("%+v", v)
			}
			if before != 0 && v.Events != before {
				t.Errorf("all was stated again: %d events, then %d", before, v.Events)
			}
			before = v.Events
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
		}
		l := d.open()
		for _, c := range []struct{ names, do, undo string }{
			{"version", `UPDATE version SET size = size + 1 WHERE file = 1`, `UPDATE version SET size = size - 1 WHERE file = 1`},
			{"file", `UPDATE file SET retired_at = -retired_at WHERE retired_at <> 0`, `UPDATE file SET retired_at = -retired_at WHERE retired_at <> 0`},
			{"finding", `UPDATE finding SET reason = reason || 'x' WHERE id = 1`, `UPDATE finding SET reason = substr(reason, 1, length(reason) - 1) WHERE id = 1`},
		} {
			mustExec(t, db, c.do)
			if _, err := l.Verify(t.Context()); !errors.Is(err, ledger.ErrRewritten) || !strings.Contains(err.Error(), c.names) {
				t.Errorf("%s: %v", c.do, err)
			}
			mustExec(t, db, c.undo)
		}
		sound(t, l)
	})
}

// TestARowThatWaitsToBeStatedIsNeverLost: what a transaction without an event changes
// is in the record at once, and the next event accounts for it.
func TestARowThatWaitsToBeStatedIsNeverLost(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(masters, side, "one", true, "studio")
		waits := func() string {
			return column(t, d.raw(), `SELECT CAST(count(*) AS TEXT) FROM stated WHERE event = -1`)[0]
		}
		sound(t, w.l)
		if waits() == "0" {
			t.Fatal("nothing waits: the file was taken in here without an event")
		}
		db := d.raw()
		mustExec(t, db, `UPDATE version SET blake3 = $1`, bytesOf("rot").BLAKE3.Bytes())
		refused(t, w.l, "a digest whose statement waits")
		mustExec(t, db, `UPDATE version SET blake3 = $1`, bytesOf("one").BLAKE3.Bytes())
		w.tx(func(x *ledger.Tx) error {
			x.Event(ledger.Event{Verb: fixity.TakenIn, By: "Ada Wren", Set: masters, File: f.ID})
			return nil
		})
		if n := waits(); n != "0" {
			t.Errorf("%s rows still wait", n)
		}
		sound(t, w.l)
		mustExec(t, db, `DELETE FROM stated WHERE id = (SELECT min(id) FROM stated)`)
		refused(t, w.l, "statements that are gone")
	})
}

// TestALeafNeverGrowsWithTheNumberOfFiles: many statements go into rows beside it.
func TestALeafNeverGrowsWithTheNumberOfFiles(t *testing.T) {
	t.Parallel()
	d := onSQLite(t)
	w := newWorld(t, d)
	w.tx(func(x *ledger.Tx) error {
		for i := range 2500 {
			if _, err := w.takeIn(x, masters, "QV-0107/"+strings.Repeat("x", 100)+string(rune('a'+i%26))+time.Duration(i).String()+".wav", "one", true, "studio"); err != nil {
				return err
			}
		}
		x.Event(ledger.Event{Verb: fixity.TakenIn, By: "Ada Wren", Set: masters})
		return nil
	})
	sound(t, w.l)
	w.view(func(x *ledger.Tx) error {
		return x.Log.Each(0, 1000, func(e ledger.Event) error {
			if n := len(e.Leaf()); n > 20<<10 {
				t.Errorf("event %d (%s) has %d bytes", e.Seq, e.Verb, n)
			}
			return nil
		})
	})
}

// TestAnImportedRecordIsNeverHeldAgainstTheOldRows: after a lost ledger's events were
// made the record again, only what is known now is vouched for.
func TestAnImportedRecordIsNeverHeldAgainstTheOldRows(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := rich(t, d)
		var lines bytes.Buffer
		w.view(func(x *ledger.Tx) error {
			return x.Log.Each(0, 100_000, func(e ledger.Event) error {
				lines.Write(append(e.Leaf(), '\n'))
				return nil
			})
		})
		d2 := fresh(t, d)
		l := d2.open()
		tx(t, l, begun, func(x *ledger.Tx) error { // as a run does before it imports
			return x.Stores.Put(ledger.Store{Name: "studio", Kind: "disk", Roots: []ledger.Root{{Set: masters, Root: "/studio"}}})
		})
		if _, err := l.ImportEvents(t.Context(), begun, &lines, "Ada Wren"); err != nil {
			t.Fatal(err)
		}
		var stated, again []ledger.LevelStatement
		w.view(func(x *ledger.Tx) (err error) { stated, err = x.Levels.Statements(); return err })
		view(t, l, func(x *ledger.Tx) (err error) { again, err = x.Levels.Statements(); return err })
		if len(stated) < 2 || !reflect.DeepEqual(stated, again) || !slices.ContainsFunc(stated, func(s ledger.LevelStatement) bool { return !s.Withdrawn.IsZero() }) {
			t.Errorf("what was stated of the levels: %+v, by the record %+v", stated, again)
		}
		tx(t, l, begun, func(x *ledger.Tx) error {
			id, err := x.Levels.State(ledger.LevelStatement{Point: "storage-1-media", Day: "2026-03-01", Words: "a list", By: "Ada Wren"})
			if err == nil && id != stated[len(stated)-1].ID+1 {
				t.Errorf("the next statement is %d", id)
			}
			return err
		})
		v := sound(t, l)
		if v.Since != v.Events-2 || v.Lacking == 0 {
			t.Errorf("%+v", v)
		}
		tx(t, l, begun, func(x *ledger.Tx) error {
			_, err := x.Files.Add(masters, "QV-0107/new.wav", "Ada Wren", begun, true, bytesOf("new"))
			return err
		})
		sound(t, l)
		mustExec(t, d2.raw(), `UPDATE file SET path = $1`, []byte("QV-0107/old.wav"))
		refused(t, l, "a file taken in after the import")
	})
}
