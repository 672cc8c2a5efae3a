package reading_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/reading"
	"firmus/cmd/firmus/internal/register"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

var night = time.Date(2026, 3, 2, 1, 0, 0, 0, time.UTC)

// table is a register with a row a line: number, side, length, playable.
func table(lines ...string) register.Table {
	t := register.Table{Header: 1, Columns: register.Columns{register.Item: "Number", register.Side: "Side", register.Length: "Length", register.Playable: "Playable"}}
	for i, l := range lines {
		r := register.Row{Line: i + 2, Cells: map[register.Field]register.Cell{}}
		for k, text := range strings.Split(l, "|") {
			f := []register.Field{register.Item, register.Side, register.Length, register.Playable}[k]
			r.Cells[f] = register.Cell{Text: text, Kind: register.TextCell}
		}
		t.Rows = append(t.Rows, r)
	}
	return t
}

// state is all that the ledger holds of the register.
type state struct {
	Version  fixity.RegisterVersion
	Rows     []register.Row
	Says     []fixity.RegisterSays
	Problems []fixity.RegisterProblem
	Reading  fixity.RegisterReading
	Findings []ledger.Finding
}

func stateOf(t *testing.T, l *ledger.Ledger) (s state) {
	t.Helper()
	if err := l.View(t.Context(), func(x *ledger.Tx) (err error) {
		if s.Version, err = x.Register.Version(0); err != nil {
			return err
		}
		var errs [5]error
		s.Rows, errs[0] = reading.RowsOf(x, s.Version)
		s.Says, errs[1] = x.Register.AllSays()
		s.Problems, errs[2] = x.Register.Problems("", 0, "", 100)
		s.Reading, errs[3] = x.Register.Reading()
		s.Findings, errs[4] = x.Findings.Open("")
		return errors.Join(errs[:]...)
	}); err != nil {
		t.Fatal(err)
	}
	return s
}

// Whichever of its writes the reading of a night ends at, yesterday's register is in force
// with all that hangs on it, and the next reading makes up for it. So it is with the note that
// the register can't be read.
func TestAReadingThatEndsAtEachStep(t *testing.T) {
	t.Parallel()
	p := ledgertest.Ready(t, t.TempDir())
	o := p.Options()
	o.Now, o.By = night, "Ada Wren"
	l, err := ledger.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	now := night
	var read func() (register.Table, error)
	acts := reading.Of(&archive.Archive{Ledger: l, Now: func() time.Time { return now }, By: "Ada Wren"}, reading.Source{From: "register.csv",
		Read: func(context.Context) (register.Table, fixity.Digest, error) {
			x, err := read()
			return x, fixity.Digest{}, err
		}, Settings: register.Settings{Playable: map[string]register.Playability{"worn": register.CannotAgain}}})
	read = func() (register.Table, error) {
		return table("QV-1|A|31:52|worn", "QV-1|B|full|", "QV-2|A|10:00|torn", "QV-3|A|10:00|"), nil
	}
	if _, err := acts.Read(t.Context()); err != nil {
		t.Fatal(err)
	}

	// Each row that is written counts as a step, and one of them ends the transaction.
	db, err := sql.Open("sqlite", p.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	exec := func(q string) {
		t.Helper()
		if _, err := db.Exec(q); err != nil {
			t.Fatal(q, err)
		}
	}
	exec(`CREATE TABLE step (n INTEGER, last INTEGER)`)
	exec(`INSERT INTO step VALUES (0, 0)`)
	rows, err := db.Query(`SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%' AND name NOT LIKE '%lock%' AND name <> 'step'`)
	if err != nil {
		t.Fatal(err)
	}
	var tables []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		tables = append(tables, name)
	}
	if err := rows.Err(); err != nil || len(tables) < 20 {
		t.Fatal(tables, err)
	}
	for _, name := range tables {
		for _, op := range []string{"INSERT", "UPDATE", "DELETE"} {
			exec(fmt.Sprintf(`CREATE TRIGGER ends_%s_%s BEFORE %[2]s ON %[1]s BEGIN UPDATE step SET n = n + 1; SELECT RAISE(ABORT, 'it ends here') WHERE (SELECT n = last FROM step); END`, name, op))
		}
	}
	for _, x := range []struct {
		name string
		read func() (register.Table, error)
		done func(state) bool
		few  int
	}{
		{"another register", func() (register.Table, error) {
			return table("QV-1|A|31:52|", "QV-1|B|28:10|worn", "QV-2|A|-3:00|", "QV-4|A|10:00|", "QV-5|A||"), nil
		}, func(s state) bool { return s.Version.N == 2 && len(s.Rows) == 5 && len(s.Findings) == 1 }, 15},
		{"a sorted column", func() (register.Table, error) {
			return table("QV-1|A|10:00|", "QV-1|B|31:52|worn", "QV-2|A|28:10|", "QV-4|A||", "QV-5|A|-3:00|"), nil
		}, func(s state) bool { return s.Version.N == 3 }, 10},
		{"one that can't be read", func() (register.Table, error) {
			return register.Table{}, &register.Unreadable{Why: register.Damaged, File: "register.csv", Text: "its checksum is wrong"}
		}, func(s state) bool { return s.Version.N == 3 && s.Reading.Trouble != "" }, 3},
	} {
		read, now = x.read, now.AddDate(0, 0, 1)
		before := stateOf(t, l)
		step := 1
		for ; ; step++ {
			exec(fmt.Sprintf(`UPDATE step SET n = 0, last = %d`, step))
			_, err := acts.Read(t.Context())
			if err == nil {
				break
			}
			if !strings.Contains(err.Error(), "it ends here") || step > 300 {
				t.Fatalf("%s, step %d: %v", x.name, step, err)
			}
			if d := cmp.Diff(before, stateOf(t, l)); d != "" {
				t.Fatalf("%s, step %d: %s", x.name, step, d)
			}
		}
		if s := stateOf(t, l); !x.done(s) || step <= x.few {
			t.Errorf("%s, after %d steps: %+v", x.name, step, s)
		}
		t.Logf("%s: %d steps", x.name, step-1)
	}
	if _, err := l.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}

