package app

import (
	"context"
	"sync"
	"time"

	"firmus/fixity"
)

// meter counts what is read of a store over the net, and holds it to the store's rate.
type meter struct {
	rate int64 // bytes a second; 0: as it can
	keep func(ctx context.Context, n int64) error
	said func(err error)

	mu   sync.Mutex
	next time.Time // when what was read so far has taken as long as it should; by the machine's clock
	owed int64     // read and not kept yet
}

// keepEvery is how many bytes of a long file are read before they are kept: a kill
// loses no more of the count.
const keepEvery = 64 << 20

// piece is how many bytes are read at once: an eighth of a second's.
func (m *meter) piece(n int) int {
	if m.rate <= 0 {
		return n
	}
	return int(min(int64(n), max(m.rate/8, 1)))
}

// read counts n bytes, and says how long to wait before the next.
func (m *meter) read(ctx context.Context, n int64) time.Duration {
	m.mu.Lock()
	m.owed += n
	full := m.owed >= keepEvery
	wait := time.Duration(0)
	if m.rate > 0 {
		now := time.Now()
		if m.next.Before(now) {
			m.next = now
		}
		m.next = m.next.Add(time.Duration(float64(n) / float64(m.rate) * float64(time.Second)))
		wait = m.next.Sub(now)
	}
	m.mu.Unlock()
	if full {
		m.flush(ctx)
	}
	return wait
}

// flush keeps the count; what can't be kept now is kept with the next file.
func (m *meter) flush(ctx context.Context) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.owed == 0 || m.keep == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := m.keep(ctx, m.owed); err != nil {
		if m.said != nil {
			m.said(err)
		}
		return
	}
	m.owed = 0
}

// metered is a Reader that goes through a meter.
type metered struct {
	fixity.Reader
	m      *meter
	ctx    context.Context
	closed chan struct{}
	once   sync.Once
}

func (m *meter) through(ctx context.Context, r fixity.Reader) fixity.Reader {
	return &metered{Reader: r, m: m, ctx: ctx, closed: make(chan struct{})}
}

func (r *metered) Read(p []byte) (int, error) {
	n, err := r.Reader.Read(p[:r.m.piece(len(p))])
	if n <= 0 {
		return n, notToday(err)
	}
	if wait := r.m.read(r.ctx, int64(n)); wait > 0 {
		t := time.NewTimer(wait)
		defer t.Stop()
		select {
		case <-t.C:
		case <-r.ctx.Done():
		case <-r.closed:
		}
	}
	return n, notToday(err)
}

func (r *metered) Close() error {
	r.once.Do(func() { close(r.closed) })
	err := r.Reader.Close()
	r.m.flush(r.ctx)
	return err
}
