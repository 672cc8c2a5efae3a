package ledger

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger/database"
	"firmus/fixity/ledger/private"
)

// Moved is what a move gave.
type Moved struct {
	To     string // where it is now, without a password
	Events int64  // of its record, the one that says that it was moved included
	Rows   int64  // that were copied; 0 if an earlier move was only brought to its end
	Aside  string // what lay there before: a ledger that was moved away once
}

// ErrMoved: the ledger was moved elsewhere, or one is being moved there. It matches
// fixity.ErrRefused.
var ErrMoved = fmt.Errorf("it isn't in use: %w", fixity.ErrRefused)

// Marks in the table counter.
const (
	movedAway = "moved away"       // with the time: the record ends with where to
	movedHere = "being moved here" // until the other one was told
)

// beingMoved is what the name of a file ends in until it is the ledger.
const beingMoved = ".moving"

// Move moves the ledger to another place: a file, or PostgreSQL. Nobody else may have it open.
// The record goes on there: it is copied whole with an event that says where it was moved, and
// each leaf, reading and statement is compared; then everything there is held against it, and
// counted again. Only then the old ledger is told, and refuses to be written from there on. After
// a kill the same order begins anew, or brings the move to its end.
//
// The error wraps fixity.ErrRefused if a ledger is there already, but for one that was moved away
// and that this one goes on from: it is taken over, or set aside if it is a file.
func Move(ctx context.Context, from, to Options, now time.Time) (m Moved, err error) {
	from.moves, to.moves = true, true
	if m.To, err = placeName(to); err != nil {
		return m, err
	}
	at := to
	if to.URL == "" {
		if m.Aside, err = mayReplace(ctx, to, now); err != nil {
			return m, err
		}
		at.Path += beingMoved
	}
	l, err := Open(ctx, from)
	if err != nil {
		return m, err
	}
	defer l.Close()
	db, err := database.Open(at.place())
	if err != nil {
		return m, err
	}
	defer func() {
		if db != nil {
			db.Close()
		}
	}()
	if err := db.Migrate(ctx, Migrations(), at.State, at.By, now); err != nil {
		return m, fmt.Errorf("ledger %s: %w", db.Where(), db.Translate(err))
	}
	there := &Ledger{o: at, db: db, origin: l.origin, schema: l.schema}
	if err := l.copyTo(ctx, there, now, &m); err != nil {
		return m, err
	}
	// The old one has been told: this one is the ledger.
	if err := db.Write(ctx, func(q *database.Tx) error {
		_, err := q.Exec(`DELETE FROM counter WHERE name = $1`, movedHere)
		return err
	}); err != nil {
		return m, err
	}
	if to.URL != "" {
		return m, nil
	}
	err = db.Prune(ctx) // closes it
	db = nil
	if err == nil && m.Aside != "" {
		err = os.Rename(to.Path, m.Aside)
		for _, s := range []string{"-wal", "-shm"} {
			if rest := os.Rename(to.Path+s, m.Aside+s); rest != nil && !errors.Is(rest, os.ErrNotExist) {
				err = errors.Join(err, rest)
			}
		}
		// It lasts before the other has its name: what lies at …-wal is taken for its own.
		err = errors.Join(err, private.Flush(filepath.Dir(to.Path)))
	}
	if err == nil {
		err = os.Rename(at.Path, to.Path)
	}
	if err == nil {
		err = private.Flush(filepath.Dir(to.Path))
	}
	if err != nil {
		return m, fmt.Errorf("put the ledger in its place: %w", err)
	}
	return m, nil
}

// placeName is a place without a password.
func placeName(o Options) (string, error) {
	if o.URL == "" {
		return o.Path, nil
	}
	u, err := url.Parse(o.URL)
	if err != nil || u.Scheme != "postgres" && u.Scheme != "postgresql" {
		return "", fmt.Errorf("a ledger is moved to postgres://USER@HOST/DATABASE: %w", fixity.ErrRefused)
	}
	u.User = url.User(u.User.Username())
	return u.String(), nil
}

