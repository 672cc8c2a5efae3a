package ledger_test

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"time"

	"firmus/fixity"
)

// Who waits to have a store alone gets it although others share it, one after the other and
// never all at rest; while it is had alone, nobody shares it.
func TestWhoWaitsForAStoreIsLetThrough(t *testing.T) {
	t.Parallel()
	d := onPostgres(t)
	other := d
	other.state = t.TempDir() // another host
	l, hosts := d.open(), other.open()
	ctx, stop := context.WithCancel(t.Context())
	var turns atomic.Int64
	done := make(chan struct{}, 2)
	for range 2 {
		go func() {
			defer func() { done <- struct{}{} }()
			for ctx.Err() == nil {
				_, free, err := hosts.HoldStore(ctx, "vault", "a reader", 0, time.Now, true)
				if err != nil {
					if !errors.Is(err, fixity.ErrBusy) && ctx.Err() == nil {
						t.Errorf("shared: %v", err)
					}
					time.Sleep(10 * time.Millisecond)
					continue
				}
				turns.Add(1)
				time.Sleep(150 * time.Millisecond)
				free()
			}
		}()
		time.Sleep(70 * time.Millisecond) // they overlap
	}
	for turns.Load() == 0 {
		time.Sleep(10 * time.Millisecond)
	}
	if _, err := l.LockStore(ctx, "vault", "an act", 0, time.Now); !errors.Is(err, fixity.ErrBusy) {
		t.Fatalf("it is had alone while others share it: %v", err)
	}
	free, err := l.LockStore(ctx, "vault", "an act", 10*time.Second, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	had := turns.Load()
	time.Sleep(400 * time.Millisecond)
	if n := turns.Load() - had; n > 1 { // one may have been counted just before
		t.Errorf("%d shared it while it was had alone", n)
	}
	free()
	for end := time.Now().Add(5 * time.Second); turns.Load() == had && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
	}
	if turns.Load() == had {
		t.Error("nobody shares it any more")
	}
	stop()
	<-done
	<-done
}
