package watch_test

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/watch"
)

func TestVisits(t *testing.T) { synctest.Test(t, visits) }

func visits(t *testing.T) {
	base := t.TempDir()
	dir := filepath.Join(base, "safe")
	var asked atomic.Int64
	told := make(chan string, 16)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		watch.Visits(ctx, 5*time.Millisecond, []watch.Visitor{
			{Store: "safe", Roots: []string{dir}, Here: func(context.Context) bool {
				asked.Add(1)
				_, err := os.Stat(filepath.Join(dir, "marker"))
				return err == nil
			}},
			{Store: "hangs", Roots: []string{base}, Here: func(ctx context.Context) bool { <-ctx.Done(); return false }},
		}, func(s string, first bool) {
			if first {
				s += " first"
			}
			told <- "came " + s
		}, func(s string) { told <- "left " + s })
		close(ended)
	}()
	next := func(want string) {
		t.Helper()
		select {
		case got := <-told:
			if got != want {
				t.Errorf("told %q, want %q", got, want)
			}
		case <-time.After(time.Minute):
			t.Fatalf("never told %q", want)
		}
	}
	// An empty mount point isn't the store.
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	time.Sleep(50 * time.Millisecond)
	put(t, filepath.Join(dir, "marker"), "x")
	next("came safe")
	// While nothing changes it isn't asked again: a drive that sleeps is left asleep.
	before := asked.Load()
	time.Sleep(100 * time.Millisecond)
	if n := asked.Load(); n != before {
		t.Errorf("asked %d times while nothing changed", n-before)
	}
	if err := os.Rename(dir, dir+"-away"); err != nil {
		t.Fatal(err)
	}
	next("left safe")
	if err := os.Rename(dir+"-away", dir); err != nil {
		t.Fatal(err)
	}
	next("came safe")
	cancel()
	<-ended
	close(told)
	if rest := slices.Collect(func(yield func(string) bool) {
		for s := range told {
			if !yield(s) {
				return
			}
		}
	}); len(rest) > 0 {
		t.Errorf("told besides: %q", rest)
	}
}
