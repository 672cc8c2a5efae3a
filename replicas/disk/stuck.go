package disk

import (
	"context"
	"io"
	"sync"
)

// stuck counts calls that were given up while the system still works on them.
type stuck struct {
	mu   sync.Mutex
	n    int
	none chan struct{} // closed when n falls to 0; nil while n is 0
}

// add counts one more; the function it returns takes it off again.
func (s *stuck) add() (done func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.n == 0 {
		s.none = make(chan struct{})
	}
	s.n++
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.n--; s.n == 0 {
			close(s.none)
			s.none = nil
		}
	}
}

// wait returns when no call is stuck, or with the cause of ctx.
func (s *stuck) wait(ctx context.Context) error {
	for ctx.Err() == nil {
		s.mu.Lock()
		none := s.none
		s.mu.Unlock()
		if none == nil {
			return nil
		}
		select {
		case <-none:
		case <-ctx.Done():
		}
	}
	return context.Cause(ctx)
}

// any says that a call is stuck just now.
func (s *stuck) any() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.n > 0
}

// call runs f, which may hang in the system, and gives up with the cause of ctx
// when that ends first. What f returns after that is closed if it can be.
func call[T any](ctx context.Context, s *stuck, f func() (T, error)) (T, error) {
	var zero T
	if err := s.wait(ctx); err != nil {
		return zero, err
	}
	if ctx.Done() == nil {
		return f()
	}
	type result struct {
		v   T
		err error
	}
	got := make(chan result, 1)
	go func() {
		v, err := f()
		got <- result{v, err}
	}()
	select {
	case r := <-got:
		return r.v, r.err
	case <-ctx.Done():
	}
	done := s.add()
	go func() {
		defer done()
		r := <-got
		if c, ok := any(r.v).(io.Closer); ok && r.err == nil {
			c.Close()
		}
	}()
	return zero, context.Cause(ctx)
}
