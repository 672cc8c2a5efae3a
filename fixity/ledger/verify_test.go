package ledger_test

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/mlog"
)

// written is a ledger with events of every sort in it, readings among them.
func written(t *testing.T, d database) *world {
	w := newWorld(t, d)
	w.take(masters, side, "one", true, "studio", "vault")
	f := w.take(access, side, "cut", false, "studio", "vault")
	w.pass(time.Hour)
	w.rot("vault", masters, side, "onE")
	w.audit("vault", order{full: true})
	w.audit("studio", order{full: true})
	w.tx(func(x *ledger.Tx) error {
		// What JSON escapes, and what is no text at all.
		x.Event(ledger.Event{Verb: fixity.Finished, By: "Ada \x00\xff<Wren>", Store: "st\u00fcdio", Set: f.Set, File: f.ID, Reason: "\u2028 & \"so\" \xc3\x28"})
		return nil
	})
	return w
}

func TestVerifyAcceptsWhatWasWritten(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := written(t, d)
		v := sound(t, w.l)
		if v.Events < 10 || v.Readings != 4 {
			t.Errorf("verified %+v", v)
		}
		w.view(func(x *ledger.Tx) error {
			if at, err := x.Log.LastAt(); err != nil || !at.Equal(w.clock) {
				t.Errorf("the newest event is of %s, %v", at, err)
			}
			return nil
		})
	})
}

// A clock that was ahead is told however much was written with it, and then without.
func TestTheLatestTimeIsThatOfAnyEvent(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := written(t, d)
		right := w.clock
		events := func() {
			for range 10 {
				w.tx(func(x *ledger.Tx) error {
					for range 30 {
						x.Event(ledger.Event{Verb: fixity.Finished, By: "Ada Wren"})
					}
					return nil
				})
			}
		}
		w.pass(400 * day)
		ahead := w.clock
		events()
		w.clock = right
		events()
		w.view(func(x *ledger.Tx) error {
			if at, err := x.Log.LastAt(); err != nil || !at.Equal(ahead) {
				t.Errorf("the latest event is of %s, %v; want %s", at, err, ahead)
			}
			return nil
		})
	})
}

// refused says that the record as it now is isn't accepted.
func refused(t *testing.T, l *ledger.Ledger, what string) {
	t.Helper()
	if _, err := l.Verify(t.Context()); !errors.Is(err, ledger.ErrRewritten) {
		t.Errorf("%s: %v", what, err)
	}
}

// change is one statement that a wrong hand gives, and the one that takes it back.
func change(t *testing.T, db *sql.DB, l *ledger.Ledger, what, do, undo string, args ...any) {
	t.Helper()
	if _, err := db.Exec(do, args...); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	refused(t, l, what)
	if _, err := db.Exec(undo, args...); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
}

func TestVerifyRefusesAChangeInAnyColumn(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := written(t, d)
		db := d.raw()
		for _, table := range []struct{ name, key, where string }{
			{"event", "seq", ""},
			{"reading", "id", ""},
			{"log_hash", "idx", ""},
			{"log_head", "id", ""},
			{"holdings", "id", ""},
		} {
			keys := column(t, db, `SELECT CAST(`+table.key+` AS TEXT) FROM `+table.name+` ORDER BY `+table.key)
			if len(keys) == 0 {
				t.Fatalf("%s is empty", table.name)
			}
			for _, key := range []string{keys[0], keys[len(keys)/2], keys[len(keys)-1]} {
				for _, c := range columns(t, db, table.name) {
					if table.name == "log_head" && c.name == "id" {
						continue // a constraint holds it
					}
					if table.name == "reading" && c.name == "id" && len(keys) > 1 {
						continue // their order is what counts, and is tried below
					}
					where := ` WHERE CAST(` + table.key + ` AS TEXT) = '` + key + `'`
					what := fmt.Sprintf("%s.%s of %s", table.name, c.name, key)
					switch c.kind {
					case "int":
						by, back := where, where
						if c.name == table.key {
							back = ` WHERE ` + table.key + ` = ` + key + ` + 1000000`
						}
						change(t, db, w.l, what, `UPDATE `+table.name+` SET `+c.name+` = `+c.name+` + 1000000`+by, `UPDATE `+table.name+` SET `+c.name+` = `+c.name+` - 1000000`+back)
					case "text":
						var old string
						if err := db.QueryRow(`SELECT ` + c.name + ` FROM ` + table.name + where).Scan(&old); err != nil {
							t.Fatal(err)
						}
						back := where
						if c.name == table.key {
							back = ` WHERE ` + table.key + ` = '` + old + `x'`
						}
						if _, err := db.Exec(`UPDATE `+table.name+` SET `+c.name+` = $1`+where, old+"x"); err != nil {
							t.Fatalf("%s: %v", what, err)
						}
						refused(t, w.l, what)
						if _, err := db.Exec(`UPDATE `+table.name+` SET `+c.name+` = $1`+back, old); err != nil {
							t.Fatalf("%s: %v", what, err)
						}
					default:
						flips(t, db, w.l, what, table.name, c.name, where)
					}
				}
			}
		}
		sound(t, w.l) // all was taken back
	})
}

