package disk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"sync"

	"firmus/fixity"
)

// smallest is the least that is asked for at once near a place that can't be
// read, in bytes: the length of a block sum's block.
const smallest = 64 << 10

// reader is a fixity.Reader. Read is for one goroutine; Close may come from any
// other.
type reader struct {
	d     *Dir
	path  string
	src   source
	found fs.FileInfo // the file as it was opened
	off   int64       // of the next byte
	bad   int64       // something before this offset can't be read; 0: not known

	ended func() error // cause of the context's end; nil: it has none

	mu     sync.Mutex
	busy   bool // a Read is under way
	closed bool // Close was called; the Read under way closes src
}

// watch makes Reads fail once ctx has ended.
func (r *reader) watch(ctx context.Context) {
	r.ended = func() error { return context.Cause(ctx) }
}

// Cache says how the page cache was treated; final once Read gave io.EOF.
func (r *reader) Cache() fixity.Cache { return r.src.cache() }

func (r *reader) Read(p []byte) (int, error) {
	var err error
	if r.ended != nil {
		err = r.ended()
	}
	r.mu.Lock()
	if r.closed {
		err = fs.ErrClosed
	}
	if err == nil {
		r.busy = true
	}
	r.mu.Unlock()
	if err != nil {
		return 0, r.errorf(err)
	}
	n, err := r.next(p)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.busy = false
	if r.closed {
		r.src.close()
	}
	r.off += int64(n)
	if err != nil && err != io.EOF {
		err = r.errorf(err)
	}
	return n, err
}

func (r *reader) errorf(err error) error {
	return fmt.Errorf("read %q in %s at %d: %w", r.path, r.d.root, r.off, err)
}

// next reads at r.off. Near a bad place it asks for less, so that all but the
// block it lies in is had; it never asks again for what was just refused whole.
func (r *reader) next(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if r.off >= r.found.Size() {
		return 0, r.end()
	}
	for {
		q := p
		if room := r.bad - r.off; room > 0 && int64(len(q)) > smallest {
			q = q[:min(int64(len(q)), max(smallest, room/2&^(smallest-1)))]
		}
		n, err := r.src.read(q, r.off)
		switch {
		case err == nil && n == 0:
			if err = r.end(); err == io.EOF {
				err = fmt.Errorf("%w: %w", fixity.ErrUnreadable, errNoEnd)
			}
			return 0, err
		case err == nil:
			return n, nil
		}
		err = r.mapRead(err)
		if !errors.Is(err, fixity.ErrUnreadable) || len(q) <= smallest {
			return 0, err
		}
		if bad := r.off + int64(len(q)); r.bad <= r.off || bad < r.bad {
			r.bad = bad
		}
	}
}

// end is io.EOF if the file is still the one that was opened.
func (r *reader) end() error {
	is, err := r.src.stat()
	if err != nil {
		return mapErr(err)
	}
	if err := unchanged(r.found, is); err != nil {
		return err
	}
	return io.EOF
}

// mapRead tells a drive that went away from one that can't read a place: both
// give the same error.
func (r *reader) mapRead(err error) error {
	err = mapErr(err)
	if !errors.Is(err, fixity.ErrUnreadable) {
		return err
	}
	if deviceGone(r.found) || remote(r.src, err) {
		return fmt.Errorf("%w: %w", fixity.ErrAway, plain(errors.Unwrap(err)))
	}
	return err
}

func (r *reader) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return os.ErrClosed
	}
	r.closed = true
	if r.busy {
		return nil
	}
	return r.src.close()
}
