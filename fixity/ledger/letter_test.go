package ledger_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Of two that move the cursor from one place, the second loses and writes nothing.
func TestLetterCursor(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		l := d.open()
		var zero ledger.LetterCursor
		view(t, l, func(x *ledger.Tx) (err error) {
			zero, err = x.Post.Cursor()
			return err
		})
		if zero != (ledger.LetterCursor{}) {
			t.Fatalf("at first: %+v", zero)
		}
		for _, c := range []ledger.LetterCursor{{Seq: 7, Begun: begun}, {Seq: 9, Begun: begun, Weekly: begun.Add(day)}} {
			var from ledger.LetterCursor
			view(t, l, func(x *ledger.Tx) (err error) {
				from, err = x.Post.Cursor()
				return err
			})
			tx(t, l, begun, func(x *ledger.Tx) error { return x.Post.MoveCursor(from, c) })
			err := l.Tx(t.Context(), begun, func(x *ledger.Tx) error {
				if err := x.Post.Put(ledger.Letter{ID: 99, Kind: ledger.LetterFirst, Made: begun}, []string{"a@quillmere.example"}); err != nil {
					return err
				}
				return x.Post.MoveCursor(from, ledger.LetterCursor{Seq: 100})
			})
			if !errors.Is(err, fixity.ErrLost) {
				t.Errorf("the second from %+v: %v", from, err)
			}
			view(t, l, func(x *ledger.Tx) error {
				got, err := x.Post.Cursor()
				c.Fills = from.Fills + 1
				if diff := cmp.Diff(c, got); diff != "" {
					t.Errorf("cursor (-want +got):\n%s", diff)
				}
				ds, err2 := x.Post.Deliveries(0)
				if len(ds) != 0 {
					t.Errorf("the loser wrote %+v", ds)
				}
				return errors.Join(err, err2)
			})
		}
	})
}

func TestDeliveries(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		l := d.open()
		letter := func(id int64, thread string, refs ...string) ledger.Letter {
			return ledger.Letter{ID: id, Kind: ledger.LetterFirst, Thread: thread, Subject: "s", MessageID: fmt.Sprintf("m%d@x", id), Refs: refs, Text: "t\n", HTML: "<p>", Calendar: "c", Made: begun}
		}
		tx(t, l, begun, func(x *ledger.Tx) error {
			return errors.Join(x.Post.Put(letter(1, "a"), []string{"p@x", "q@x", "p@x"}), x.Post.Put(letter(2, "b"), []string{"p@x"}), x.Post.Put(letter(3, "a", "m1@x"), []string{"p@x"}))
		})
		due := func(at time.Time) (out []string) {
			view(t, l, func(x *ledger.Tx) error {
				ds, err := x.Post.DueDeliveries(at, 10)
				for _, d := range ds {
					out = append(out, fmt.Sprintf("%d %s", d.Letter.ID, d.Address))
				}
				return err
			})
			return out
		}
		check := func(what string, at time.Time, want ...string) {
			t.Helper()
			if got := due(at); !slices.Equal(got, want) {
				t.Errorf("%s: due %q, want %q", what, got, want)
			}
		}
		check("at first", begun, "1 p@x", "1 q@x", "2 p@x", "3 p@x")
		view(t, l, func(x *ledger.Tx) error {
			ds, err := x.Post.Deliveries(3)
			if len(ds) != 1 || cmp.Diff(ds[0].Letter, letter(3, "a", "m1@x")) != "" || ds[0].Address != "p@x" || !ds[0].Due.Equal(begun) {
				t.Errorf("read back: %+v", ds)
			}
			ids, err2 := x.Post.ThreadIDs("a")
			if !slices.Equal(ids, []string{"m1@x", "m3@x"}) {
				t.Errorf("thread %q", ids)
			}
			return errors.Join(err, err2)
		})
		tx(t, l, begun.Add(time.Second), func(x *ledger.Tx) error {
			return errors.Join(x.Post.Delivered(1, "p@x"), x.Post.Deferred(1, "q@x", begun.Add(time.Hour), "come again"), x.Post.Refused(2, "p@x", "nobody"), x.Post.Deferred(3, "p@x", begun.Add(300*day), "by a wrong clock"))
		})
		// What lies too far ahead was dated by a clock that was wrong.
		check("after a try", begun, "3 p@x")
		check("an hour later", begun.Add(time.Hour), "1 q@x", "3 p@x")
		view(t, l, func(x *ledger.Tx) error {
			c, err := x.Post.Counts()
			want := ledger.LetterCounts{Waiting: 2, Failed: 1, Oldest: begun, LastSent: begun.Add(time.Second), Trouble: "by a wrong clock"}
			if diff := cmp.Diff(want, c); diff != "" {
				t.Errorf("counts (-want +got):\n%s", diff)
			}
			un, err2 := x.Post.UndeliveredSince(begun)
			if len(un) != 3 {
				t.Errorf("undelivered %+v", un)
			}
			later, err3 := x.Post.UndeliveredSince(begun.Add(day))
			if len(later) != 2 {
				t.Errorf("undelivered since later %+v", later)
			}
			return errors.Join(err, err2, err3)
		})
		tx(t, l, begun.Add(2*time.Hour), func(x *ledger.Tx) error {
			n, err := x.Post.TryAgain()
			if n != 3 {
				t.Errorf("tried again: %d", n)
			}
			return err
		})
		check("tried again", begun.Add(2*time.Hour), "1 q@x", "2 p@x", "3 p@x")
	})
}

