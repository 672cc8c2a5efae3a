package cloud

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"
)

// Retry says how often and after what time a call is repeated.
type Retry struct {
	Attempts int           // in all; 0 is 6
	Base     time.Duration // the first wait; 0 is a second
	Cap      time.Duration // the longest; 0 is 32 seconds
}

// longestAsked is the longest wait that a service may ask for. Beyond it the call
// is given up: an audit shouldn't sit still for longer.
const longestAsked = 2 * time.Minute

func (r Retry) filled() Retry {
	if r.Attempts <= 0 {
		r.Attempts = 6
	}
	if r.Base <= 0 {
		r.Base = time.Second
	}
	if r.Cap <= 0 {
		r.Cap = 32 * time.Second
	}
	return r
}

// wait is the time before attempt n+1 (truncated exponential back-off, of which
// one half is left to chance so that several clients don't come back together),
// and at least what the service asked for. It is false if that is too long.
func (r Retry) wait(n int, err error) (time.Duration, bool) {
	d := r.Cap
	if n < 32 {
		d = min(r.Base<<n, r.Cap)
	}
	if d <= 0 {
		d = r.Cap
	}
	d = d/2 + time.Duration(rand.Int64N(int64(d/2)+1))
	var e *Error
	if errors.As(err, &e) && e.After > d {
		if e.After > longestAsked {
			return 0, false
		}
		d = e.After
	}
	return d, true
}

// try makes a call, and makes it again while its error is of class Later. One
// attempt may take Options.Timeout.
func (s *Store) try(ctx context.Context, call func(context.Context) error) error {
	for n := 0; ; n++ {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		one, cancel := context.WithTimeout(ctx, s.o.Timeout)
		err := call(one)
		cancel()
		if err == nil {
			return nil
		}
		if again, stop := s.again(ctx, n, err); !again {
			return stop
		}
	}
}

// page is one page of what q asks for, with the rest of its items.
func (s *Store) page(ctx context.Context, q Query, token string) (p Page, err error) {
	if err := s.try(ctx, func(ctx context.Context) (err error) {
		p, err = s.service.Page(ctx, q, token)
		return err
	}); err != nil || p.Rest == nil {
		return p, err
	}
	return p, p.Rest(ctx, s.try)
}

// again waits before attempt n+1 after err. If there should be none it is false
// and gives the error to end with.
func (s *Store) again(ctx context.Context, n int, err error) (bool, error) {
	if ctx.Err() != nil {
		return false, context.Cause(ctx)
	}
	if classOf(err) != Later {
		return false, err
	}
	if n+1 >= s.o.Retry.Attempts {
		return false, fmt.Errorf("given up after %d attempts: %w", n+1, err)
	}
	d, ok := s.o.Retry.wait(n, err)
	if !ok {
		return false, fmt.Errorf("given up, the service asks to wait too long: %w", err)
	}
	if s.o.Again != nil {
		s.o.Again(err)
	}
	if err := s.o.Sleep(ctx, d); err != nil {
		if ctx.Err() != nil {
			err = context.Cause(ctx)
		}
		return false, err
	}
	return true, nil
}

// sleep waits for d or the end of ctx.
func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
