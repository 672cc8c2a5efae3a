package ledger_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// What is asked of the database by a copy's state is what care says of that state.
func TestQueriesByStateSayWhatCareSays(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		var files []ledger.File
		for i := range 4 {
			files = append(files, w.take(masters, fmt.Sprintf("QV-0107/%d.wav", i), fmt.Sprint(i), true, "studio", "vault"))
		}
		for _, s := range care.States {
			// One as it should be in that state; one that holds another version; one that is
			// the same file as another store's; one that nobody has seen.
			want := map[string]int64{}
			w.tx(func(x *ledger.Tx) error {
				for i, f := range files {
					copies, err := x.Copies.Of(f.ID)
					if err != nil {
						return err
					}
					was := copies[slices.IndexFunc(copies, func(c ledger.Copy) bool { return c.Store == "vault" })]
					c := was
					c.State, c.Held, c.Size, c.SameAs = s, 1, 100, ""
					switch i {
					case 1:
						c.Held = 2
					case 2:
						c.SameAs = "studio"
					case 3:
						c.Held, c.Size = 0, -1
					}
					if err := x.Copies.Put(was, c); err != nil {
						return err
					}
					if w.l.Rules().Counts(c, f.Version) {
						want["counts"]++
					}
					if w.l.Rules().IsOf(c, f.Version) && care.HoldsVersion(s) {
						want["has bytes"]++
					}
					if c.Held > 0 && care.ReadInTurn(s) {
						want["is read in its turn"]++
					}
				}
				return nil
			})
			got := map[string]int64{}
			w.view(func(x *ledger.Tx) error {
				elsewhere, _, err := x.Copies.SaveFirst("studio", 10)
				if err != nil {
					return err
				}
				cover, err := x.Copies.Coverage("vault", w.clock)
				if err != nil {
					return err
				}
				counts, err := x.Copies.CountsByNumber()
				for _, e := range elsewhere {
					if e.Others > 0 {
						got["counts"]++
					}
				}
				for _, c := range counts {
					if c.Copies > 1 { // the studio has all of them
						got["has bytes"] += c.Files
					}
				}
				got["is read in its turn"] = cover.Files
				return err
			})
			for _, q := range []string{"counts", "has bytes", "is read in its turn"} {
				if got[q] != want[q] {
					t.Errorf("%s: %d copies %s; care says %d", s, got[q], q, want[q])
				}
			}
		}
	})
}

// An audit reads the copies that care.Turn has, and no shard is open for others.
func TestAnAuditReadsWhatItsTurnHas(t *testing.T) {
	const promise = 30 * day
	for _, c := range []struct {
		name    string
		promise time.Duration
		order   order
	}{
		{"plain", promise, order{}}, {"no promise", 0, order{}}, {"full", promise, order{full: true}}, {"follow-up", promise, order{kind: ledger.FollowUp}},
	} {
		t.Run(c.name, func(t *testing.T) {
			onEach(t, func(t *testing.T, d database) {
				w := newWorld(t, d, func(o *ledger.Options) {
					o.Rules.Stores = slices.Clone(o.Rules.Stores)
					o.Rules.Stores[1].ReadWithin = c.promise
				})
				turn := care.TurnOf(c.order.full, c.order.kind == ledger.FollowUp, c.promise, w.clock)
				dues := []time.Time{care.AtOnce, care.Now, w.clock.Add(-1), w.clock, w.clock.Add(1), w.clock.Add(promise - 1), w.clock.Add(promise), w.clock.Add(promise + 1),
					care.Never.Add(-1), care.Never}
				var want, got []string
				for i, due := range dues {
					f := w.take(masters, fmt.Sprintf("QV-%04d/a.wav", 100+i), fmt.Sprint(i), true, "vault")
					was := w.copyOf(f, "vault")
					now := was
					now.Due = due
					w.tx(func(x *ledger.Tx) error { return x.Copies.Put(was, now) })
					if turn.Has(due) {
						want = append(want, f.Path)
					}
				}
				c.order.stopAt = fixity.PhaseRead
				a := w.audit("vault", c.order)
				jobs, err := w.record().Open(t.Context(), a.ID, fixity.PhaseRead)
				for _, j := range jobs {
					var page []fixity.Due
					if page, err = w.record().Due(t.Context(), w.claim(j), 10); err != nil {
						break
					}
					for _, x := range page {
						got = append(got, x.Path)
					}
				}
				if err != nil {
					t.Fatal(err)
				}
				if slices.Sort(got); !slices.Equal(got, want) {
					t.Errorf("%q are read; care says %q", got, want)
				}
				if !c.order.full && len(jobs) != len(want) {
					t.Errorf("%d shards are open, want %d", len(jobs), len(want))
				}
			})
		})
	}
}
