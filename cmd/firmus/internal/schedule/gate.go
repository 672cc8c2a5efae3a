package schedule

import (
	"context"
	"sync"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
)

// Gate keeps reading within what a store allows: its rate, its window, and not
// while a recording grows on its drive. It works by holding up audit.Watch.Bytes,
// which is called between two reads and while no file's time is running out.
type Gate struct {
	Now func() time.Time
	// Rate is how many bytes a second may be read of a store; 0: as it can.
	Rate func(store string) int64
	// Window is when a store may be read.
	Window func(store string) Window
	// Growing names a recording that grows on a store's drive; "" if none does. Nil:
	// never.
	Growing func(store string) string
	// Read is told of bytes read; Paused that reading stops for a recording, and goes
	// on (""). Either may be nil.
	Read   func(store string, n int64)
	Paused func(store, recording string)
}

// look is how often it is asked whether a recording still grows.
const look = 5 * time.Second

// Pass is one run through the gate.
type Pass struct {
	g      *Gate
	ctx    context.Context
	cancel context.CancelCauseFunc

	mu    sync.Mutex
	store string // that is read just now
	begun time.Time
	held  time.Duration // since begun, by this gate
	given int64         // since begun
	paces map[string]Measure
}

// Measure is what reading has taken.
type Measure struct {
	Bytes int64
	Took  time.Duration // pauses not counted
}

// Pass begins a run. cancel ends it, with ErrWindow, when a window closes: the file
// that is being read is finished first.
func (g *Gate) Pass(ctx context.Context, cancel context.CancelCauseFunc) *Pass {
	return &Pass{g: g, ctx: ctx, cancel: cancel, paces: map[string]Measure{}}
}

// Watch goes through the gate; notes go to note.
func (p *Pass) Watch(note func(s fixity.Shard, text string)) audit.Watch {
	return audit.Watch{File: p.file, Bytes: p.bytes, Note: note}
}

// file is called when a file's reading begins. It mustn't wait: the store's time to
// answer is running.
func (p *Pass) file(s fixity.Shard, _ string, _ int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.g.Now()
	p.settle(now)
	if p.store != s.Store {
		p.store, p.given = s.Store, 0
	}
	p.begun, p.held = now, 0
	if p.g.Window != nil && !p.g.Window(s.Store).Open(now) {
		p.cancel(ErrWindow)
	}
}

// settle adds the time since begun to the store's measure.
func (p *Pass) settle(now time.Time) {
	if p.begun.IsZero() || p.given == 0 {
		return
	}
	m := p.paces[p.store]
	m.Bytes += p.given
	m.Took += max(now.Sub(p.begun)-p.held, 0)
	p.paces[p.store] = m
	p.begun, p.held, p.given = now, 0, 0
}

func (p *Pass) bytes(n int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.given += n
	if p.g.Read != nil {
		p.g.Read(p.store, n)
	}
	if p.g.Rate != nil {
		if rate := p.g.Rate(p.store); rate > 0 {
			// As long as these bytes should have taken, counted from the file's beginning.
			should := time.Duration(float64(p.given) / float64(rate) * float64(time.Second))
			p.hold(should - p.g.Now().Sub(p.begun))
		}
	}
	if p.g.Growing == nil {
		return
	}
	said := false
	for p.ctx.Err() == nil {
		rec := p.g.Growing(p.store)
		if rec == "" {
			break
		}
		if !said && p.g.Paused != nil {
			p.g.Paused(p.store, rec)
		}
		said = true
		p.hold(look)
	}
	if said && p.g.Paused != nil {
		p.g.Paused(p.store, "")
	}
}

// hold waits, or until the run ends.
func (p *Pass) hold(d time.Duration) {
	if d <= 0 {
		return
	}
	began := p.g.Now()
	select {
	case <-p.ctx.Done():
	case <-time.After(d):
	}
	p.held += max(p.g.Now().Sub(began), 0)
}

// Paces ends the measuring: what reading each store has taken.
func (p *Pass) Paces() map[string]Measure {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.settle(p.g.Now())
	p.begun = time.Time{}
	return p.paces
}
