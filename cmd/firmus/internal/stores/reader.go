package stores

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"sync"
	"time"

	"firmus/fixity"
)

// reader is a file of a store that is read in a use, or looked at. Each piece is waited
// for no longer than the store may be silent; pauses that the store's limits ask for
// come between two pieces.
type reader struct {
	in     fixity.Reader
	w      *way
	ctx    context.Context // of the Open
	cancel context.CancelCauseFunc
	buf    []byte // what a read that is left behind still writes to
	err    error  // a read was left behind

	closing sync.Once
	leaves  func() // ends what Leave began; may be nil
}

func (r *reader) Cache() fixity.Cache { return r.in.Cache() }

func (r *reader) Read(p []byte) (int, error) {
	if r.err != nil {
		return 0, r.err
	}
	if len(p) == 0 {
		return 0, nil
	}
	p = r.piece(p)
	if len(r.buf) < len(p) {
		r.buf = make([]byte, len(p))
	}
	buf := r.buf[:len(p)]
	began := time.Now()
	n, err, left := attempt(r.ctx, r.w, func(context.Context) (int, error) { return r.in.Read(buf) }, nil)
	if left {
		r.buf, r.err = nil, err
		return 0, err
	}
	copy(p, buf[:n])
	return n, r.read(n, err, began)
}

// piece is what is read at once.
func (r *reader) piece(p []byte) []byte {
	if r.w.u != nil {
		return p[:r.w.u.pace.piece(len(p))]
	}
	return p
}

// read notes what a read gave, and waits for as long as the store's limits ask.
func (r *reader) read(n int, err error, began time.Time) error {
	if n > 0 && r.w.u != nil {
		took := time.Since(began)
		r.w.u.read(r.ctx, int64(n), took)
		r.w.u.yields(r.ctx, int64(n), took, r.in.Cache())
	}
	if err != nil && !errors.Is(err, io.EOF) {
		r.err = err
	}
	return err
}

// Leave gives the same bytes for a goroutine that can be left behind: a Read of them hangs
// where the medium hangs, and the context then ends with fixity.ErrAway. It ends with ctx,
// too. Nothing is read by Read besides. See package digest.
func (r *reader) Leave(ctx context.Context) (io.Reader, context.Context) {
	over := func() {}
	if r.w.u != nil {
		over = r.w.u.passes()
	}
	stop := context.AfterFunc(ctx, func() { r.cancel(context.Cause(ctx)) })
	r.leaves = func() { stop(); over() }
	l := &leaving{reader: r}
	l.timer = time.AfterFunc(r.w.bound(), l.silent)
	l.timer.Stop()
	context.AfterFunc(r.ctx, l.leave)
	return l, r.ctx
}

// leaving is a reader whose Read may be left behind.
type leaving struct {
	*reader
	timer *time.Timer

	mu    sync.Mutex
	asked time.Time // since when the medium is asked; zero: it isn't
	bound time.Duration
	back  func() // takes a read that was left behind off the count; nil: none was
}

func (l *leaving) Read(p []byte) (int, error) {
	if l.err != nil {
		return 0, l.err
	}
	if len(p) == 0 {
		return 0, nil
	}
	if err := l.w.answers(l.ctx); err != nil {
		return 0, err
	}
	p = l.piece(p)
	began := time.Now()
	l.ask(began)
	n, err := l.in.Read(p)
	if l.answer() {
		return 0, context.Cause(l.ctx)
	}
	return n, l.read(n, err, began)
}

func (l *leaving) ask(now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.asked, l.bound = now, l.w.bound()
	l.timer.Reset(l.bound)
}

// answer ends a question; true says that it was left behind.
func (l *leaving) answer() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.asked = time.Time{}
	l.timer.Stop()
	if l.back == nil {
		return false
	}
	l.back()
	l.back = nil
	return true
}

// silent ends the context if the medium has not answered for too long.
func (l *leaving) silent() {
	l.mu.Lock()
	bound := l.bound
	late := !l.asked.IsZero() && time.Since(l.asked) >= bound
	l.mu.Unlock()
	if late {
		l.cancel(l.w.fellSilent(bound))
	}
}

// leave counts the read under way, if there is one, as left behind.
func (l *leaving) leave() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.asked.IsZero() && l.back == nil {
		l.back = l.w.s.turns().givenUp(l.w.store)
	}
}

// Close never waits for a read that hangs.
func (r *reader) Close() error {
	err := fs.ErrClosed
	r.closing.Do(func() {
		err = r.in.Close()
		r.cancel(nil)
		if r.w.u != nil {
			r.w.u.pace.flush(r.ctx)
		}
		if r.leaves != nil {
			r.leaves()
		}
	})
	return err
}
