//go:build unix

package ledger_test

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/fixity/ledger"
)

// What is recorded never goes into a file that nobody finds again: not into one that was
// removed, renamed or replaced under the open ledger, nor beside another -wal.
func TestNothingIsEverWrittenIntoALedgerThatIsGone(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(dir string) error
		back func(dir string) error // undoes it
		said string
	}{
		{"its folder removed", func(dir string) error { return os.RemoveAll(filepath.Join(dir, "state")) }, nil, "state was removed"},
		{"its folder renamed", func(dir string) error { return os.Rename(filepath.Join(dir, "state"), filepath.Join(dir, "other")) },
			func(dir string) error { return os.Rename(filepath.Join(dir, "other"), filepath.Join(dir, "state")) }, "state was removed or renamed"},
		{"another folder in its place", func(dir string) error {
			return errors.Join(os.Rename(filepath.Join(dir, "state"), filepath.Join(dir, "other")), os.Mkdir(filepath.Join(dir, "state"), 0o700))
		}, func(dir string) error {
			return errors.Join(os.Remove(filepath.Join(dir, "state")), os.Rename(filepath.Join(dir, "other"), filepath.Join(dir, "state")))
		}, "ledger.db was removed"},
		{"its file replaced by a copy", func(dir string) error {
			p := filepath.Join(dir, "state/ledger.db")
			b, err := os.ReadFile(p)
			return errors.Join(err, os.WriteFile(p+".new", b, 0o600), os.Rename(p+".new", p))
		}, nil, "ledger.db was replaced"},
		{"its -wal removed", func(dir string) error { return os.Remove(filepath.Join(dir, "state/ledger.db-wal")) }, nil, "ledger.db-wal was removed"},
		{"its -wal replaced", func(dir string) error {
			p := filepath.Join(dir, "state/ledger.db-wal")
			return errors.Join(os.WriteFile(p+".new", nil, 0o600), os.Rename(p+".new", p))
		}, nil, "ledger.db-wal was replaced"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			state := filepath.Join(dir, "state")
			if err := os.Mkdir(state, 0o700); err != nil {
				t.Fatal(err)
			}
			ctx := context.Background()
			l, err := ledger.Open(ctx, ledger.Options{Path: filepath.Join(state, "ledger.db"), State: state, Now: begun, By: "Ada Wren"})
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			write := func() error {
				return l.Tx(ctx, begun, func(x *ledger.Tx) error { _, err := x.NextID("test"); return err })
			}
			if err := write(); err != nil {
				t.Fatal(err)
			}
			// The gone ledger is seen also by a transaction that was under way.
			err = l.Tx(ctx, begun, func(x *ledger.Tx) error {
				if _, err := x.NextID("test"); err != nil {
					return err
				}
				return c.do(dir)
			})
			if !errors.Is(err, ledger.ErrGone) {
				t.Errorf("a transaction under way: %v", err)
			}
			for name, err := range map[string]error{
				"write": write(), "read": l.View(ctx, func(*ledger.Tx) error { return nil }), "here": l.Here(),
				"lock": func() error { _, err := l.LockStore(ctx, "studio", "a test", 0, time.Now); return err }(),
				"key":  func() error { _, err := l.Key(); return err }(),
			} {
				if !errors.Is(err, ledger.ErrGone) || !strings.Contains(err.Error(), c.said) {
					t.Errorf("%s: %v, want %q", name, err, c.said)
				}
			}
			if strings.HasPrefix(c.said, "state") {
				if _, err := os.Lstat(state); !errors.Is(err, fs.ErrNotExist) {
					t.Errorf("the state folder was made anew: %v", err)
				}
			}
			if c.back == nil {
				return
			}
			if err := c.back(dir); err != nil {
				t.Fatal(err)
			}
			if err := write(); err != nil {
				t.Errorf("it is back: %v", err)
			}
		})
	}
}

// A ledger that other programs open and close beside it is never taken for gone.
func TestOthersNeverMakeAnOpenLedgerGone(t *testing.T) {
	d := onSQLite(t)
	l := d.open(func(*ledger.Options) {})
	ctx := context.Background()
	for range 5 {
		again := d.open(func(*ledger.Options) {})
		cut, cancel := context.WithCancel(ctx)
		cancel()
		_ = l.View(cut, func(*ledger.Tx) error { return nil })
		_ = l.Tx(cut, begun, func(*ledger.Tx) error { return nil })
		if err := again.Tx(ctx, begun, func(x *ledger.Tx) error { _, err := x.NextID("test"); return err }); err != nil {
			t.Fatal(err)
		}
		again.Close()
		if err := l.Here(); err != nil {
			t.Fatal(err)
		}
	}
}