// flips changes single bytes of a blob: its first, its last and some between, and
// cuts it short.
func flips(t *testing.T, db *sql.DB, l *ledger.Ledger, what, table, column, where string) {
	t.Helper()
	var old []byte
	if err := db.QueryRow(`SELECT ` + column + ` FROM ` + table + where).Scan(&old); err != nil {
		t.Fatal(err)
	}
	set := func(b []byte) {
		if _, err := db.Exec(`UPDATE `+table+` SET `+column+` = $1`+where, b); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	step := max(1, len(old)/11)
	for at := 0; at < len(old); at += step {
		b := bytes.Clone(old)
		b[at] ^= 1
		set(b)
		if table == "reading" && sameLines(old, b) {
			continue // the packing has bits that mean nothing
		}
		refused(t, l, fmt.Sprintf("%s, byte %d", what, at))
	}
	set(old[:len(old)-1])
	refused(t, l, what+", cut short")
	set(append(bytes.Clone(old), 0))
	if table != "reading" {
		refused(t, l, what+", grown")
	}
	set(old)
}

// everyByte is the step from one byte that is tried to the next.
func everyByte() int {
	if testing.Short() {
		return 8
	}
	return 1
}

func TestVerifyRefusesEachByteOfALeaf(t *testing.T) {
	t.Parallel()
	d := onSQLite(t)
	w := written(t, d)
	db := d.raw()
	for _, seq := range column(t, db, `SELECT CAST(seq AS TEXT) FROM event WHERE verb IN ('audited', 'finding-opened', 'finished') ORDER BY seq`) {
		var leaf []byte
		if err := db.QueryRow(`SELECT leaf FROM event WHERE seq = ` + seq).Scan(&leaf); err != nil {
			t.Fatal(err)
		}
		for at := 0; at < len(leaf); at += everyByte() {
			b := bytes.Clone(leaf)
			b[at] ^= 0x20
			if _, err := db.Exec(`UPDATE event SET leaf = $1 WHERE seq = `+seq, b); err != nil {
				t.Fatal(err)
			}
			refused(t, w.l, fmt.Sprintf("event %s, byte %d", seq, at))
		}
		if _, err := db.Exec(`UPDATE event SET leaf = $1 WHERE seq = `+seq, leaf); err != nil {
			t.Fatal(err)
		}
	}
	sound(t, w.l)
}

func TestVerifyRefusesRowsThatComeOrGo(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		for _, c := range []struct{ name, do string }{
			{"the first event goes", `DELETE FROM event WHERE seq = 0`},
			{"an event between goes", `DELETE FROM event WHERE seq = 5`},
			{"the last event goes", `DELETE FROM event WHERE seq = (SELECT max(seq) FROM event)`},
			{"all events go", `DELETE FROM event`},
			{"the last event goes and the head says so", `DELETE FROM event WHERE seq = (SELECT max(seq) FROM event); UPDATE log_head SET size = size - 1`},
			{"an event comes", `INSERT INTO event (seq, at, verb, by_name, store, set_name, file, finding, audit, reason, leaf)
				SELECT seq + 1, at, verb, by_name, store, set_name, file, finding, audit, reason, leaf FROM event ORDER BY seq DESC LIMIT 1`},
			{"a stored hash goes", `DELETE FROM log_hash WHERE idx = 3`},
			{"the last stored hash goes", `DELETE FROM log_hash WHERE idx = (SELECT max(idx) FROM log_hash)`},
			{"a stored hash comes", `INSERT INTO log_hash (idx, hash) SELECT idx + 1, hash FROM log_hash ORDER BY idx DESC LIMIT 1`},
			{"the readings of an event go", `DELETE FROM reading WHERE id = (SELECT max(id) FROM reading WHERE event >= 0)`},
			{"readings come", `INSERT INTO reading (id, audit, shard, event, n, lines) SELECT 100000, audit, shard, event, n, lines FROM reading WHERE id = (SELECT max(id) FROM reading WHERE event >= 0)`},
			{"readings are of no event", `UPDATE reading SET event = -1`},
			{"readings are of an event that isn't there", `INSERT INTO reading (id, audit, shard, event, n, lines) SELECT 100000, audit, shard, 100000, n, lines FROM reading WHERE id = (SELECT max(id) FROM reading)`},
			{"readings are of an event that can't be", `INSERT INTO reading (id, audit, shard, event, n, lines) SELECT 100000, audit, shard, -7, n, lines FROM reading WHERE id = (SELECT max(id) FROM reading)`},
			{"readings become of an event that has none", `UPDATE reading SET event = 1 WHERE id = (SELECT max(id) FROM reading WHERE event >= 0)`},
			{"the holdings go", `DELETE FROM holdings`},
		} {
			t.Run(c.name, func(t *testing.T) {
				d := fresh(t, d)
				w := written(t, d)
				db := d.raw()
				for _, q := range strings.Split(c.do, "; ") {
					if _, err := db.Exec(q); err != nil {
						t.Fatal(err)
					}
				}
				refused(t, w.l, c.name)
			})
		}
	})
}

