package ledger_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// moved moves a ledger, and gives the error.
func moved(t *testing.T, from, to database) (ledger.Moved, error) {
	t.Helper()
	return ledger.Move(t.Context(), from.options(), to.options(), begun.Add(1000*time.Hour))
}

// moves does, and fails the test if it can't be done.
func moves(t *testing.T, from, to database) ledger.Moved {
	t.Helper()
	m, err := moved(t, from, to)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// leavesOf are all events of a ledger's record, as they are hashed.
func leavesOf(t *testing.T, l *ledger.Ledger) (out []string) {
	t.Helper()
	view(t, l, func(x *ledger.Tx) error {
		n, err := x.Log.Count()
		if err != nil {
			return err
		}
		return x.Log.Each(0, int(n), func(e ledger.Event) error { out = append(out, string(e.Leaf())); return nil })
	})
	return out
}

// A ledger goes from a file to PostgreSQL and back, and its record goes on.
func TestALedgerMovesToPostgresAndBack(t *testing.T) {
	t.Parallel()
	file, server := onSQLite(t), onPostgres(t)
	server.state = file.state
	w := rich(t, file)
	key, err := w.l.Key()
	if err != nil {
		t.Fatal(err)
	}
	before, all := leavesOf(t, w.l), w.everything()
	seal, err := w.l.Checkpoint(t.Context(), key)
	if err != nil {
		t.Fatal(err)
	}
	w.l.Close()
	old := file.raw()

	emptied(t, server)
	m := moves(t, file, server)
	there := server.open()
	after := leavesOf(t, there)
	if len(after) != len(before)+1 || m.Events != int64(len(after)) || m.Rows < m.Events {
		t.Fatalf("%d events became %d; the move tells of %+v", len(before), len(after), m)
	}
	for i := range before {
		if before[i] != after[i] {
			t.Fatalf("event %d was %s and is %s", i, before[i], after[i])
		}
	}
	if last := after[len(before)]; !strings.Contains(last, `"ledger-moved"`) || !strings.Contains(last, m.To[:strings.Index(m.To, "?")]) {
		t.Errorf("the last event is %s", last)
	}
	w.d = server
	if got := w.everything(); events(got) != events(all) {
		t.Errorf("it held %s and holds %s", all, got)
	}
	if _, err := there.CheckAgainst(t.Context(), seal, key); err != nil {
		t.Errorf("it is no continuation of what it was: %v", err)
	}
	holds(t, there)

	// The old one refuses, by whatever hand.
	if _, err := ledger.Open(t.Context(), file.options()); !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), m.To) {
		t.Errorf("the ledger that was moved away opens: %v", err)
	}
	for _, q := range []string{`UPDATE instance SET state = 'altered'`, `DELETE FROM finding`, `INSERT INTO log_hash (idx, hash) VALUES (999999, x'00')`, `UPDATE log_head SET size = size + 1`} {
		if _, err := old.Exec(q); err == nil || !strings.Contains(err.Error(), "was moved to") {
			t.Errorf("%s: %v", q, err)
		}
	}
	old.Close()

	// It goes on there, and comes back.
	tx(t, there, begun.Add(1001*time.Hour), func(x *ledger.Tx) error {
		x.Event(ledger.Event{Verb: fixity.Audited, By: "Bo Ferry", Store: "vault"})
		return nil
	})
	on := leavesOf(t, there)
	there.Close()
	m = moves(t, server, file)
	if _, err := os.Stat(m.Aside); err != nil {
		t.Errorf("what lay there was not set aside: %v", err)
	}
	back := file.open()
	if got := leavesOf(t, back); len(got) != len(on)+1 || got[len(on)-1] != on[len(on)-1] {
		t.Errorf("%d events came back as %d", len(on), len(got))
	}
	holds(t, back)
	if _, err := ledger.Open(t.Context(), server.options()); !errors.Is(err, ledger.ErrMoved) {
		t.Errorf("the one on PostgreSQL opens: %v", err)
	}
	if _, err := server.raw().Exec(`DELETE FROM finding`); err == nil || !strings.Contains(err.Error(), "was moved to") {
		t.Errorf("and is written to: %v", err)
	}

	// It goes there a second time: the one that lies there is a beginning of it.
	back.Close()
	moves(t, file, server)
	again := server.open()
	if got := leavesOf(t, again); len(got) != len(on)+2 {
		t.Errorf("%d events went there once more as %d", len(on), len(got))
	}
	holds(t, again)
	tx(t, again, begun.Add(1002*time.Hour), func(x *ledger.Tx) error {
		x.Event(ledger.Event{Verb: fixity.Audited, By: "Bo Ferry", Store: "vault"})
		return nil
	})
}

// emptied removes what is in a database's tables, as one that was just made has nothing.
func emptied(t *testing.T, d database) {
	t.Helper()
	db := d.raw()
	defer db.Close()
	for _, q := range []string{`DROP SCHEMA public CASCADE`, `CREATE SCHEMA public`} {
		mustExec(t, db, q)
	}
}

