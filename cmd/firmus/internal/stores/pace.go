package stores

import (
	"context"
	"sync"
	"time"
)

// pace counts what is read of a store, and holds it to the store's rate.
type pace struct {
	rate  int64 // bytes a second; 0: as it can
	count func(ctx context.Context, n int64) error

	mu   sync.Mutex
	next time.Time // when what was read so far has taken as long as it should; by the machine's clock
	owed int64     // read and not counted yet
}

// countEvery is how many bytes of a long file are read before they are counted: a kill
// loses no more of the count.
const countEvery = 64 << 20

// piece is how many bytes are read at once: an eighth of a second's.
func (p *pace) piece(n int) int {
	if p.rate <= 0 {
		return n
	}
	return int(min(int64(n), max(p.rate/8, 1)))
}

// read counts n bytes, and says how long to wait before the next.
func (p *pace) read(ctx context.Context, n int64) time.Duration {
	p.mu.Lock()
	p.owed += n
	full := p.owed >= countEvery
	wait := time.Duration(0)
	if p.rate > 0 {
		now := time.Now()
		if p.next.Before(now) {
			p.next = now
		}
		p.next = p.next.Add(time.Duration(float64(n) / float64(p.rate) * float64(time.Second)))
		wait = p.next.Sub(now)
	}
	p.mu.Unlock()
	if full {
		p.flush(ctx)
	}
	return wait
}

// flush keeps the count; what can't be kept now is kept with the next file.
func (p *pace) flush(ctx context.Context) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.count == nil {
		p.owed = 0
	}
	if p.owed == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if p.count(ctx, p.owed) == nil {
		p.owed = 0
	}
}