func TestTold(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		l := d.open()
		a := ledger.Told{Finding: 7, Thread: "finding-7", Kind: fixity.Kind(fixity.Altered), Urgency: fixity.AtRisk, First: begun, Readings: []string{"attic", "vault"}}
		b := ledger.Told{Finding: 9, Thread: "finding-7", Kind: fixity.Away, Urgency: fixity.NoneIntact, First: begun, Readings: []string{}}
		tx(t, l, begun, func(x *ledger.Tx) error { return errors.Join(x.Post.PutTold(b), x.Post.PutTold(a)) })
		a.Urgency, a.Deputy = fixity.NoneIntact, begun.Add(day)
		tx(t, l, begun, func(x *ledger.Tx) error { return x.Post.PutTold(a) })
		view(t, l, func(x *ledger.Tx) error {
			got, err := x.Post.Told()
			if diff := cmp.Diff([]ledger.Told{a, b}, got); diff != "" {
				t.Errorf("told (-want +got):\n%s", diff)
			}
			return err
		})
		a.Ended = begun.Add(day)
		tx(t, l, begun, func(x *ledger.Tx) error { return x.Post.PutTold(a) })
		view(t, l, func(x *ledger.Tx) error {
			got, err := x.Post.Told()
			if len(got) != 1 || got[0].Finding != 9 {
				t.Errorf("told after one ended: %+v", got)
			}
			return err
		})
	})
}

// What a week's letter is written from: readings, listings, findings that ended, what
// was taken in.
func TestWeeks(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		w.take("masters", "QV-0107/QV-0107_A.wav", "old", true, "studio", "vault", "attic")
		w.pass(10 * day)
		since := w.clock
		f := w.take("masters", "QV-0108/QV-0108_A.wav", "new", true, "studio")
		w.rot("studio", "masters", "QV-0107/QV-0107_A.wav", "rot")
		w.audit("studio", order{full: true})
		w.view(func(x *ledger.Tx) error {
			weeks, err := x.Post.Weeks(since)
			if err != nil {
				return err
			}
			by := map[string]ledger.StoreWeek{}
			for _, s := range weeks {
				by[s.Store] = s
			}
			if s := by["studio"]; s.Files != 2 || s.Read != 2 || s.NeverRead != 0 || len(s.Listings) != 1 || s.Listed.Before(since) || !s.Adopted {
				t.Errorf("studio: %+v", s)
			}
			if s := by["vault"]; s.Files != 1 || s.Read != 0 || len(s.Listings) != 0 || !s.Oldest.Before(since) {
				t.Errorf("vault: %+v", s)
			}
			items, copies, err := x.Post.TakenSince(since)
			if err != nil {
				return err
			}
			if len(items) != 1 || items[0] != (ledger.Taken{Item: f.Item, Files: 1}) || len(copies) != 3 {
				t.Errorf("taken: %+v, %+v", items, copies)
			}
			urgent, err := x.Findings.Urgent()
			if len(urgent) != 1 || urgent[0].Store != "studio" {
				t.Errorf("urgent: %+v", urgent)
			}
			return err
		})
		w.put("studio", "masters", "QV-0107/QV-0107_A.wav", "old")
		w.pass(day)
		w.audit("studio", order{full: true})
		w.view(func(x *ledger.Tx) error {
			ended, err := x.Findings.SettledSince(since)
			if len(ended) != 1 || ended[0].Settled != fixity.IntactAgain {
				t.Errorf("ended: %+v", ended)
			}
			later, err2 := x.Findings.SettledSince(w.clock.Add(time.Second))
			if len(later) != 0 {
				t.Errorf("ended later: %+v", later)
			}
			n, root, err3 := x.Post.Mark()
			events, err4 := x.Log.Count()
			if n != events || len(root) != 17 || root[8] != '-' {
				t.Errorf("mark %d %q, of %d events", n, root, events)
			}
			return errors.Join(err, err2, err3, err4)
		})
	})
}
