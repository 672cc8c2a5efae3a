package acts_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

// What a person leaves in peace while an intake reads it is not taken in.
func TestWhatIsLeftInPeaceMeanwhileIsNotTakenIn(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("masters/" + master)
		const fresh = "QV-0200/QV-0200_A.wav"
		w.put("masters/"+fresh, wave("new"), "studio")
		w.now = w.now.Add(24 * time.Hour)
		said := false
		w.app.Acts.Progress.File = func(_ fixity.Shard, path string, _ int64) {
			if path == fresh && !said {
				said = true
				w.must(w.app.Ledger.Tx(w.Context(), w.now, func(t *ledger.Tx) error { return t.Strays.LeaveInPeace("studio", "masters", fresh) }))
			}
		}
		before := w.events()
		res, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{})
		if err != nil || !said || res.Taken != 0 || len(res.Notes) != 0 {
			t.Errorf("said %v: %+v, %v", said, res, err)
		}
		w.must(w.app.Ledger.View(w.Context(), func(tx *ledger.Tx) error {
			if _, err := tx.Files.At("masters", fresh); !errors.Is(err, fixity.ErrNotFound) {
				t.Errorf("it is under care: %v", err)
			}
			return nil
		}))
		for _, e := range w.events()[len(before):] {
			if e.Verb == fixity.TakenIn {
				t.Errorf("the record tells of an intake of nothing: %+v", e)
			}
		}
	})
}

// A copy that is found damaged while its source is looked at keeps the source.
func TestASourceIsKeptWhenACopyIsFoundDamagedMeanwhile(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("masters/" + master)
		stick := w.at("stick")
		w.must(os.MkdirAll(stick, 0o755))
		w.must(os.WriteFile(w.at("stick/REC0001.WAV"), wave("on the stick"), 0o644))
		from, err := app.Folder(stick, fixity.Bypassed)
		w.must(err)
		if _, err := w.app.Receiving.Receive(w.Context(), receiving.ReceiveOrder{Source: from, Name: stick, Into: "masters/QV-0300"}); err != nil {
			t.Fatal(err)
		}
		w.must(os.RemoveAll(stick)) // it isn't there: what was received is all that is known
		w.put("masters/QV-0300/REC0001.WAV", wave("on the stick"), "vault")
		w.now = w.now.Add(24 * time.Hour)
		apart, rotten := w.app.Acts.Apart, false
		w.app.Acts.Apart = func(ctx context.Context, dir string) error {
			if dir == stick && !rotten {
				rotten = true
				w.put("masters/QV-0300/REC0001.WAV", append(wave("on the stick"), 0), "vault")
				w.audit(fixity.Bypassed, "vault")
			}
			return apart(ctx, dir)
		}
		w.audit(fixity.Bypassed)
		if !rotten {
			t.Fatal("the source was not looked at")
		}
		keep, err := w.app.Receiving.Sources(w.Context())
		if err != nil || len(keep) != 1 {
			t.Errorf("to be kept: %+v, %v", keep, err)
		}
		for _, e := range w.events() {
			if e.Verb == fixity.ReceivedHeld || e.Verb == fixity.MayBeErased {
				t.Errorf("recorded: %+v", e)
			}
		}
	})
}

// A ledger that has come to know files while it was about to be made anew is left as it is.
func TestALedgerThatKnowsFilesMeanwhileIsNotMadeAnew(t *testing.T) {
	onEach(t, func(w *world) {
		w.put("masters/"+master, wave("a"), "studio", "vault")
		root := w.app.Acts.Root
		var began atomic.Bool
		var asked atomic.Int64
		w.app.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
			if store == "studio" && set == "masters" {
				asked.Add(1)
			}
			// Its backups were looked through; now its marker is asked for.
			if asked.Load() == 2 && began.CompareAndSwap(false, true) {
				if _, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{}); err != nil {
					t.Error(err)
				}
			}
			return root(store, set, c)
		}
		if _, err := w.app.Receiving.Rebuild(w.Context(), receiving.IntakeOrder{}); !errors.Is(err, fixity.ErrChangedMeanwhile) || !began.Load() {
			t.Errorf("began %v: %v", began.Load(), err)
		}
		for _, e := range w.events() {
			if e.Verb == fixity.LedgerRebuilt {
				t.Errorf("recorded: %+v", e)
			}
		}
	})
}