// events is everything but how many events there are, and marks.
func events(all string) string {
	lines := strings.Split(all, "\n")
	return strings.Join(append(lines[:4:4], lines[5]), "\n")
}

func holds(t *testing.T, l *ledger.Ledger) {
	t.Helper()
	if _, err := l.Verify(t.Context()); err != nil {
		t.Error(err)
	}
	if err := l.CheckCounts(t.Context()); err != nil {
		t.Error(err)
	}
}

// A move that is cut off at any step is brought to its end by the same order, and until then
// one of the two ledgers is in use, and not both.
func TestAMoveThatIsCutOff(t *testing.T) {
	t.Parallel()
	file, server := onSQLite(t), onPostgres(t)
	server.state = file.state
	emptied(t, server)
	w := newWorld(t, file)
	w.take(masters, side, "one", true, "studio", "vault")
	before := leavesOf(t, w.l)
	w.l.Close()

	// The copy is there, and the old one couldn't be told.
	old := file.raw()
	mustExec(t, old, `CREATE TRIGGER refuses_INSERT_event BEFORE INSERT ON event BEGIN SELECT 1; END`)
	if _, err := moved(t, file, server); err == nil {
		t.Fatal("it was moved")
	}
	if _, err := ledger.Open(t.Context(), server.options()); !errors.Is(err, ledger.ErrMoved) {
		t.Errorf("half a move opens: %v", err)
	}
	if got := leavesOf(t, file.open()); len(got) != len(before) {
		t.Errorf("the old one has %d events, of %d", len(got), len(before))
	}
	// It goes on, and is moved with what came meanwhile.
	l := file.open()
	tx(t, l, begun.Add(time.Hour), func(x *ledger.Tx) error {
		x.Event(ledger.Event{Verb: fixity.Audited, By: "Bo Ferry", Store: "vault"})
		return nil
	})
	l.Close()
	mustExec(t, old, `DROP TRIGGER refuses_INSERT_event`)
	moves(t, file, server)
	there := server.open()
	if got := leavesOf(t, there); len(got) != len(before)+2 {
		t.Errorf("%d events were moved, of %d", len(got), len(before)+2)
	}
	there.Close()

	// The old one was told, and the new one not that it is the ledger.
	raw := server.raw()
	mustExec(t, raw, `INSERT INTO counter (name, value) VALUES ('being moved here', 1)`)
	for _, d := range []database{file, server} {
		if _, err := ledger.Open(t.Context(), d.options()); !errors.Is(err, ledger.ErrMoved) {
			t.Errorf("%s opens: %v", d.name, err)
		}
	}
	if m := moves(t, file, server); m.Rows != 0 {
		t.Errorf("all was copied once more: %+v", m)
	}
	holds(t, server.open())

	// On the way back the file has its name at the very end.
	back := file
	back.path = filepath.Join(t.TempDir(), "ledger.db")
	moves(t, server, back)
	if err := os.Rename(back.path, back.path+".moving"); err != nil {
		t.Fatal(err)
	}
	moves(t, server, back)
	holds(t, back.open())
}

// Nothing is moved over a ledger that is in use.
func TestALedgerIsMovedOverNoOther(t *testing.T) {
	t.Parallel()
	file, server := onSQLite(t), onPostgres(t)
	newWorld(t, file).l.Close()
	server.open().Close()
	for _, d := range [][2]database{{file, server}, {server, file}} {
		if _, err := moved(t, d[0], d[1]); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("%s moved over %s: %v", d[0].name, d[1].name, err)
		}
		d[0].open().Close()
		d[1].open().Close()
	}
	if _, err := ledger.Move(t.Context(), file.options(), ledger.Options{URL: "mysql://db", State: file.state}, begun); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("moved elsewhere: %v", err)
	}
}

// A ledger that was moved away is taken over by no other than the one that goes on from it.
func TestALedgerThatWasMovedAwayIsKept(t *testing.T) {
	t.Parallel()
	file, server, other := onSQLite(t), onPostgres(t), onSQLite(t)
	server.state = file.state
	newWorld(t, server).l.Close()
	back := file
	back.path = filepath.Join(t.TempDir(), "ledger.db")
	moves(t, server, back)
	newWorld(t, other).l.Close()
	if _, err := moved(t, other, server); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("another ledger took its place: %v", err)
	}
	moves(t, back, server)
	holds(t, server.open())
}

// After a move no backup counts as made: those that lie there may have no database.
func TestAMovedLedgerIsToBeBackedUp(t *testing.T) {
	t.Parallel()
	file, server := onSQLite(t), onPostgres(t)
	server.state = file.state
	w := newWorld(t, server)
	tx(t, w.l, begun, func(x *ledger.Tx) error { return x.Log.PutBackup(ledger.Backup{Store: "vault", Events: 1}) })
	w.l.Close()
	back := file
	back.path = filepath.Join(t.TempDir(), "ledger.db")
	moves(t, server, back)
	view(t, back.open(), func(x *ledger.Tx) error {
		have, err := x.Log.Backups()
		if len(have) > 0 {
			t.Errorf("it counts as backed up: %+v", have)
		}
		return err
	})
}
