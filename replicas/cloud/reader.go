package cloud

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"firmus/fixity"
)

// progress is how many bytes must come before earlier failures of a transfer are
// forgotten. So the number of times it is taken up again is bounded by the size.
const progress = 1 << 20

var errClosed = errors.New("the Reader is closed")

// reader gives the bytes of one version of a file.
type reader struct {
	s      *Store
	ctx    context.Context // of the Open that made it
	cancel context.CancelCauseFunc

	mu    sync.Mutex // held by a Read, and by Close after it ended what Read waits for
	it    Item
	from  int64 // where it was opened
	off   int64
	body  io.ReadCloser // nil: to be opened
	stop  context.CancelFunc
	stall *time.Timer
	begun bool  // a body was opened before
	fails int   // since progress
	since int64 // bytes since the last failure
	short int   // times that the service ended at off as if that were all
	err   error // what every Read gives from now on
}

// Cache says that no page cache of this computer was asked.
func (r *reader) Cache() fixity.Cache { return fixity.Bypassed }

func (r *reader) Read(p []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.ctx.Err() != nil {
		return 0, context.Cause(r.ctx)
	}
	if r.err != nil || len(p) == 0 {
		return 0, r.err
	}
	n, err := r.read(p)
	if err != nil && err != io.EOF {
		if r.ctx.Err() != nil {
			err = context.Cause(r.ctx)
		}
		err = fmt.Errorf("read %q at %d: %w", r.it.Name, r.off, err)
	}
	r.err = err
	return n, err
}

func (r *reader) read(p []byte) (int, error) {
	for {
		if r.off == r.it.Size {
			return 0, r.finish()
		}
		if r.body == nil {
			if err := r.connect(); err != nil {
				return 0, err
			}
		}
		n, err := r.take(p[:min(int64(len(p)), r.it.Size-r.off)])
		if n > 0 {
			r.off += int64(n)
			if r.since += int64(n); r.since >= progress {
				r.fails = 0
			}
			r.short = 0
			return n, nil // an error comes again, or what is left is asked for
		}
		if err == nil {
			continue
		}
		r.drop()
		if err := r.failed(err); err != nil {
			return 0, err
		}
	}
}

// take reads from the body, for as long as bytes come.
func (r *reader) take(p []byte) (int, error) {
	r.stall.Reset(r.s.o.Stall)
	defer r.stall.Stop()
	return r.body.Read(p)
}

// failed waits after a transfer that broke, or gives the error to end with.
func (r *reader) failed(err error) error {
	// Whether the service is still there is asked before the transfer is taken up.
	why := &Error{Class: Later, Text: "the connection broke", Partly: r.off > r.from, Err: err}
	if errors.Is(err, io.EOF) {
		if r.short++; r.short == 3 {
			return fmt.Errorf("%w: the service says that it has %d bytes, and ends after %d", fixity.ErrUnreadable, r.it.Size, r.off)
		}
		why.Text, why.Err = fmt.Sprintf("the transfer ended after %d of %d bytes", r.off, r.it.Size), nil
	} else if errors.Is(err, context.Canceled) {
		why.Text, why.Partly, why.Err = fmt.Sprintf("no byte came for %s", r.s.o.Stall), false, nil
	}
	return r.wait(why)
}

func (r *reader) wait(why error) error {
	_, err := r.s.again(r.ctx, r.fails, why)
	r.fails++
	r.since = 0
	return err
}

// connect opens a body at off. Bytes of two versions must never be joined, so from
// the second time on the file is asked for first.
func (r *reader) connect() error {
	for {
		if r.begun {
			if err := r.same(); err != nil {
				return err
			}
		}
		ctx, stop := context.WithCancel(r.ctx)
		// Until the first byte has come, a call may take as long as any other.
		stall := time.AfterFunc(r.s.o.Timeout, stop)
		body, err := r.s.service.Open(ctx, r.it, r.off)
		r.begun = true
		if err == nil {
			r.body, r.stop, r.stall = body, stop, stall
			return nil
		}
		stall.Stop()
		timedOut := ctx.Err() != nil && r.ctx.Err() == nil
		stop()
		switch {
		case errors.Is(err, ErrOtherSize):
			if err := r.same(); err != nil {
				return err
			}
			return fmt.Errorf("%w: the service says that it has %d bytes, but %w", fixity.ErrUnreadable, r.it.Size, err)
		case classOf(err) == NotVisible:
			return r.s.vanished(r.ctx, fmt.Errorf("%w: %w", fixity.ErrVanished, err))
		case classOf(err) == ThisFile:
			return r.s.vanished(r.ctx, err)
		case timedOut:
			err = &Error{Class: Later, Text: fmt.Sprintf("no answer came for %s", r.s.o.Timeout)}
		}
		if err := r.wait(err); err != nil {
			return err
		}
	}
}

func (r *reader) drop() {
	if r.body != nil {
		r.stall.Stop()
		r.stop()
		r.body.Close()
		r.body = nil
	}
}

// finish is io.EOF if the file ended where it should and is still the same.
func (r *reader) finish() error {
	if r.body != nil {
		n, _ := r.take(make([]byte, 1))
		r.drop()
		if n > 0 {
			return fmt.Errorf("%w: the service says that it has %d bytes, and gives more", fixity.ErrUnreadable, r.it.Size)
		}
	}
	if err := r.same(); err != nil {
		return err
	}
	return io.EOF
}

// same says whether the file is still the version that was opened.
func (r *reader) same() error {
	it, err := r.s.present(r.ctx, r.it.ID)
	switch {
	case err != nil:
		return err
	case it.Kind != Blob || it.pin() != r.it.pin():
		return fmt.Errorf("%w: another version was put in its place", fixity.ErrChanged)
	}
	return nil
}

// Close ends a Read under way.
func (r *reader) Close() error {
	r.cancel(errClosed)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.drop()
	r.err = errClosed
	return nil
}
