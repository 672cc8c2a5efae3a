package ledger_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// shardsOf begins an audit and gives its shards in a phase, which is reached first.
func (w *world) shardsOf(store string, p fixity.Phase) (ledger.Audit, []fixity.Job) {
	w.Helper()
	a := w.audit(store, order{full: true, stopAt: p})
	jobs, err := w.record().Open(w.Context(), a.ID, p)
	if err != nil || len(jobs) == 0 {
		w.Fatalf("no shards in phase %s: %v", p, err)
	}
	return a, jobs
}

func (w *world) claim(j fixity.Job) fixity.Shard {
	w.Helper()
	s, err := w.record().Claim(w.Context(), j)
	if err != nil {
		w.Fatal(err)
	}
	return s
}

// everything is all rows of the tables that a lost claim must leave alone.
func (w *world) everything() string {
	w.Helper()
	db := w.d.raw()
	defer db.Close()
	out := ""
	for _, q := range []string{
		`SELECT CAST(state AS TEXT) || read_at || due_at || read_audit || size FROM instance ORDER BY store, set_name, at`,
		`SELECT phase || attempt || listed || read || complete || trouble FROM shard ORDER BY id`,
		`SELECT CAST(count(*) AS TEXT) FROM difference`, `SELECT CAST(count(*) AS TEXT) FROM stray`,
		`SELECT CAST(count(*) AS TEXT) FROM event`, `SELECT CAST(count(*) AS TEXT) FROM reading`, `SELECT CAST(value AS TEXT) FROM counter ORDER BY name`,
	} {
		out += fmt.Sprintln(column(w.T, db, q))
	}
	return out
}

func TestTheSlowerHolderOfAShardWritesNothing(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.rot("vault", masters, side, "onE")
		w.put("vault", masters, "QV-0107/new.wav", "new")
		_, jobs := w.shardsOf("vault", fixity.PhaseList)
		job := jobs[len(jobs)-1]
		slow, fast := w.claim(job), w.claim(job)
		if err := w.record().CommitListing(w.Context(), fixity.Listed{Shard: fast, Cursor: fast.Cursor}); err != nil {
			w.Fatal(err)
		}
		before := w.everything()
		err := w.record().CommitListing(w.Context(), fixity.Listed{Shard: slow, Done: true, Files: 9, Gone: []fixity.Known{{Path: side, File: f.ID}},
			Strays: []fixity.Entry{{Path: "QV-0107/other.wav", Size: 4}}, Changed: []fixity.Entry{{Path: side}}})
		if !errors.Is(err, fixity.ErrLost) {
			w.Errorf("the slower one lists: %v", err)
		}
		if after := w.everything(); after != before {
			w.Errorf("the loser wrote:\n%s\nbefore:\n%s", after, before)
		}
		// The faster one writes each part once, and goes on.
		if err := w.record().CommitListing(w.Context(), fixity.Listed{Shard: fast, Cursor: "QV-0107/a"}); !errors.Is(err, fixity.ErrLost) {
			w.Errorf("the same part twice: %v", err)
		}
		fast.Attempt++
		if err := w.record().CommitListing(w.Context(), fixity.Listed{Shard: fast, Cursor: "QV-0107/a"}); err != nil {
			w.Errorf("the next part: %v", err)
		}
	})
}

func TestTheSlowerReaderWritesNothing(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.rot("vault", masters, side, "onE")
		_, jobs := w.shardsOf("vault", fixity.PhaseRead)
		for _, j := range jobs {
			slow, fast := w.claim(j), w.claim(j)
			due, err := w.record().Due(w.Context(), slow, 10)
			if err != nil {
				w.Fatal(err)
			}
			if len(due) == 0 {
				continue
			}
			x, _ := w.reading(slow, due[0])
			w.quiet(f, "vault")
			if err := w.record().CommitReadings(w.Context(), fixity.Readings{Shard: fast, Cursor: side, Results: []fixity.Result{x}, End: true, Done: true}); err != nil {
				w.Fatal(err)
			}
			w.found(f, "vault", fixity.Altered, fixity.AtRisk)
			before := w.everything()
			for who, s := range map[string]fixity.Shard{"the slower one": slow, "the same readings twice": fast} {
				if err := w.record().CommitReadings(w.Context(), fixity.Readings{Shard: s, Cursor: side, Results: []fixity.Result{x}, End: true, Done: true}); !errors.Is(err, fixity.ErrLost) {
					w.Errorf("%s: %v", who, err)
				}
			}
			if after := w.everything(); after != before {
				w.Errorf("the loser wrote:\n%s\nbefore:\n%s", after, before)
			}
			return
		}
		w.Fatal("nothing was due")
	})
}

