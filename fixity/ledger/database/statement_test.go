package database_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"firmus/fixity/ledger/database"
)

// openNew makes a database of SQLite's without a table.
func openNew(t *testing.T) (d *database.DB, file string) {
	t.Helper()
	file = filepath.Join(t.TempDir(), "tables.db")
	d, err := database.Open(database.Options{Path: file, Waiting: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d, file
}

// open makes one with one table.
func open(t *testing.T) (d *database.DB, file string) {
	t.Helper()
	d, file = openNew(t)
	write(t, d, func(x *database.Tx) error {
		_, err := x.Exec(`CREATE TABLE counter (name TEXT PRIMARY KEY, value INTEGER NOT NULL)`)
		return err
	})
	return d, file
}

func write(t *testing.T, d *database.DB, fn func(*database.Tx) error) {
	t.Helper()
	if err := d.Write(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

// numbers calls each for each row of a query, with its first column and how many there are.
func numbers(t *database.Tx, query string, args []any, each func(first int64, columns int) error) error {
	return t.Rows(query, args, func(r *sql.Rows) error {
		names, err := r.Columns()
		if err != nil {
			return err
		}
		into := make([]any, len(names))
		for i := range into {
			into[i] = new(any)
		}
		var first int64
		into[0] = &first
		if err := r.Scan(into...); err != nil {
			return err
		}
		return each(first, len(names))
	})
}

// TestPlaces: each place of a statement takes its argument, also if several take one, or they
// stand in another order, and what only looks like a place is none.
func TestPlaces(t *testing.T) {
	l, _ := open(t)
	write(t, l, func(x *database.Tx) error {
		for range 2 { // prepared, and kept
			for query, want := range map[string]string{
				`SELECT $1 || $2 || $3`:                                "abc",
				`SELECT $3 || $1 || $1 || $2`:                          "caab",
				`SELECT '$1' || $2`:                                    "$1b",
				`SELECT 'it''s $1' || $2 || "$3" FROM (SELECT 1 "$3")`: "it's $1b1",
				`SELECT $2 || '"' || $1 || '"$3'`:                      `b"a"$3`,
			} {
				var got string
				if err := x.Row(query, []any{"a", "b", "c"}, &got); err != nil || got != want {
					t.Errorf("%s: %q, %v; want %q", query, got, err, want)
				}
			}
			var got string
			if err := x.Row(`SELECT $1 || $4`, []any{"a", "b", "c"}, &got); err == nil {
				t.Error("a place without an argument was filled")
			}
		}
		return nil
	})
}

// TestKeptStatements: a statement that is kept does what a new one would.
func TestKeptStatements(t *testing.T) {
	l, file := open(t)
	write(t, l, func(x *database.Tx) error {
		for i := range 3 {
			if _, err := x.Exec(`INSERT INTO counter (name, value) VALUES ($1, $2)`, fmt.Sprint("kept ", i), i); err != nil {
				return err
			}
		}
		return nil
	})
	const query = `SELECT value FROM counter WHERE name LIKE 'kept%' AND value >= $1 ORDER BY value`
	from := func(from int64) (got []int64) {
		write(t, l, func(x *database.Tx) error {
			return numbers(x, query, []any{from}, func(n int64, _ int) error { got = append(got, n); return nil })
		})
		return got
	}

	t.Run("its rows are read to their end, or not", func(t *testing.T) {
		for n, want := range []string{"[0 1 2]", "[1 2]", "[2]", "[]"} {
			if got := fmt.Sprint(from(int64(n))); got != want {
				t.Errorf("from %d: %s, want %s", n, got, want)
			}
			enough := errors.New("enough")
			err := l.Write(t.Context(), func(x *database.Tx) error {
				return numbers(x, query, []any{0}, func(int64, int) error { return enough })
			})
			if !errors.Is(err, enough) {
				t.Error(err)
			}
		}
	})
	t.Run("inside its own rows", func(t *testing.T) {
		var got []int64
		write(t, l, func(x *database.Tx) error {
			return numbers(x, query, []any{0}, func(n int64, _ int) error {
				return numbers(x, query, []any{n}, func(m int64, _ int) error { got = append(got, n*10+m); return nil })
			})
		})
		if s := fmt.Sprint(got); s != "[0 1 2 11 12 22]" {
			t.Errorf("got %s", s)
		}
	})
	t.Run("after it failed", func(t *testing.T) {
		insert := func(n int) error {
			return l.Write(t.Context(), func(x *database.Tx) error {
				_, err := x.Exec(`INSERT INTO counter (name, value) VALUES ($1, $2)`, fmt.Sprint("kept ", n), n)
				return err
			})
		}
		for range 2 {
			if insert(1) == nil {
				t.Error("a second row of one name")
			}
		}
		if err := insert(3); err != nil {
			t.Error(err)
		}
		if got := fmt.Sprint(from(0)); got != "[0 1 2 3]" {
			t.Errorf("got %s", got)
		}
	})
	t.Run("after another hand changed the schema", func(t *testing.T) {
		columns := func() (n int) {
			write(t, l, func(x *database.Tx) error {
				return numbers(x, `SELECT value, * FROM counter WHERE name = 'kept 0'`, nil, func(_ int64, c int) error { n = c; return nil })
			})
			return n
		}
		before := columns()
		other, err := sql.Open("sqlite", file)
		if err != nil {
			t.Fatal(err)
		}
		defer other.Close()
		if _, err := other.Exec(`ALTER TABLE counter ADD COLUMN other INTEGER`); err != nil {
			t.Fatal(err)
		}
		if after := columns(); after != before+1 {
			t.Errorf("%d columns, then %d", before, after)
		}
	})
	t.Run("used again it is kept once", func(t *testing.T) {
		from(0)
		n, err := l.Kept(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		from(1)
		if again, err := l.Kept(t.Context()); again != n || n == 0 || err != nil {
			t.Errorf("%d are kept, then %d, %v", n, again, err)
		}
	})
	t.Run("there are not more than its bound", func(t *testing.T) {
		for round := range 2 {
			write(t, l, func(x *database.Tx) error {
				for i := range database.MaxKept + 20 {
					if err := numbers(x, fmt.Sprintf(`SELECT value + %d FROM counter WHERE name = 'kept 2'`, i), nil, func(n int64, _ int) error {
						if n != int64(i)+2 {
							t.Errorf("round %d: %d and 2 is %d", round, i, n)
						}
						return nil
					}); err != nil {
						return err
					}
				}
				return nil
			})
		}
		if n, err := l.Kept(t.Context()); n != database.MaxKept || err != nil {
			t.Errorf("%d are kept, %v", n, err)
		}
	})
}

// TestSoonIsForOnce: what may be taken back by a power cut is that transaction
// alone; the next one lasts, whatever became of the first.
func TestSoonIsForOnce(t *testing.T) {
	failed := errors.New("failed")
	for name, fn := range map[string]func(stop func()) error{
		"it is committed": func(func()) error { return nil },
		"it fails":        func(func()) error { return failed },
		"it is stopped":   func(stop func()) error { stop(); return nil },
	} {
		t.Run(name, func(t *testing.T) {
			l, _ := open(t)
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			inside := 0
			err := l.WriteSoon(ctx, func(*database.Tx) error { inside++; return fn(stop) })
			if want := name == "it is committed"; (err == nil) != want || inside != 1 {
				t.Errorf("got %v", err)
			}
			if n, err := l.Waits(t.Context()); n != 2 || err != nil {
				t.Errorf("then a commit waits %d, %v", n, err)
			}
		})
	}
}

// What is beyond the times that a column can tell is its first or its last, never another one.
func TestATimeBeyondAllOthers(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 11, 25, 12, 0, 0, 5, time.UTC)
	if database.Nanos(time.Time{}) != 0 || !database.Time(database.Nanos(now)).Equal(now) {
		t.Error("a time isn't kept")
	}
	if early, late := database.Nanos(time.Date(1600, 1, 1, 0, 0, 0, 0, time.UTC)), database.Nanos(time.Date(2999, 12, 31, 0, 0, 0, 0, time.UTC)); early > -1<<62 || late < 1<<62 {
		t.Errorf("1600 is %d, 2999 is %d", early, late)
	}
}