// A ledger that is made anew waits for a store that somebody else works on, such as the
// daemon, which begins an audit as soon as the record is there again.
func TestALedgerThatIsMadeAnewWaitsForItsStores(t *testing.T) {
	onEach(t, func(w *world) {
		w.put("masters/"+master, wave("a"), "studio", "vault")
		held := map[string]func(){}
		for _, store := range []string{"studio", "vault"} {
			unlock, err := w.app.Ledger.LockStore(w.Context(), store, "the daemon", 0, time.Now)
			w.must(err)
			held[store] = unlock
		}
		defer func() {
			for _, unlock := range held {
				unlock()
			}
		}()
		w.app.Acts.Say = func(format string, args ...any) {
			said := fmt.Sprintf(format, args...)
			for store, unlock := range held {
				if strings.HasPrefix(said, "waiting for store "+store+", up to 1m0s: the daemon") {
					delete(held, store)
					unlock()
				}
			}
		}
		res, err := w.app.Receiving.Rebuild(w.Context(), receiving.IntakeOrder{})
		w.must(err)
		if len(held) > 0 || res.Intake.Taken != 1 || res.Intake.Agreed != 1 || len(res.Intake.Trouble) > 0 {
			t.Errorf("%d stores are held still: %+v", len(held), res)
		}
	})
}

// What was compared is told of the bytes that were compared, not of others that an audit
// has read meanwhile.
func TestWhatWasComparedIsNotToldOfOtherBytes(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("masters/" + master)
		rot := wave("a")
		w.put("masters/"+master, rot, "vault")
		changed, compared := false, 0
		w.app.Acts.Order.Paced = func(store string, _ int64, _ time.Duration) {
			if changed || store != "vault" || len(w.open("vault")) == 0 {
				return // the audit itself: what it found is not compared yet
			}
			w.must(w.app.Ledger.Tx(w.Context(), w.now, func(t *ledger.Tx) error {
				was, err := t.Copies.At("vault", "masters", master)
				if err != nil || was.State != fixity.Altered || compared == 0 {
					return err
				}
				changed = true
				now := was
				now.Wrong = fixity.DigestOf(fixity.BLAKE3, make([]byte, 32))
				return t.Copies.Put(was, now)
			}))
		}
		root := w.app.Acts.Root
		w.app.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
			if store == "studio" && len(w.open("vault")) > 0 {
				compared++
			}
			return root(store, set, c)
		}
		if _, err := w.app.Acts.Audit(w.Context(), acts.AuditOrder{Stores: []string{"vault"}}); err != nil {
			t.Fatal(err)
		}
		fs := w.open("vault")
		if !changed || len(fs) != 1 || fs[0].Facts.Tells(fixity.Compared) {
			t.Errorf("changed %v: %+v", changed, fs)
		}
	})
}

// events are all of the record.
func (w *world) events() (out []ledger.Event) {
	w.Helper()
	w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
		return t.Log.Each(0, 10_000, func(e ledger.Event) error { out = append(out, e); return nil })
	}))
	return out
}

// silentStick is a stick that stops answering in the middle of a listing.
type silentStick struct {
	stores.Folder
	drawn chan struct{}
}

func (s silentStick) Shards(context.Context) ([]string, error) {
	<-s.drawn // whatever becomes of its context
	return nil, fixity.ErrAway
}

// A stick that stops answering ends what is read from it, and nothing is taken for held.
func TestASilentStickIsAway(t *testing.T) {
	onEach(t, func(w *world) {
		stick := w.at("stick")
		w.must(os.MkdirAll(stick, 0o755))
		synctest.Test(t, func(t *testing.T) {
			ctx, stop := context.WithTimeout(context.Background(), 10*stores.Silence)
			defer stop()
			silent := silentStick{drawn: make(chan struct{})}
			defer close(silent.drawn)
			if _, err := w.app.Receiving.Receive(ctx, receiving.ReceiveOrder{Source: silent, Name: stick, Into: "masters/QV-0300"}); !errors.Is(err, fixity.ErrAway) {
				t.Errorf("receive: %v", err)
			}
			if r, err := w.app.Receiving.Recognise(ctx, stick, silent); !errors.Is(err, fixity.ErrAway) || r.MayErase {
				t.Errorf("recognise: %+v, %v", r, err)
			}
		})
	})
}

// A drive that stops answering while it is looked whether a new file is at rest holds up nobody.
func TestArrivalsThatAreSilentAreAway(t *testing.T) {
	// On a file alone: a connection to a server belongs to the bubble in which it was used first.
	inWorld(t, ledgertest.File(t.TempDir()), func(w *world) {
		w.put(sideOne, []byte("new"), "studio")
		synctest.Test(t, func(t *testing.T) {
			ctx, stop := context.WithTimeout(context.Background(), 10*stores.Silence)
			defer stop()
			drawn := make(chan struct{})
			defer close(drawn)
			began := time.Now()
			_, err := w.app.Receiving.Intake(ctx, receiving.IntakeOrder{Ripe: func(string, string, ledger.Stray) (bool, time.Time) {
				<-drawn
				return true, time.Time{}
			}})
			if took := time.Since(began); !errors.Is(err, fixity.ErrAway) || took > 2*stores.Silence {
				t.Errorf("after %s: %v", took, err)
			}
		})
	})
}
