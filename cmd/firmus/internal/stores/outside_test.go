package stores_test

import (
	"context"
	"errors"
	"iter"
	"slices"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
)

// TestASilentStickIsAway: a folder of no store is waited for as a store is, and holds up
// no store.
func TestASilentStickIsAway(t *testing.T) {
	for _, call := range []string{"shards", "list 1", "stat", "open", "read 0", "file id"} {
		synced(t, call, func(t *testing.T, w *world) {
			stick := &root{hangs: map[string]bool{call: true}, release: make(chan struct{}), files: []string{"a.wav", "b.wav"}, size: 1000}
			defer close(stick.release)
			f := w.Outside(stick, "/media/stick")
			began := time.Now()
			_, err := f.Shards(t.Context())
			if err == nil {
				_, err = list(t.Context(), f)
			}
			if err == nil {
				err = readIn(t.Context(), f, "a.wav")
			}
			if err == nil {
				_, err = f.(stores.Identified).FileID(t.Context(), "a.wav")
			}
			if !errors.Is(err, fixity.ErrAway) || time.Since(began) > 2*stores.Silence {
				t.Errorf("%v, after %v", err, time.Since(began))
			}
			if err := w.Use(t.Context(), "vault", stores.Purpose{}, func(ctx context.Context, u *stores.Used) error { return read(ctx, u, "a.wav") }); err != nil {
				t.Errorf("a store beside it: %v", err)
			}
		})
	}
}

// TestASilentServiceIsAway: what a service alone is asked has a bound as well, and a long
// listing is not cut short by it.
func TestASilentServiceIsAway(t *testing.T) {
	rules := care.Rules{Sets: rules.Sets, Stores: append(slices.Clone(rules.Stores), care.Store{Name: "cloud", Kind: "cloud", Sets: []string{"masters"}})}
	asks := map[string]func(ctx context.Context, r stores.Root, hang func()) error{
		"shards": func(ctx context.Context, r stores.Root, _ func()) error { _, err := r.Shards(ctx); return err },
		"second look": func(ctx context.Context, r stores.Root, hang func()) error {
			_, err := stores.Slowly(ctx, r, func(context.Context) (int, error) { hang(); return 1, nil })
			return err
		},
		"ids": func(ctx context.Context, r stores.Root, hang func()) error {
			for _, err := range stores.EachSlowly(ctx, r, func(context.Context) iter.Seq2[int, error] {
				return func(yield func(int, error) bool) {
					_ = yield(1, nil) && func() bool { hang(); return true }() && yield(2, nil)
				}
			}) {
				if err != nil {
					return err
				}
			}
			return nil
		},
	}
	for name, ask := range asks {
		for _, long := range []time.Duration{10 * time.Minute, 0} { // 0: for ever
			synced(t, name+" "+long.String(), func(t *testing.T, w *world) {
				w.Rules = rules
				x := &root{hangs: map[string]bool{"shards": long == 0}, slow: long, release: make(chan struct{})}
				w.roots["cloud"] = x
				defer close(x.release)
				r, err := w.Stores.Root("cloud", "masters", fixity.Bypassed)
				if err != nil {
					t.Fatal(err)
				}
				began := time.Now()
				err = ask(t.Context(), r, func() {
					if long == 0 {
						<-x.release
					}
					time.Sleep(long)
				})
				if took := time.Since(began); (long == 0) != errors.Is(err, fixity.ErrAway) || took > time.Hour {
					t.Errorf("%v, after %v", err, took)
				}
			})
		}
	}
}

// counted counts how often its folders are asked for.
type counted struct {
	*root
	n int
}

// Shards implements stores.Root.
func (c *counted) Shards(ctx context.Context) ([]string, error) {
	c.n++
	return c.root.Shards(ctx)
}

// TestListedAnew: a folder that a service keeps is listed anew once in each audit, a drive isn't.
func TestListedAnew(t *testing.T) {
	w := newWorld(t)
	w.Rules.Stores = append(slices.Clone(rules.Stores), care.Store{Name: "cloud", Kind: "cloud", Sets: []string{"masters"}})
	for store, want := range map[string]int{"cloud": 2, "vault": 0} {
		c := &counted{root: &root{release: make(chan struct{})}}
		w.Open = func(string, string, fixity.Cache) (stores.Root, error) { return c, nil }
		for _, audit := range []int64{7, 7, 8, 8} {
			if err := w.Use(t.Context(), store, stores.Purpose{Shares: true, Unseen: true}, func(ctx context.Context, u *stores.Used) error {
				return u.Anew(ctx, audit, []string{"masters"})
			}); err != nil {
				t.Fatal(err)
			}
		}
		if c.n != want {
			t.Errorf("%s was listed anew %d times, want %d", store, c.n, want)
		}
	}
}
