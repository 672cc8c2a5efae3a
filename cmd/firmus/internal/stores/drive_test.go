package stores_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// another is the same archive as another process uses it: only what lies in the state
// folder is shared.
func (w *world) another(said *notes) stores.Stores {
	s := w.Stores
	s.Turns, s.By, s.Say = &stores.Turns{}, "Ben Finch", said.say
	return s
}

// notes are what a person is told.
type notes struct {
	mu  sync.Mutex
	all []string
}

func (n *notes) say(format string, args ...any) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.all = append(n.all, fmt.Sprintf(format, args...))
}

func (n *notes) tell(part string) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	return strings.Contains(strings.Join(n.all, "\n"), part)
}

// holding uses a store until end is closed, and says when it has begun.
func holding(t *testing.T, s stores.Stores, store string) (end func() error) {
	t.Helper()
	begun, stop, ended := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		ended <- s.Use(t.Context(), store, stores.Purpose{}, func(context.Context, *stores.Used) error { close(begun); <-stop; return nil })
	}()
	<-begun
	return func() error { close(stop); return <-ended }
}

// TestOneReaderOnADriveOfTwoProcesses: two stores on one drive are not read at once by two
// processes, and whoever waits is told for whom; stores on two drives are.
func TestOneReaderOnADriveOfTwoProcesses(t *testing.T) {
	w := newWorld(t)
	w.drives["vault"] = w.drives["studio"]
	var said notes
	other := w.another(&said)
	end := holding(t, w.Stores, "studio")
	if err := other.Use(t.Context(), "safe", stores.Purpose{}, func(context.Context, *stores.Used) error { return nil }); err != nil {
		t.Errorf("on another drive: %v", err)
	}
	err := other.Use(t.Context(), "vault", stores.Purpose{Turn: 300 * time.Millisecond}, func(context.Context, *stores.Used) error {
		t.Error("the drive was read by two")
		return nil
	})
	if !errors.Is(err, fixity.ErrBusy) || !strings.Contains(err.Error(), "Ada Wren") || !strings.Contains(err.Error(), "store studio") {
		t.Errorf("for a moment: %v", err)
	}
	if said.tell("waits") {
		t.Errorf("told of a moment: %q", said.all)
	}
	in := make(chan error, 1)
	go func() {
		in <- other.Use(t.Context(), "vault", stores.Purpose{}, func(context.Context, *stores.Used) error { return nil })
	}()
	for !said.tell("store vault waits for its drive: Ada Wren") {
		time.Sleep(time.Millisecond)
	}
	select {
	case err := <-in:
		t.Errorf("it did not wait: %v", err)
	default:
	}
	if err := end(); err != nil {
		t.Error(err)
	}
	if err := <-in; err != nil {
		t.Errorf("after its turn: %v", err)
	}
}

// TestWaitingForATurnIsTold: in one process, too.
func TestWaitingForATurnIsTold(t *testing.T) {
	w := newWorld(t)
	w.drives["vault"] = w.drives["studio"]
	var said notes
	w.Say = said.say
	end := holding(t, w.Stores, "studio")
	in := make(chan error, 1)
	go func() {
		in <- w.Use(t.Context(), "vault", stores.Purpose{}, func(context.Context, *stores.Used) error { return nil })
	}()
	for !said.tell("store vault waits: studio is read on the same drive") {
		time.Sleep(time.Millisecond)
	}
	if err := errors.Join(end(), <-in); err != nil {
		t.Error(err)
	}
}

// TestTheClockGivesWayToAnotherProcess: what the clock ordered gives its drive to what
// another process waits for, before its next file; what a person ordered does not.
func TestTheClockGivesWayToAnotherProcess(t *testing.T) {
	for _, clock := range []bool{true, false} {
		synced(t, fmt.Sprint("clock ", clock), func(t *testing.T, w *world) {
			w.drives["vault"] = w.drives["studio"]
			nightly := w.Stores
			nightly.Order.Windows = clock
			begun, ended := make(chan struct{}), make(chan error, 1)
			go func() {
				ended <- nightly.Use(t.Context(), "studio", stores.Purpose{}, func(ctx context.Context, u *stores.Used) error {
					close(begun)
					for range 60 {
						time.Sleep(time.Second)
						if err := read(ctx, u, "a.wav"); err != nil {
							return err
						}
					}
					return nil
				})
			}()
			<-begun
			var said notes
			came := time.Now()
			if err := w.another(&said).Use(t.Context(), "vault", stores.Purpose{}, func(context.Context, *stores.Used) error { return nil }); err != nil {
				t.Error(err)
			}
			waited := time.Since(came)
			if err := <-ended; clock != errors.Is(err, stores.ErrGivesWay) || clock != (waited < 20*time.Second) {
				t.Errorf("it ended with %v, after %v", err, waited)
			}
		})
	}
}

// TestTwoThatWaitForEachOther: who has a drive and wants another store on it doesn't wait long for
// whoever works on that store and waits for the drive; only whoever says so stays.
func TestTwoThatWaitForEachOther(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.drives["vault"] = w.drives["studio"]
	var said notes
	other := w.another(&said)
	nothing := func(context.Context, *stores.Used) error { return nil }
	in := make(chan error, 1)
	err := w.Use(t.Context(), "studio", stores.Purpose{}, func(ctx context.Context, _ *stores.Used) error {
		go func() { in <- other.Use(t.Context(), "vault", stores.Purpose{}, nothing) }()
		for !said.tell("store vault waits for its drive: Ada Wren") {
			time.Sleep(time.Millisecond)
		}
		for _, c := range []struct {
			purpose     stores.Purpose
			least, most time.Duration
		}{
			{stores.Purpose{Wait: time.Hour}, 0, time.Minute},
			{stores.Purpose{Wait: 2 * time.Second, Stays: true}, 2 * time.Second, time.Minute},
		} {
			began := time.Now()
			err := w.Use(ctx, "vault", c.purpose, nothing)
			var locked *ledger.LockedError
			if took := time.Since(began); !errors.As(err, &locked) || took < c.least || took > c.most {
				t.Errorf("%+v: %v after %s", c.purpose, err, took)
			}
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	if err := <-in; err != nil {
		t.Errorf("the other, afterwards: %v", err)
	}
}
