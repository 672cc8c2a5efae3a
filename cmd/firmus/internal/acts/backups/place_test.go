package backups_test

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/replicas/disk"
)

// dead is the root of a store whose mount answers nothing.
type dead struct {
	stores.Root
	asked *atomic.Int32 // by calls that are left behind, too
}

func (d dead) hang(ctx context.Context) error {
	d.asked.Add(1)
	<-ctx.Done()
	return context.Cause(ctx)
}

func (d dead) Names(ctx context.Context, _ string) ([]string, error) { return nil, d.hang(ctx) }

func (d dead) Identify(ctx context.Context) (fixity.Identity, error) {
	return fixity.Identity{}, d.hang(ctx)
}

// place is one of two stores: the mount of usb is dead, and nas holds nothing.
func place(t *testing.T, asked *atomic.Int32) backups.Place {
	nas, err := disk.Open(t.TempDir(), disk.Options{Store: "nas", Marker: true})
	if err != nil {
		t.Fatal(err)
	}
	store := func(name string) care.Store {
		return care.Store{Name: name, Kind: "disk", Sets: []string{"masters"}, Manifests: true}
	}
	return backups.Place{State: t.TempDir(), Ledger: "ledger.db", Stores: stores.Stores{
		Rules: care.Rules{Stores: []care.Store{store("usb"), store("nas")}}, Turns: &stores.Turns{},
		Where: func(store, _ string) string { return "/mnt/" + store },
		Open: func(store, _ string, _ fixity.Cache) (stores.Root, error) {
			if store == "usb" {
				return dead{nas, asked}, nil
			}
			return nas, nil
		}}}
}

// A store whose mount is dead keeps nobody from bringing the ledger back, or from
// beginning one: it is away, and named.
func TestADeadMountIsAway(t *testing.T) {
	t.Run("restore", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			var asked atomic.Int32
			began := time.Now()
			_, err := backups.Restore(t.Context(), backups.RestoreOrder{Place: place(t, &asked), By: "Ada Wren", Now: time.Now})
			if asked.Load() == 0 {
				t.Fatal("the dead mount was not asked")
			}
			if !errors.Is(err, fixity.ErrNotFound) || !strings.Contains(err.Error(), "Stores that are away may hold one") {
				t.Errorf("got %v", err)
			}
			if took := time.Since(began); took > 3*stores.Silence {
				t.Errorf("it took %v", took)
			}
		})
	})
	t.Run("begin", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			var asked atomic.Int32
			if err := place(t, &asked).MayBegin(t.Context()); err != nil || asked.Load() == 0 {
				t.Errorf("asked %d times, %v", asked.Load(), err)
			}
		})
	})
}
