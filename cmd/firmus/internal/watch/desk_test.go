package watch_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/watch"
	"firmus/fixity"
)

// orders notes what it is ordered.
type orders struct {
	mu      sync.Mutex
	start   time.Time
	known   map[string]bool // paths under care, seen
	did     []string
	busy    int // looks that find the store busy
	cut     int // looks that can't be finished
	next    time.Time
	takeErr error
}

func (o *orders) note(format string, args ...any) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.did = append(o.did, fmt.Sprintf("%s ", time.Since(o.start).Round(time.Second))+fmt.Sprintf(format, args...))
}

func (o *orders) Touched(_ context.Context, store, set string, paths []string) (seen, unknown bool, err error) {
	o.note("touched %s/%s %v", store, set, paths)
	for _, p := range paths {
		seen, unknown = seen || o.known[p], unknown || !o.known[p]
	}
	return seen, unknown, nil
}

func (o *orders) Look(_ context.Context, store, set string, about []watch.Event) error {
	o.note("look %s/%s %d", store, set, len(about))
	if o.busy > 0 {
		o.busy--
		return fmt.Errorf("store %s is %w", store, fixity.ErrBusy)
	}
	if o.cut > 0 {
		o.cut--
		return errors.New("the service gives no more today")
	}
	return nil
}

func (o *orders) TakeIn(context.Context) (time.Time, error) {
	o.note("take in")
	o.mu.Lock()
	defer o.mu.Unlock()
	err := o.takeErr
	o.takeErr = nil
	return o.next, err
}

func TestDesk(t *testing.T) {
	at := func(path string) watch.Event { return watch.Event{Store: "studio", Set: "masters", Path: path} }
	for _, c := range []struct {
		name string
		o    *orders
		do   func(d *watch.Desk, o *orders)
		want []string
	}{
		{"a master changed is looked at within a minute", &orders{known: map[string]bool{"a.wav": true}},
			func(d *watch.Desk, _ *orders) { d.Event(at("a.wav")) },
			[]string{"3s touched studio/masters [a.wav]", "3s look studio/masters 1"}},
		{"an access file changed waits for the night", &orders{known: map[string]bool{"a.wav": true}},
			func(d *watch.Desk, _ *orders) { d.Event(watch.Event{Store: "studio", Set: "access", Path: "a.wav"}) },
			[]string{"3s touched studio/access [a.wav]"}},
		{"many events are one matter", &orders{known: map[string]bool{"a.wav": true}},
			func(d *watch.Desk, _ *orders) {
				for range 15 {
					d.Event(at("a.wav"))
					d.Event(at("b.wav"))
					time.Sleep(time.Second)
				}
			},
			[]string{"17s touched studio/masters [a.wav b.wav]", "17s look studio/masters 2"}},
		{"without end they are looked at all the same", &orders{known: map[string]bool{"a.wav": true}},
			func(d *watch.Desk, _ *orders) {
				for range 22 {
					d.Event(at("a.wav"))
					time.Sleep(time.Second)
				}
			},
			[]string{"20s touched studio/masters [a.wav]", "20s look studio/masters 1", "24s touched studio/masters [a.wav]", "24s look studio/masters 1"}},
		{"a busy store is tried again", &orders{known: map[string]bool{"a.wav": true}, busy: 2},
			func(d *watch.Desk, _ *orders) { d.Event(at("a.wav")) },
			[]string{"3s touched studio/masters [a.wav]", "3s look studio/masters 1", "23s look studio/masters 1", "43s look studio/masters 1"}},
		{"an unfinished look never lists all of it every 20 seconds", &orders{cut: 100},
			func(d *watch.Desk, _ *orders) {
				d.Event(watch.Event{Store: "cloud", Set: "masters", Any: true})
				time.Sleep(3 * time.Hour)
			},
			[]string{"3s look cloud/masters 0", "23s look cloud/masters 0", "1m23s look cloud/masters 0", "4m23s look cloud/masters 0", "13m23s look cloud/masters 0", "40m23s look cloud/masters 0"}},
		{"anything may have happened", &orders{},
			func(d *watch.Desk, _ *orders) { d.Event(watch.Event{Store: "vault", Set: "masters", Any: true}) },
			[]string{"3s look vault/masters 0"}},
		{"a new file is taken in when it has settled, and what hasn't later", &orders{},
			func(d *watch.Desk, o *orders) {
				o.mu.Lock()
				o.next = time.Now().Add(40 * time.Minute)
				o.mu.Unlock()
				d.Event(at("new.wav"))
				time.Sleep(20 * time.Minute)
				o.mu.Lock()
				o.next = time.Time{}
				o.mu.Unlock()
				time.Sleep(30 * time.Minute)
			},
			[]string{"3s touched studio/masters [new.wav]", "15m3s take in", "40m0s take in"}},
		{"a new file where none should appear", &orders{},
			func(d *watch.Desk, _ *orders) {
				d.Event(watch.Event{Store: "vault", Set: "masters", Path: "x.wav"})
				time.Sleep(time.Hour)
			},
			[]string{"3s touched vault/masters [x.wav]"}},
		{"taking in is tried again", &orders{takeErr: errors.New("the studio is away")},
			func(d *watch.Desk, _ *orders) { d.Event(at("new.wav")); time.Sleep(time.Hour) },
			[]string{"3s touched studio/masters [new.wav]", "15m3s take in", "25m3s take in"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := c.o
				o.start = time.Now()
				d := &watch.Desk{Orders: o, Now: time.Now, Log: slog.New(slog.DiscardHandler), Master: func(set string) bool { return set == "masters" }, First: 1000 * time.Hour,
					Rest: func(store, _ string) time.Duration {
						if store == "studio" {
							return 15 * time.Minute
						}
						return 0
					}}
				ctx, cancel := context.WithCancel(t.Context())
				go d.Run(ctx)
				synctest.Wait()
				c.do(d, o)
				time.Sleep(10 * time.Minute)
				cancel()
				synctest.Wait()
				if !slices.Equal(o.did, c.want) {
					t.Errorf("got  %q\nwant %q", o.did, c.want)
				}
			})
		})
	}
}
