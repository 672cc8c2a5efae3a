package schedule

import (
	"context"
	"sync"
	"time"
)

// drives lets one run at a time onto each drive.
type drives struct {
	mu sync.Mutex
	m  map[string]*drive
}

type drive struct {
	turn   chan struct{} // holds one token while the drive is free
	cancel context.CancelCauseFunc
	gave   time.Time // when a run gave way last
	hurry  bool      // what runs is in a hurry itself
}

// GiveWayEvery is how often a run on a drive gives way at most: one that always did
// would never end.
const GiveWayEvery = 10 * time.Minute

// take waits for a drive. The function it returns lets the next one on.
func (d *drives) take(ctx context.Context, name string, hurry bool, now time.Time, cancel context.CancelCauseFunc) (func(), error) {
	d.mu.Lock()
	if d.m == nil {
		d.m = map[string]*drive{}
	}
	x := d.m[name]
	if x == nil {
		x = &drive{turn: make(chan struct{}, 1)}
		x.turn <- struct{}{}
		d.m[name] = x
	}
	if hurry && x.cancel != nil && !x.hurry && now.Sub(x.gave) >= GiveWayEvery {
		x.gave = now
		x.cancel(ErrGivesWay)
	}
	d.mu.Unlock()
	select {
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	case <-x.turn:
	}
	d.mu.Lock()
	x.cancel, x.hurry = cancel, hurry
	d.mu.Unlock()
	return func() {
		d.mu.Lock()
		x.cancel = nil
		d.mu.Unlock()
		x.turn <- struct{}{}
	}, nil
}