// A text that looks as if its writer was broken off changes nothing; it is believed once it has
// stayed the same. A workbook is whole or can't be opened.
func TestATextThatLooksHalfWritten(t *testing.T) {
	t.Parallel()
	long := func(n int) (lines []string) {
		for i := range n {
			lines = append(lines, fmt.Sprintf("QV-%d|A|10:00|", i+1))
		}
		return lines
	}
	for _, c := range []struct {
		name    string
		rows    int
		end     register.End
		doubted bool
	}{
		{"a few rows less", 99, register.Ended, false},
		{"half of them", 50, register.Ended, false},
		{"less than half", 49, register.Ended, true},
		{"without its end", 100, register.Unended, true},
		{"more, without its end", 101, register.Unended, true},
		{"a workbook", 10, register.NoText, false},
	} {
		p := ledgertest.Ready(t, t.TempDir())
		o := p.Options()
		o.Now, o.By = night, "Ada Wren"
		l, err := ledger.Open(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		now := night
		of := table(long(100)...)
		of.End = register.Ended
		sum := func(n byte) fixity.Digest { return fixity.DigestOf(fixity.SHA256, append(make([]byte, 31), n)) }
		file := sum(1)
		acts := reading.Of(&archive.Archive{Ledger: l, Now: func() time.Time { return now }, By: "Ada Wren"}, reading.Source{From: "register.csv",
			Read: func(context.Context) (register.Table, fixity.Digest, error) { return of, file, nil }})
		read := func() reading.Result {
			r, err := acts.Read(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if again := reading.Doubted(r.Reading, now); again {
				t.Errorf("%s: to be read again at once", c.name)
			}
			return r
		}
		read()
		now = now.AddDate(0, 0, 1)
		of, file = table(long(c.rows)...), sum(2)
		of.End = c.end
		r := read()
		if c.doubted {
			if r.Failed == nil || r.Failed.Why != register.HalfWritten || r.Version.N != 1 || r.Reading.Rows != 100 || len(r.Findings) != 1 {
				t.Errorf("%s: %+v", c.name, r)
			}
			now = now.Add(5 * time.Minute)
			if r = read(); r.Failed == nil || r.Version.N != 1 {
				t.Errorf("%s, five minutes on: %+v", c.name, r)
			}
			file = sum(3) // its writer goes on
			now = now.Add(6 * time.Minute)
			if r = read(); r.Failed == nil || r.Version.N != 1 {
				t.Errorf("%s, another file: %+v", c.name, r)
			}
			now = now.Add(11 * time.Minute)
			if !reading.Doubted(r.Reading, now) {
				t.Errorf("%s: not to be read again: %+v", c.name, r.Reading)
			}
			r = read()
		}
		if want := int64(2); r.Failed != nil || r.Reading.Rows != int64(c.rows) || !r.Reading.DoubtedAt.IsZero() || len(r.Findings) > 0 || c.rows != 100 && r.Version.N != want {
			t.Errorf("%s: %+v", c.name, r)
		}
		// Once it was read so, it is no news the next night.
		now = now.AddDate(0, 0, 1)
		file = sum(4)
		if r = read(); r.Failed != nil {
			t.Errorf("%s, a night on: %v", c.name, r.Failed)
		}
		l.Close()
	}
}

// A register that lost all its rows, or nearly all of many, isn't believed by itself, however
// long it stays so and in whatever form it is.
func TestARegisterThatIsEmptied(t *testing.T) {
	many := func(n int) (out []string) {
		for i := range n {
			out = append(out, fmt.Sprintf("QV-%04d|A|12:00|", i))
		}
		return out
	}
	for _, c := range []struct {
		was, is int
		want    bool // it is believed
	}{{2, 0, false}, {2, 1, true}, {100, 0, false}, {100, 9, false}, {100, 10, true}, {20, 1, true}, {21, 1, false}, {0, 0, true}} {
		o := ledgertest.Ready(t, t.TempDir()).Options()
		o.Now, o.By = night, "Ada Wren"
		l, err := ledger.Open(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		now := night
		read := func(n int, fewer bool) reading.Result {
			t.Helper()
			now = now.Add(time.Hour)
			acts := reading.Of(&archive.Archive{Ledger: l, Now: func() time.Time { return now }, By: "Ada Wren"}, reading.Source{From: "register.csv",
				Read: func(context.Context) (register.Table, fixity.Digest, error) {
					return table(many(n)...), fixity.Digest{}, nil
				}})
			acts.Fewer = fewer
			r, err := acts.Read(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		read(c.was, false)
		for range 2 {
			r := read(c.is, false)
			if believed := r.Failed == nil; believed != c.want || !believed && (r.Failed.Why != register.Emptied || r.Version.Rows != int64(c.was)) {
				t.Errorf("%d rows after %d: %v, and %d are in force", c.is, c.was, r.Failed, r.Version.Rows)
			}
		}
		if r := read(c.is, true); r.Failed != nil || r.Version.Rows != int64(c.is) {
			t.Errorf("%d rows after %d, by a person's word: %v, and %d are in force", c.is, c.was, r.Failed, r.Version.Rows)
		}
		l.Close()
	}
}
