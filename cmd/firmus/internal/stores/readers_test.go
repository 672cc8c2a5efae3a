package stores_test

import (
	"context"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/stores"
)

// TestReaders: how many files are read side by side is what the configuration says, or hangs
// on the spindle, by the system's word or by how long a read at any place takes.
func TestReaders(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(8))
	for name, c := range map[string]struct {
		limit int
		solid bool          // by the system's word
		size  int           // of each file
		slow  time.Duration // each answer
		want  int
	}{
		"said":                               {limit: 3, want: 3},
		"said of a drive without a spindle":  {limit: 1, solid: true, want: 1},
		"no spindle, says the system":        {solid: true, want: 4},
		"memory":                             {size: 4 << 20, want: 4},
		"a virtual disk":                     {size: 4 << 20, slow: 200 * time.Microsecond, want: 4},
		"a spindle":                          {size: 4 << 20, slow: 6 * time.Millisecond, want: 1},
		"a share far away":                   {size: 4 << 20, slow: 200 * time.Millisecond, want: 1},
		"too little there to say":            {size: 1000, want: 1},
		"too little there to say, and solid": {size: 1000, solid: true, want: 4},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.limits["studio"] = stores.Limits{Readers: c.limit}
			w.Solid = func(context.Context, string) bool { return c.solid }
			r := w.roots["studio"]
			r.size, r.whole = c.size, true
			r.shards = append(r.shards, "QV-0107", "QV-0108", "QV-0109", "QV-0110", "QV-0111")
			if err := w.Use(t.Context(), "studio", stores.Purpose{}, func(ctx context.Context, u *stores.Used) error {
				synctest.Test(t, func(t *testing.T) {
					r.slow = c.slow
					began := time.Now()
					if got := u.Readers(); got != c.want {
						t.Errorf("%d, want %d", got, c.want)
					}
					if d := time.Since(began); d > 5*time.Second {
						t.Errorf("found out after %s", d)
					}
					synctest.Wait() // answers that nobody waits for any more have been looked for
					r.slow = 0
					if got := u.Readers(); c.slow < 10*time.Millisecond && got != c.want {
						t.Errorf("asked again: %d, want %d", got, c.want)
					}
				})
				return nil
			}); err != nil {
				t.Fatal(err)
			}
		})
	}
}