// fresh is another place on the same database.
func fresh(t *testing.T, d database) database {
	if d.name == "sqlite" {
		return onSQLite(t)
	}
	return onPostgres(t)
}

func TestARecordWithoutAHeadIsNotBegunAnew(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := written(t, d)
		db := d.raw()
		if _, err := db.Exec(`DELETE FROM log_head`); err != nil {
			t.Fatal(err)
		}
		if _, err := w.l.Verify(t.Context()); err == nil {
			t.Error("a record without a head was accepted")
		}
		if _, err := ledger.Open(t.Context(), d.options()); !errors.Is(err, ledger.ErrDamaged) {
			t.Errorf("opened again: %v", err)
		}
		if n := column(t, db, `SELECT CAST(count(*) AS TEXT) FROM log_head`); n[0] != "0" {
			t.Error("a new record was begun")
		}
	})
}

// An attacker who rewrites all hashes makes a record that agrees with itself. Who
// kept an earlier checkpoint elsewhere finds it out.
func TestARewrittenRecordIsFoundAgainstACheckpoint(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		do   func(t *testing.T, db *sql.DB)
	}{
		{"cut back by one", func(t *testing.T, db *sql.DB) {
			mustExec(t, db, `UPDATE reading SET event = -1 WHERE event = (SELECT max(seq) FROM event)`)
			mustExec(t, db, `DELETE FROM event WHERE seq = (SELECT max(seq) FROM event)`)
		}},
		{"two events swapped", func(t *testing.T, db *sql.DB) { swapEvents(t, db, 3, 4) }},
		{"a reason reworded", func(t *testing.T, db *sql.DB) {
			e := eventAt(t, db, 2)
			e["reason"] = "as if it had been otherwise"
			storeEvent(t, db, 2, e)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			onEach(t, func(t *testing.T, d database) {
				w := written(t, d)
				k, err := w.l.Key()
				if err != nil {
					t.Fatal(err)
				}
				early := checkpoint(t, w.l, k)
				// An act that changes no row: cut back, no table tells of it.
				w.tx(func(x *ledger.Tx) error {
					x.Event(ledger.Event{Verb: fixity.MayBeErased, By: "Ada Wren", Reason: "again"})
					return nil
				})
				late := checkpoint(t, w.l, k)
				for _, text := range [][]byte{early, late} {
					if _, err := w.l.CheckAgainst(t.Context(), text, k); err != nil {
						t.Fatalf("an honest record: %v", err)
					}
				}
				db := d.raw()
				c.do(t, db)
				rebuild(t, db)
				if _, err := w.l.Verify(t.Context()); err != nil {
					t.Fatalf("the attack isn't consistent: %v", err)
				}
				if _, err := w.l.CheckAgainst(t.Context(), late, k); !errors.Is(err, ledger.ErrRewritten) {
					t.Errorf("against the checkpoint: %v", err)
				}
			})
		})
	}
}

