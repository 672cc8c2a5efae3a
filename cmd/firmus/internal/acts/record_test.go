package acts_test

import (
	"errors"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// The record is checked once a day, by whoever asks first, and what came of it is kept.
func TestTheRecordIsCheckedOnceADay(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("masters/QV-0107/QV-0107_A.wav")
		last := func() (f ledger.Firing) {
			w.Helper()
			w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) (err error) { f, err = t.Clock.LastEnded(ledger.FiringVerify, ""); return err }))
			return f
		}
		check := func(want bool) {
			w.Helper()
			v, done, err := w.app.Acts.CheckRecordIfDue(w.Context())
			if err != nil || done != want || done && v.Events == 0 {
				w.Fatalf("%s: done %v, want %v: %+v, %v", w.now, done, want, v, err)
			}
		}
		w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
			if _, err := t.Clock.LastEnded(ledger.FiringVerify, ""); !errors.Is(err, fixity.ErrNotFound) {
				return errors.New("it was checked before anybody did")
			}
			return nil
		}))
		w.now = time.Date(2026, 4, 7, 9, 0, 0, 0, time.Local)
		check(true)
		if f := last(); f.Outcome != ledger.FiringDone || !f.Ended.Equal(w.now) || f.By != "Ada Wren" || f.Trouble != "" {
			w.Fatalf("%+v", f)
		}
		w.now = w.now.Add(14 * time.Hour)
		check(false)
		w.now = w.now.Add(2 * time.Hour) // another day
		check(true)

		// One that was cut off is not taken up, and another is begun an hour later.
		w.now = w.now.Add(24 * time.Hour)
		w.must(w.app.Ledger.Tx(w.Context(), w.now, func(t *ledger.Tx) error {
			_, _, err := t.Clock.Win(ledger.Firing{Job: ledger.FiringVerify, Due: w.now, By: "killed"})
			return err
		}))
		if last().By == "killed" {
			w.Fatal("what has not ended stands")
		}
		w.now = w.now.Add(59 * time.Minute)
		check(false)
		w.now = w.now.Add(time.Minute)
		check(true)

		// One that could not be finished is tried again after an hour.
		w.must(w.app.Ledger.Tx(w.Context(), w.now, func(t *ledger.Tx) error {
			f, _, err := t.Clock.Win(ledger.Firing{Job: ledger.FiringVerify, Due: w.now.Add(time.Minute), By: "Ada Wren"})
			return errors.Join(err, t.Clock.End(f, ledger.FiringFailed, "the database doesn't answer"))
		}))
		check(false)
		w.now = w.now.Add(time.Hour)
		check(true)
		if f := last(); f.Outcome != ledger.FiringDone {
			w.Fatalf("%+v", f)
		}
		if acts.IsBroken(fixity.ErrAway) {
			w.Fatal("a store that is away is no broken record")
		}
	})
}