func TestEndingAPhaseTwiceIsHarmless(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.remove("vault", masters, side)
		a := w.audit("vault", order{})
		before, verbs := w.everything(), fmt.Sprint(w.verbs())
		for _, p := range []fixity.Phase{fixity.PhaseList, fixity.PhaseProve, fixity.PhaseRead} {
			if err := w.record().Advance(w.Context(), a.ID, p); err != nil {
				w.Errorf("%s: %v", p, err)
			}
		}
		if after := w.everything(); after != before || fmt.Sprint(w.verbs()) != verbs {
			w.Errorf("a second end wrote:\n%s\nbefore:\n%s", after, before)
		}
		w.found(f, "vault", fixity.Missing, fixity.AtRisk)
	})
}

// eventsOver are, for each reading's row, the event that accounts for it.
func (w *world) unaccounted() (n int64) {
	w.Helper()
	db := w.d.raw()
	defer db.Close()
	if err := db.QueryRow(`SELECT count(*) FROM reading WHERE event = -1`).Scan(&n); err != nil {
		w.Fatal(err)
	}
	return n
}

func TestReadingsOfAKilledSliceAreAccountedForOnce(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		full  bool
		taken bool
	}{
		{"taken up", true, true},
		{"cut off", false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			inWorld(t, func(w *world) {
				f := w.take(masters, side, "one", true, "studio", "vault")
				w.take(masters, "QV-0108/a.wav", "two", true, "studio", "vault")
				a, jobs := w.shardsOf("vault", fixity.PhaseRead)
				read := 0
				for _, j := range jobs {
					s := w.claim(j)
					due, err := w.record().Due(w.Context(), s, 10)
					if err != nil {
						w.Fatal(err)
					}
					if len(due) == 0 || read > 0 {
						continue
					}
					x, _ := w.reading(s, due[0])
					// Committed, and then the process is killed: no end, no event.
					if err := w.record().CommitReadings(w.Context(), fixity.Readings{Shard: s, Cursor: due[0].Path, Results: []fixity.Result{x}}); err != nil {
						w.Fatal(err)
					}
					read++
				}
				if read != 1 || w.unaccounted() != 1 {
					w.Fatalf("%d readings, %d unaccounted for", read, w.unaccounted())
				}
				audited := w.verbs()[fixity.Audited]
				w.pass(time.Hour)
				b := w.audit("vault", order{full: c.full})
				if (b.ID == a.ID) != c.taken {
					w.Errorf("audit %d after audit %d", b.ID, a.ID)
				}
				if n := w.unaccounted(); n != 0 {
					w.Errorf("%d readings are unaccounted for", n)
				}
				// One event for the killed slice, and one for each shard read since.
				events := int64(w.verbs()[fixity.Audited] - audited)
				v := sound(w.T, w.l)
				want := map[bool][2]int64{true: {2, 2}, false: {1, 1}}[c.taken]
				if events != want[0] || v.Readings != want[1] {
					w.Errorf("%d events and %d readings, want %v", events, v.Readings, want)
				}
				_ = f
			})
		})
	}
}

func TestAFullAuditIsTakenUpOnlyWithinADayAndInItsScope(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		next order
		pass time.Duration
		want bool
	}{
		{"at once", order{full: true}, 0, true},
		{"an hour later", order{full: true}, time.Hour, true},
		{"the clock went back", order{full: true}, -time.Hour, true},
		{"a day later", order{full: true}, 24 * time.Hour, false},
		{"another set", order{full: true, set: access}, time.Hour, false},
		{"another folder", order{full: true, under: "QV-0107"}, time.Hour, false},
		{"not full", order{}, time.Hour, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			inWorld(t, func(w *world) {
				w.take(masters, side, "one", true, "studio", "vault")
				a := w.audit("vault", order{full: true, stopAt: fixity.PhaseRead})
				w.pass(c.pass)
				b := w.audit("vault", c.next)
				if got := a.ID == b.ID; got != c.want {
					w.Errorf("taken up: %v, want %v", got, c.want)
				}
				var old ledger.Audit
				w.view(func(x *ledger.Tx) (err error) { old, err = x.Audits.Get(a.ID); return err })
				if !c.want && old.Phase != fixity.PhaseCutOff {
					w.Errorf("the older audit is in phase %s", old.Phase)
				}
				// One that has ended is never taken up.
				if last := w.audit("vault", c.next); last.ID == b.ID {
					w.Error("an audit that ended was taken up")
				}
			})
		})
	}
}

func TestAClaimOfNothing(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		a, jobs := w.shardsOf("vault", fixity.PhaseList)
		for _, j := range []fixity.Job{{Audit: a.ID, Shard: 999}, {Audit: 999, Shard: jobs[0].Shard}, {}} {
			if _, err := w.record().Claim(w.Context(), j); !errors.Is(err, fixity.ErrNotFound) {
				w.Errorf("%+v: %v", j, err)
			}
		}
	})
}