func mustExec(t *testing.T, db *sql.DB, q string, args ...any) {
	t.Helper()
	if _, err := db.Exec(q, args...); err != nil {
		t.Fatalf("%s: %v", q, err)
	}
}

func eventAt(t *testing.T, db *sql.DB, seq int64) map[string]any {
	t.Helper()
	var leaf []byte
	if err := db.QueryRow(`SELECT leaf FROM event WHERE seq = $1`, seq).Scan(&leaf); err != nil {
		t.Fatal(err)
	}
	d := json.NewDecoder(bytes.NewReader(leaf))
	d.UseNumber()
	var e map[string]any
	if err := d.Decode(&e); err != nil {
		t.Fatal(err)
	}
	return e
}

// storeEvent writes an event at a place, leaf and columns alike.
func storeEvent(t *testing.T, db *sql.DB, seq int64, e map[string]any) {
	t.Helper()
	e["seq"] = seq
	leaf, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	var in ledger.Event
	if err := json.Unmarshal(leaf, &in); err != nil {
		t.Fatal(err)
	}
	mustExec(t, db, `UPDATE event SET at = $2, verb = $3, by_name = $4, store = $5, set_name = $6, file = $7, finding = $8, audit = $9, reason = $10, leaf = $11 WHERE seq = $1`,
		seq, in.At.UnixNano(), string(in.Verb), in.By, in.Store, in.Set, in.File, in.Finding, in.Audit, in.Reason, leaf)
}

func swapEvents(t *testing.T, db *sql.DB, a, b int64) {
	t.Helper()
	x, y := eventAt(t, db, a), eventAt(t, db, b)
	storeEvent(t, db, a, y)
	storeEvent(t, db, b, x)
}

// rebuild makes all hashes and the head anew from the leaves.
func rebuild(t *testing.T, db *sql.DB) {
	t.Helper()
	rows, err := db.Query(`SELECT leaf FROM event ORDER BY seq`)
	if err != nil {
		t.Fatal(err)
	}
	var leaves [][]byte
	for rows.Next() {
		var b []byte
		if err := rows.Scan(&b); err != nil {
			t.Fatal(err)
		}
		leaves = append(leaves, bytes.Clone(b))
	}
	rows.Close()
	var stored hashes
	for i, leaf := range leaves {
		add, err := mlog.Append(int64(i), leaf, stored)
		if err != nil {
			t.Fatal(err)
		}
		stored = append(stored, add...)
	}
	root, err := mlog.Root(int64(len(leaves)), stored)
	if err != nil {
		t.Fatal(err)
	}
	mustExec(t, db, `DELETE FROM log_hash`)
	for i, h := range stored {
		mustExec(t, db, `INSERT INTO log_hash (idx, hash) VALUES ($1, $2)`, i, h[:])
	}
	mustExec(t, db, `UPDATE log_head SET size = $1, root = $2`, len(leaves), root[:])
}

type hashes []tlog.Hash

func (h hashes) ReadHashes(idx []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(idx))
	for i, x := range idx {
		out[i] = h[x]
	}
	return out, nil
}

func checkpoint(t *testing.T, l *ledger.Ledger, k ledger.Key) []byte {
	t.Helper()
	text, err := l.Checkpoint(t.Context(), k)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func TestAnEmptyRecordHasTheEmptyRoot(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		l := d.open()
		v := sound(t, l)
		if v.Events != 1 {
			t.Errorf("a ledger just begun has %d events", v.Events)
		}
		// RFC 6962, section 2.1: the hash of a leaf is SHA-256 of 0x00 and the leaf.
		var leaf []byte
		view(t, l, func(x *ledger.Tx) error {
			return x.Log.Each(0, 1, func(e ledger.Event) error { leaf = e.Leaf(); return nil })
		})
		if want := tlog.Hash(sha256.Sum256(append([]byte{0}, leaf...))); v.Root != want {
			t.Errorf("root %s, want %s", v.Root, want)
		}
	})
}
