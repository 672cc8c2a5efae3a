package faulty

import (
	"context"
	"fmt"
	"io"
	"iter"
	"sync"

	"firmus/fixity"
)

// Inner is a store of any kind.
type Inner interface {
	Identify(ctx context.Context) (fixity.Identity, error)
	Shards(ctx context.Context) ([]string, error)
	List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error]
	Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error)
}

// Store is an Inner with faults. It may be used by several goroutines, but the
// order of their calls is then theirs.
type Store struct {
	inner  Inner
	mu     sync.Mutex
	faults []Fault
	n      int
	of     map[Op]int
	opened map[string]int
}

// Wrap gives inner the faults. Of several that befall one operation, the first
// Err, Wait and Most count, and each Change.
func Wrap(inner Inner, faults ...Fault) *Store {
	return &Store{inner: inner, faults: faults, of: map[Op]int{}, opened: map[string]int{}}
}

// Set gives the store other faults from the next operation on.
func (s *Store) Set(faults ...Fault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = faults
}

// Ops is how many operations there were.
func (s *Store) Ops() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.n
}

// Count is how many operations of one kind there were.
func (s *Store) Count(op Op) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.of[op]
}

// call counts an operation and asks what befalls it; then it waits if it must.
func (s *Store) call(ctx context.Context, c Call) Effect {
	s.mu.Lock()
	c.N, c.Nth = s.n, s.of[c.Op]
	s.n++
	s.of[c.Op]++
	var all Effect
	for _, f := range s.faults {
		e := f(c)
		if all.Err == nil {
			all.Err = e.Err
		}
		if all.Wait == nil {
			all.Wait = e.Wait
		}
		if all.Most == 0 {
			all.Most = e.Most
		}
		all.End = all.End || e.End
		if e.Change != nil {
			first, then := all.Change, e.Change
			all.Change = func(p []byte, off int64) {
				if first != nil {
					first(p, off)
				}
				then(p, off)
			}
		}
	}
	s.mu.Unlock()
	if all.Wait != nil {
		select {
		case <-all.Wait:
		case <-ctx.Done():
			return Effect{Err: fmt.Errorf("%s %q: %w", c.Op, c.Path, context.Cause(ctx))}
		}
	}
	if all.Err != nil {
		all.Err = fmt.Errorf("%s %q: %w", c.Op, c.Path, all.Err)
	}
	return all
}

// Identify is Inner's.
func (s *Store) Identify(ctx context.Context) (fixity.Identity, error) {
	if e := s.call(ctx, Call{Op: Identify}); e.Err != nil {
		return fixity.Identity{}, e.Err
	}
	return s.inner.Identify(ctx)
}

// Shards is Inner's.
func (s *Store) Shards(ctx context.Context) ([]string, error) {
	if e := s.call(ctx, Call{Op: Shards}); e.Err != nil {
		return nil, e.Err
	}
	return s.inner.Shards(ctx)
}

// List is Inner's; a fault ends the sequence with its error.
func (s *Store) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		if e := s.call(ctx, Call{Op: List, Path: shard}); e.Err != nil {
			yield(fixity.Entry{}, e.Err)
			return
		}
		for entry, err := range s.inner.List(ctx, shard) {
			if err != nil {
				yield(entry, err)
				return
			}
			if e := s.call(ctx, Call{Op: Step, Path: entry.Path}); e.Err != nil {
				yield(fixity.Entry{}, e.Err)
				return
			}
			if !yield(entry, nil) {
				return
			}
		}
		if e := s.call(ctx, Call{Op: Step}); e.Err != nil {
			yield(fixity.Entry{}, e.Err)
		}
	}
}

// Open is Inner's; the Reader has the faults too.
func (s *Store) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	s.mu.Lock()
	nread := s.opened[e.Path]
	s.opened[e.Path]++
	s.mu.Unlock()
	if x := s.call(ctx, Call{Op: Open, Path: e.Path, Offset: offset, Nread: nread}); x.Err != nil {
		return nil, x.Err
	}
	r, err := s.inner.Open(ctx, e, offset)
	if err != nil {
		return nil, err
	}
	return &reader{Reader: r, s: s, path: e.Path, off: offset, nread: nread}, nil
}

type reader struct {
	fixity.Reader
	s     *Store
	path  string
	off   int64
	nread int
}

func (r *reader) Read(p []byte) (int, error) {
	e := r.s.call(context.Background(), Call{Op: Read, Path: r.path, Offset: r.off, Nread: r.nread})
	switch {
	case e.Err != nil:
		return 0, e.Err
	case e.End:
		return 0, io.EOF
	case e.Most > 0 && e.Most < len(p):
		p = p[:e.Most]
	}
	n, err := r.Reader.Read(p)
	if e.Change != nil {
		e.Change(p[:n], r.off)
	}
	r.off += int64(n)
	return n, err
}

func (r *reader) Close() error {
	e := r.s.call(context.Background(), Call{Op: Close, Path: r.path, Nread: r.nread})
	if err := r.Reader.Close(); err != nil && e.Err == nil {
		return err
	}
	return e.Err
}
