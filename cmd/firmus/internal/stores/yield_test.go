package stores_test

import (
	"cmp"
	"context"
	"io"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
)

// TestYields: while another program uses a drive, a use that yields reads for no more than a
// tenth of the time, and goes on at its own speed as soon as the other ends. Its own reading,
// what other uses of this process read elsewhere, a little of anyone's, and a system that
// counts nothing don't hold it up; and a drive that is never idle is read all the same. That
// it gives way is said once.
func TestYields(t *testing.T) {
	const piece = 1 << 20
	for name, c := range map[string]struct {
		others  int64 // bytes a second
		until   time.Duration
		unknown bool
		stays   bool // it doesn't yield
		pieces  int
		parts   int           // of an audit that hosts share
		takes   time.Duration // each
		want    [2]time.Duration
		said    bool
	}{
		"alone":                  {want: [2]time.Duration{4 * time.Second, 4 * time.Second}},
		"music is played":        {others: 1 << 20, until: time.Hour, want: [2]time.Duration{4 * time.Second, 4 * time.Second}},
		"another reads":          {others: 200 << 20, until: time.Hour, want: [2]time.Duration{45 * time.Second, 53 * time.Second}, said: true},
		"another reads slowly":   {others: 8 << 20, until: time.Hour, want: [2]time.Duration{40 * time.Second, 53 * time.Second}, said: true},
		"another reads and ends": {others: 200 << 20, until: 8 * time.Second, want: [2]time.Duration{11 * time.Second, 13 * time.Second}, said: true},
		"nothing is counted":     {others: 200 << 20, until: time.Hour, unknown: true, want: [2]time.Duration{4 * time.Second, 4 * time.Second}},
		"another never ends":     {others: 200 << 20, until: 24 * time.Hour, pieces: 6000, takes: 160 * time.Millisecond, want: [2]time.Duration{8150 * time.Second, 8170 * time.Second}, said: true},
		"nor does it, in parts":  {others: 200 << 20, until: 24 * time.Hour, pieces: 6000, parts: 100, takes: 160 * time.Millisecond, want: [2]time.Duration{8150 * time.Second, 8190 * time.Second}, said: true},
		"it doesn't yield":       {others: 200 << 20, until: time.Hour, stays: true, want: [2]time.Duration{4 * time.Second, 4 * time.Second}},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			r := w.roots["studio"]
			takes := cmp.Or(c.takes, 10*time.Millisecond)
			r.size, r.whole = cmp.Or(c.pieces, 400)*piece, true
			synctest.Test(t, func(t *testing.T) {
				began, read := time.Now(), int64(0)
				w.Device = func(context.Context, string) string { return "8:0" }
				var said notes
				w.Say = said.say
				w.Traffic = func(drive string) (all, ours int64, ok bool) {
					foreign := int64(min(time.Since(began), c.until).Seconds() * float64(c.others))
					return read + foreign, read, drive == "8:0" && !c.unknown
				}
				part := func(shares bool, pieces int) error {
					return w.Use(t.Context(), "studio", stores.Purpose{Yields: !c.stays, Shares: shares}, func(ctx context.Context, u *stores.Used) error {
						root, err := u.Root("masters", fixity.Bypassed)
						if err != nil {
							return err
						}
						f, err := root.Open(ctx, fixity.Entry{Path: "QV-0107.wav", Size: int64(r.size)}, 0)
						if err != nil {
							return err
						}
						defer f.Close()
						r.slow = takes
						defer func() { r.slow = 0 }()
						for b := make([]byte, piece); err == nil && pieces > 0; pieces-- {
							var n int
							n, err = f.Read(b)
							read += int64(n)
						}
						if err != io.EOF {
							return err
						}
						return nil
					})
				}
				began = time.Now()
				for range max(c.parts, 1) {
					if err := part(c.parts > 0, cmp.Or(c.pieces, 400)/max(c.parts, 1)); err != nil {
						t.Error(err)
					}
				}
				if d := time.Since(began).Round(100 * time.Millisecond); d < c.want[0] || d > c.want[1] {
					t.Errorf("read in %s, want %s to %s", d, c.want[0], c.want[1])
				}
				var told []string
				if c.said {
					told = []string{"store studio is read slowly for now: other programs use its drive, and go first for up to 2 hours in all"}
				}
				if !slices.Equal(said.all, told) {
					t.Errorf("said %q, want %q", said.all, told)
				}
			})
		})
	}
}