// mayReplace says where to put what lies in a file's place: nothing may, but a ledger that was
// moved away. "": nothing lies there.
func mayReplace(ctx context.Context, to Options, now time.Time) (aside string, err error) {
	if database.Fresh(to.place()) {
		return "", nil
	}
	to.MustExist = true
	l, err := Open(ctx, to)
	if err != nil {
		return "", err
	}
	defer l.Close()
	away, _, err := l.marks(ctx)
	if err != nil {
		return "", err
	}
	if !away {
		return "", fmt.Errorf("a ledger lies in %s already, and is in use: %w", to.Path, fixity.ErrRefused)
	}
	return filepath.Join(filepath.Dir(to.Path), "ledger-moved-"+now.UTC().Format("20060102-150405")+".db"), nil
}

// marks says whether the ledger was moved away, or is being moved here.
func (l *Ledger) marks(ctx context.Context) (away, here bool, err error) {
	var a, h int64
	err = l.db.Ask(ctx, `SELECT count(CASE WHEN name = $1 THEN 1 END), count(CASE WHEN name = $2 THEN 1 END) FROM counter WHERE name IN ($1, $2)`, []any{movedAway, movedHere}, &a, &h)
	return a > 0, h > 0, err
}

// inUse refuses a ledger that was moved.
func (l *Ledger) inUse(ctx context.Context) error {
	away, here, err := l.marks(ctx)
	switch {
	case err != nil:
		return err
	case here:
		return fmt.Errorf("it is being moved here, and the move wasn't brought to its end: give the order \"ledger move\" again: %w", ErrMoved)
	case away:
		to := "elsewhere"
		err := l.View(ctx, func(t *Tx) error {
			e, err := t.Log.Last(fixity.LedgerMoved, "")
			told := e.Told()
			if place, _ := told["to"].(string); place != "" {
				to = place
				if on, _ := told["on"].(string); on != "" {
					to += " on the computer " + on
				}
			}
			return err
		})
		if err != nil {
			return err
		}
		return fmt.Errorf("it was moved to %s. Name that in the configuration ([ledger] url, or none for the file in the state folder); to go on with this one, move that one back: %w", to, ErrMoved)
	}
	return nil
}

// copyTo copies the ledger, compares the copy, and tells this one. It is one transaction of
// this one, which writes last: until then nothing here has changed.
func (l *Ledger) copyTo(ctx context.Context, there *Ledger, now time.Time, m *Moved) error {
	away, _, err := l.marks(ctx)
	if err != nil {
		return err
	}
	left, here, err := there.marks(ctx)
	if err != nil {
		return err
	}
	var begun int64
	if err := there.db.Ask(ctx, `SELECT count(*) FROM log_head`, nil, &begun); err != nil {
		return err
	}
	if away {
		// Only the last step may be lacking.
		if begun == 0 {
			return fmt.Errorf("the ledger was moved already, and not to %s: %w", m.To, ErrMoved)
		}
		return l.View(ctx, func(t *Tx) error { return t.sameRecord(ctx, there, m) })
	}
	if begun > 0 && !here {
		goesOn := false
		if left {
			if goesOn, err = l.goesOnThere(ctx, there); err != nil {
				return err
			}
		}
		if !goesOn {
			return fmt.Errorf("a ledger is at %s already: %w", m.To, fixity.ErrRefused)
		}
	}
	return l.db.Write(ctx, func(q *database.Tx) error {
		t := l.begin(q, now)
		said := map[string]any{"to": m.To}
		if there.o.URL == "" && there.o.Host != "" {
			said["on"] = there.o.Host // the path alone says nothing to the other hosts
		}
		t.Event(Event{Verb: fixity.LedgerMoved, By: l.o.By, Data: said})
		if _, err := t.record.End(); err != nil {
			return err
		}
		if err := there.db.Write(ctx, func(into *database.Tx) error {
			if err := there.db.Accept(into); err != nil {
				return err
			}
			if m.Rows, err = l.db.Copy(q, there.db, into); err != nil {
				return err
			}
			// Backups were made where it was: the next audit or intake makes one as this place has it.
			if _, err := into.Exec(`DELETE FROM backup`); err != nil {
				return err
			}
			_, err := into.Exec(`INSERT INTO counter (name, value) VALUES ($1, $2)`, movedHere, nanos(now))
			return err
		}); err != nil {
			return err
		}
		if err := t.sameRecord(ctx, there, m); err != nil {
			return err
		}
		if _, err := there.Verify(ctx); err != nil {
			return fmt.Errorf("the copy at %s: %w", m.To, err)
		}
		if err := there.CheckCounts(ctx); err != nil {
			return fmt.Errorf("the copy at %s: %w", m.To, err)
		}
		if _, err := q.Exec(`INSERT INTO counter (name, value) VALUES ($1, $2)`, movedAway, nanos(now)); err != nil {
			return err
		}
		return l.db.Refuse(q, "counter", "this ledger was moved to "+m.To)
	})
}

