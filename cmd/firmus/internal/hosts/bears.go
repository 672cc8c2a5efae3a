package hosts

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"firmus/cmd/firmus/internal/hosts/bearing"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// windowFor is how long a store is read for one measurement of how many hosts it bears, and
// reportsEach how often each of them says in it what it has read.
const (
	windowFor   = 30 * time.Second
	reportsEach = 6
)

// Measured says that it is measured how many hosts read the store at the same time: the
// configuration doesn't say it, and more than one may reach it.
func (s Store) Measured() bool { return s.AtOnce == 0 && len(s.Hosts) != 1 }

// bears is how many hosts may read a store at the same time; 0: all. What was measured of it is
// with it.
func (h *Host) bears(ctx context.Context, s Store) (n int, known bearing.State, err error) {
	if !s.Measured() {
		return s.AtOnce, known, nil
	}
	err = h.o.Ledger.View(ctx, func(t *ledger.Tx) (err error) { known, err = measured(t, s.Name); return err })
	return known.N, known, err
}

// measured is what is known of how many hosts a store bears. What can't be read is measured anew.
func measured(t *ledger.Tx, store string) (bearing.State, error) {
	b, err := t.Hosts.Bearing(store)
	s := bearing.State{}
	if err != nil || b.State == "" || json.Unmarshal([]byte(b.State), &s) != nil || s.N < 1 || s.Kept < 1 {
		return bearing.Known(), err
	}
	return s, nil
}

// place is a place among those that read a store at the same time. The context ends if it is
// lost.
func (h *Host) place(ctx context.Context, store string) (_ context.Context, known bearing.State, free func(), err error) {
	s, _ := h.store(store)
	n, known, err := h.bears(ctx, s)
	if err != nil || n == 0 {
		return ctx, known, func() {}, err
	}
	for i := range n {
		kept, free, err := h.hold(ctx, fmt.Sprintf("reads-%s-%d", store, i+1))
		if !errors.Is(err, fixity.ErrBusy) {
			return kept, known, free, err
		}
	}
	return ctx, known, nil, fmt.Errorf("store %s is %w: as many hosts read it as may", store, fixity.ErrBusy)
}

// meter reports what this host reads of a store in a part of an audit.
type meter struct {
	h     *Host
	s     Store
	known bearing.State
	files atomic.Int64

	at     time.Time // by the database's clock, when it began
	began  time.Time // the same by the machine's monotonic clock
	from   time.Time // of the next report
	hosts  int
	asked  time.Time // when they were counted
	counts [3]int64  // bytes, files and times that the store held it up, when it reported last
	stop   chan struct{}
	ended  chan struct{}
}

// meter begins to report what is read of a store; end reports the rest, and err if the reading
// ended with one. Nothing is reported of a store that isn't measured, or of a phase in which it
// isn't read.
func (h *Host) meter(ctx context.Context, store string, p fixity.Phase, known bearing.State) *meter {
	s, _ := h.store(store)
	m := &meter{h: h, s: s, known: known, began: time.Now(), stop: make(chan struct{}), ended: make(chan struct{})}
	if p != fixity.PhaseRead || !s.Measured() || h.o.Work.Did == nil {
		close(m.ended)
		return m
	}
	ahead, err := h.o.Ledger.Ahead(ctx, h.o.Now)
	if err != nil {
		close(m.ended)
		return m // the database is away, and so is the reading, soon
	}
	m.at = h.o.Now().Add(-ahead)
	m.from = m.at
	m.counts[0], m.counts[2] = h.o.Work.Did(store)
	go func() {
		defer close(m.ended)
		for {
			select {
			case <-m.stop:
				return
			case <-time.After(h.o.Window / reportsEach):
				m.report(ctx, 0)
			}
		}
	}()
	return m
}

// end reports the rest.
func (m *meter) end(ctx context.Context, err error) {
	select {
	case <-m.ended:
		return
	default:
	}
	close(m.stop)
	<-m.ended
	silent := int64(0)
	if errors.Is(err, fixity.ErrAway) && m.files.Load() > 0 {
		silent = 1 // it was there, and gave no answer any more
	}
	m.report(context.WithoutCancel(ctx), silent)
}

// report says what was read since the last one, if anybody wants to know it. What can't be said is
// left out: a window that lacks it doesn't count.
func (m *meter) report(ctx context.Context, silent int64) {
	ctx, cancel := context.WithTimeout(ctx, answersWithin)
	defer cancel()
	now := m.at.Add(time.Since(m.began))
	r := bearing.Report{From: m.from, To: now}
	var is [3]int64
	is[0], is[2] = m.h.o.Work.Did(m.s.Name)
	is[1] = m.files.Load()
	r.Bytes, r.Files, r.Held = is[0]-m.counts[0], is[1]-m.counts[1], is[2]-m.counts[2]+silent
	m.from, m.counts = now, is
	if time.Since(m.asked) >= m.h.o.Look {
		having, err := m.h.Having(ctx, m.s.Name)
		if err != nil {
			return
		}
		m.hosts, m.asked = len(having)+1, time.Now()
	}
	around := bearing.Around{Window: m.h.o.Window, Hosts: m.hosts, Spindle: m.h.o.Work.Spindle != nil && m.h.o.Work.Spindle(ctx, m.s.Name)}
	if !m.known.Measures(now, m.hosts) && r.Held == 0 && around.Spindle == (m.known.Why == fixity.BoundSpindle) {
		return
	}
	was := m.known
	if err := m.h.o.Ledger.Tx(ctx, m.h.o.Now(), func(t *ledger.Tx) (err error) {
		if was, err = measured(t, m.s.Name); err != nil {
			return err
		}
		m.known = was.With(r, around)
		text, err := json.Marshal(m.known)
		if err != nil {
			return err
		}
		return t.Hosts.PutBearing(ledger.Bearing{Store: m.s.Name, N: m.known.N, Tried: m.known.Tried, Why: m.known.Why, At: m.known.At, State: string(text)})
	}); err != nil {
		m.h.o.Log.Debug("what was read could not be reported", "store", m.s.Name, "error", err)
		return
	}
	if m.known.Why != was.Why {
		m.h.o.Log.Info("how many hosts read a store at the same time", "store", m.s.Name, "hosts", m.known.N, "tried", m.known.Tried, "why", string(m.known.Why))
	}
}