// goesOnThere says that the record goes on where that of a ledger ends that was moved away: each
// of its leaves is one of this one's, in the same place. Then nothing of it is lost if this one
// takes its place.
func (l *Ledger) goesOnThere(ctx context.Context, there *Ledger) (yes bool, err error) {
	const query = `SELECT seq, leaf FROM event WHERE seq > $1 ORDER BY seq LIMIT 500`
	type one struct {
		seq  int64
		leaf []byte
	}
	scan := func(r row) (o one, err error) { err = r.Scan(&o.seq, &o.leaf); return o, err }
	err = l.View(ctx, func(t *Tx) error {
		return there.View(ctx, func(old *Tx) error {
			for after := int64(-1 << 62); ; {
				theirs, err := list(old, query, []any{after}, scan)
				if err != nil {
					return err
				}
				ours, err := list(t, query, []any{after}, scan)
				if err != nil || len(ours) < len(theirs) {
					return err
				}
				for i, x := range theirs {
					if x.seq != ours[i].seq || !bytes.Equal(x.leaf, ours[i].leaf) {
						return nil
					}
					after = x.seq
				}
				if yes = len(theirs) == 0; yes {
					return nil
				}
			}
		})
	})
	return yes, err
}

// sameRecord compares the record with that of a copy: every leaf, reading and statement.
func (t *Tx) sameRecord(ctx context.Context, there *Ledger, m *Moved) error {
	return there.View(ctx, func(c *Tx) error {
		for _, x := range []struct{ what, query string }{
			{"event", `SELECT seq, leaf FROM event WHERE seq > $1 ORDER BY seq LIMIT 500`},
			{"reading", `SELECT id, lines FROM reading WHERE id > $1 ORDER BY id LIMIT 500`},
			{"statement", `SELECT id, lines FROM stated WHERE id > $1 ORDER BY id LIMIT 500`},
		} {
			type one struct {
				id   int64
				text []byte
			}
			scan := func(r row) (o one, err error) { err = r.Scan(&o.id, &o.text); return o, err }
			for after, n := int64(-1<<62), int64(0); ; {
				a, err := list(t, x.query, []any{after}, scan)
				if err != nil {
					return err
				}
				b, err := list(c, x.query, []any{after}, scan)
				if err != nil {
					return err
				}
				if len(a) != len(b) {
					return fmt.Errorf("the copy at %s has another number of %ss", m.To, x.what)
				}
				for i := range a {
					if a[i].id != b[i].id || !bytes.Equal(a[i].text, b[i].text) {
						return fmt.Errorf("%s %d of the copy at %s differs", x.what, a[i].id, m.To)
					}
					after = a[i].id
				}
				if n += int64(len(a)); len(a) == 0 {
					if x.what == "event" {
						m.Events = n
					}
					break
				}
			}
		}
		return nil
	})
}
