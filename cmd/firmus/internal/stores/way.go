package stores

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
)

// Silence is how long a store may leave a call unanswered before it counts as away. A
// listing and a read answer with each entry and each piece.
const Silence = time.Minute

// A store that left its last call unanswered is waited for so long, in a use that begins then.
const silentAgain = 5 * time.Second

// slowly is by how much longer is waited for what takes many requests.
const slowly = 30

// way is a root each call of which is waited for no longer than the store may be
// silent. What is read through it in a use is held to the store's limits.
type way struct {
	s     Stores
	store string
	set   string
	in    Root
	u     *Used // nil: it is only looked at
	slow  bool  // for calls of a service that take many requests, each of which its client bounds
}

// Inner is the root itself, to see what a service alone can be asked; it is asked through
// Slowly. Other roots come back as they are.
func Inner(r Root) Root {
	if w, ok := r.(*way); ok {
		return w.in
	}
	return r
}

// bound is how long a call is waited for.
func (w *way) bound() time.Duration {
	d := Silence
	if w.s.Silence > 0 {
		d = w.s.Silence
	}
	if w.s.turns().isSilent(w.store) {
		d = min(silentAgain, d)
	}
	if w.slow {
		d *= slowly
	}
	return d
}

// fellSilent says that a call was left unanswered for so long. For the rest of the use, and of a
// command, the store is away: each further call would be waited for as long.
func (w *way) fellSilent(after time.Duration) error {
	w.s.turns().fellSilent(w.store)
	if w.u != nil {
		w.u.silent.Store(true)
	}
	return fmt.Errorf("%w: it has not answered for %s", fixity.ErrAway, after)
}

var errStill = fmt.Errorf("%w: it still doesn't answer", fixity.ErrAway)

// ask runs f, which may hang, and gives up with fixity.ErrAway when the store has been
// silent for too long, or with the cause of ctx.
func ask[T any](ctx context.Context, w *way, f func(context.Context) (T, error)) (T, error) {
	v, err, _ := attempt(ctx, w, f, nil)
	return v, err
}

// attempt is ask, and says whether f was left behind, still at work; late is given what
// it returns after all. While a call is left behind no other is begun: they would pile up.
func attempt[T any](ctx context.Context, w *way, f func(context.Context) (T, error), late func(T, error)) (v T, err error, left bool) {
	return attemptBeating(ctx, w, func(ctx context.Context, _ func()) (T, error) { return f(ctx) }, late)
}

// attemptBeating is attempt for a call that takes long: each beat counts as an answer.
func attemptBeating[T any](ctx context.Context, w *way, f func(ctx context.Context, beat func()) (T, error), late func(T, error)) (v T, err error, left bool) {
	if err := w.answers(ctx); err != nil {
		return v, err, false
	}
	type result struct {
		v   T
		err error
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	got := make(chan result, 1)
	bound := w.bound()
	timer := time.NewTimer(bound)
	defer timer.Stop()
	go func() {
		v, err := f(ctx, func() {
			if ctx.Err() == nil {
				timer.Reset(bound)
			}
		})
		got <- result{v, err}
	}()
	select {
	case r := <-got:
		if ctx.Err() == nil {
			w.s.turns().answered(w.store)
		}
		return r.v, r.err, false
	case <-ctx.Done():
	case <-timer.C:
		cancel(w.fellSilent(bound))
	}
	done := w.s.turns().givenUp(w.store)
	go func() {
		defer done()
		r := <-got
		if late != nil {
			late(r.v, r.err)
		}
	}()
	return v, context.Cause(ctx), true
}

// answers waits while a call that was left behind is still at work, but not for long, and not at
// all where the store is away for good.
func (w *way) answers(ctx context.Context) error {
	if t := w.s.turns(); !t.Lasting && t.isSilent(w.store) || w.u != nil && w.u.silent.Load() {
		return errStill
	}
	if stuck := w.s.turns().waitsFor(w.store); stuck != nil {
		timer := time.NewTimer(min(silentAgain, w.bound()))
		defer timer.Stop()
		select {
		case <-stuck:
		case <-ctx.Done():
		case <-timer.C:
			return errStill
		}
	}
	return context.Cause(ctx)
}

// Ask does in a store what its roots can't be asked for, and waits for that as for any call.
func Ask[T any](ctx context.Context, s Stores, store string, f func() (T, error)) (T, error) {
	held, _ := ctx.Value(heldKey{}).(*held)
	return ask(ctx, &way{s: s, store: store, u: held.store(store)}, func(context.Context) (T, error) { return f() })
}

// askBeating is ask for a call that takes long: each beat counts as an answer.
func askBeating[T any](ctx context.Context, w *way, f func(ctx context.Context, beat func()) (T, error)) (T, error) {
	v, err, _ := attemptBeating(ctx, w, f, nil)
	return v, err
}

// do is ask for a call that returns nothing.
func do(ctx context.Context, w *way, f func(context.Context) error) error {
	_, err := ask(ctx, w, func(ctx context.Context) (struct{}, error) { return struct{}{}, f(ctx) })
	return err
}

func (w *way) Identify(ctx context.Context) (fixity.Identity, error) {
	return ask(ctx, w, w.in.Identify)
}

func (w *way) Adopt(ctx context.Context, id fixity.Identity) error {
	return do(ctx, w, func(ctx context.Context) error { return w.in.Adopt(ctx, id) })
}

func (w *way) TakeOver(ctx context.Context, id fixity.Identity) error {
	return do(ctx, w, func(ctx context.Context) error { return w.in.TakeOver(ctx, id) })
}

// Shards of a service come with a listing of all of it, so they may take longer.
func (w *way) Shards(ctx context.Context) ([]string, error) {
	if w.s.kind(w.store) == cloudKind {
		return ask(ctx, w.slowly(), w.in.Shards)
	}
	shards, err := ask(ctx, w, w.in.Shards)
	if err == nil && w.u != nil {
		err = w.noteMounts(ctx, shards)
	}
	return shards, err
}

func (w *way) slowly() *way {
	x := *w
	x.slow = true
	return &x
}

func (w *way) Stat(ctx context.Context, path string) (fixity.Entry, error) {
	return ask(ctx, w, func(ctx context.Context) (fixity.Entry, error) { return w.in.Stat(ctx, path) })
}

// List waits for each entry by itself: what is done with it takes none of the store's
// time.
func (w *way) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		if err := w.mounted(ctx, shard); err != nil {
			yield(fixity.Entry{}, fmt.Errorf("list %q: %w: %w", shard, fixity.ErrIncomplete, err))
			return
		}
		for e, err := range each(ctx, w, func(ctx context.Context) iter.Seq2[fixity.Entry, error] { return w.in.List(ctx, shard) }) {
			if errors.Is(err, errLeft) {
				err = fmt.Errorf("list %q: %w: %w", shard, fixity.ErrIncomplete, err)
			}
			if !yield(e, err) || err != nil {
				return
			}
		}
	}
}

// errLeft is in the error of what was given up while the system still works on it.
var errLeft = errors.New("given up")

// each waits for each of all by itself, and ends with errLeft when one doesn't come.
func each[T any](ctx context.Context, w *way, all func(context.Context) iter.Seq2[T, error]) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		ctx, cancel := context.WithCancelCause(ctx)
		defer cancel(nil)
		next, stop := iter.Pull2(all(ctx))
		type one struct {
			v  T
			ok bool
		}
		for {
			x, err, left := attempt(ctx, w, func(context.Context) (one, error) {
				v, err, ok := next()
				return one{v, ok}, err
			}, func(one, error) { stop() })
			if left {
				cancel(err)
				yield(x.v, leftError{err})
				return
			}
			if err == nil && !x.ok || !yield(x.v, err) || err != nil {
				stop()
				return
			}
		}
	}
}

// leftError is errLeft, with the cause's words alone.
type leftError struct{ error }

func (e leftError) Unwrap() []error { return []error{e.error, errLeft} }

// Slowly asks what lies behind a root something that a service alone can be asked, and that
// takes many requests: its client bounds each, and this all of them. A service that hasn't
// answered by then is away.
func Slowly[T any](ctx context.Context, r Root, f func(context.Context) (T, error)) (T, error) {
	w, ok := r.(*way)
	if !ok {
		return f(ctx)
	}
	return ask(ctx, w.slowly(), f)
}

// EachSlowly is Slowly for what is told one by one: each may take as long.
func EachSlowly[T any](ctx context.Context, r Root, all func(context.Context) iter.Seq2[T, error]) iter.Seq2[T, error] {
	w, ok := r.(*way)
	if !ok {
		return all(ctx)
	}
	return each(ctx, w.slowly(), all)
}

// Open gives a reader that is waited for piece by piece, and held to what the store
// allows. In a use that keeps to its store's window no file is begun outside it.
func (w *way) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	if w.u != nil {
		if err := w.u.mayBegin(ctx); err != nil {
			return nil, err
		}
	}
	ctx, cancel := context.WithCancelCause(ctx)
	in, err, _ := attempt(ctx, w, func(context.Context) (fixity.Reader, error) { return w.in.Open(ctx, e, offset) },
		func(in fixity.Reader, err error) {
			if err == nil {
				in.Close()
			}
		})
	if err != nil {
		cancel(nil)
		return nil, err
	}
	return &reader{in: in, w: w, ctx: ctx, cancel: cancel}, nil
}

// Begin is Stat and Open, in one call where the root can do that (audit.Begins).
func (w *way) Begin(ctx context.Context, path string) (fixity.Entry, fixity.Reader, error) {
	in, ok := w.in.(audit.Begins)
	if !ok {
		e, err := w.Stat(ctx, path)
		if err != nil || e.Type != fixity.File {
			return e, nil, err
		}
		r, err := w.Open(ctx, e, 0)
		return e, r, err
	}
	if w.u != nil {
		if err := w.u.mayBegin(ctx); err != nil {
			return fixity.Entry{}, nil, err
		}
	}
	type begun struct {
		e fixity.Entry
		r fixity.Reader
	}
	ctx, cancel := context.WithCancelCause(ctx)
	b, err, _ := attempt(ctx, w, func(context.Context) (b begun, err error) {
		b.e, b.r, err = in.Begin(ctx, path)
		return b, err
	}, func(b begun, _ error) {
		if b.r != nil {
			b.r.Close()
		}
	})
	if b.r == nil {
		cancel(nil)
		return b.e, nil, err
	}
	return b.e, &reader{in: b.r, w: w, ctx: ctx, cancel: cancel}, nil
}

func (w *way) ReadFile(ctx context.Context, path string, limit int64) ([]byte, error) {
	return ask(ctx, w, func(ctx context.Context) ([]byte, error) { return w.in.ReadFile(ctx, path, limit) })
}

// Replace and ReplaceVerified take as long as what is written: each piece that is taken
// counts as an answer.
func (w *way) Replace(ctx context.Context, path string, write func(io.Writer) error) error {
	return w.writing(ctx, func(ctx context.Context, beat func()) error {
		return w.in.Replace(ctx, path, func(to io.Writer) error { return write(beating{to, beat}) })
	})
}

func (w *way) ReplaceVerified(ctx context.Context, path string, write func(io.Writer) error, verify func(fixity.Reader) error) error {
	return w.writing(ctx, func(ctx context.Context, beat func()) error {
		return w.in.ReplaceVerified(ctx, path, func(to io.Writer) error { return write(beating{to, beat}) },
			func(r fixity.Reader) error { return verify(beatingReader{r, beat}) })
	})
}

// writing is a call that answers in pieces. It is not given up while it hangs in the
// system: whoever asks for it has the store's lock, and nobody else may write there then.
func (w *way) writing(ctx context.Context, f func(ctx context.Context, beat func()) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	if err := w.answers(ctx); err != nil {
		return err
	}
	bound := w.bound()
	timer := time.AfterFunc(bound, func() { cancel(w.fellSilent(bound)) })
	defer timer.Stop()
	err := f(ctx, func() { timer.Reset(bound) })
	if cause := context.Cause(ctx); err != nil && cause != nil && !errors.Is(err, cause) {
		err = fmt.Errorf("%w: %w", cause, err)
	}
	return err
}

type beating struct {
	io.Writer
	beat func()
}

func (b beating) Write(p []byte) (int, error) {
	n, err := b.Writer.Write(p)
	b.beat()
	return n, err
}

type beatingReader struct {
	fixity.Reader
	beat func()
}

func (b beatingReader) Read(p []byte) (int, error) {
	n, err := b.Reader.Read(p)
	b.beat()
	return n, err
}

func (w *way) Names(ctx context.Context, folder string) ([]string, error) {
	return ask(ctx, w, func(ctx context.Context) ([]string, error) { return w.in.Names(ctx, folder) })
}

func (w *way) RenameOwn(ctx context.Context, from, to string) error {
	return do(ctx, w, func(ctx context.Context) error { return w.in.RenameOwn(ctx, from, to) })
}

func (w *way) RemoveOwn(ctx context.Context, path string) error {
	return do(ctx, w, func(ctx context.Context) error { return w.in.RemoveOwn(ctx, path) })
}

// Sweep, SweepOwn and Restrict do nothing in a root in which Firmus doesn't write. A
// sweep goes everywhere: what it tells counts as an answer.
func (w *way) Sweep(ctx context.Context, _ func()) (int, error) {
	if in, ok := w.in.(Swept); ok {
		return askBeating(ctx, w, in.Sweep)
	}
	return 0, nil
}

func (w *way) SweepOwn(ctx context.Context, folder string, _ func()) (int, error) {
	if in, ok := w.in.(Swept); ok {
		return askBeating(ctx, w, func(ctx context.Context, beat func()) (int, error) { return in.SweepOwn(ctx, folder, beat) })
	}
	return 0, nil
}

func (w *way) Restrict(ctx context.Context, folder string, file, dir fs.FileMode, group int, mk bool) error {
	if in, ok := w.in.(Swept); ok {
		return do(ctx, w, func(ctx context.Context) error { return in.Restrict(ctx, folder, file, dir, group, mk) })
	}
	return nil
}

// mended is the root as one in which files are put back; fixity.ErrRefused if it is none.
func (w *way) mended() (Mended, error) {
	if in, ok := w.in.(Mended); ok {
		return in, nil
	}
	return nil, fmt.Errorf("nothing is ever written in store %s: %w", w.store, fixity.ErrRefused)
}

// PutBack takes as long as what is written, as Replace does.
func (w *way) PutBack(ctx context.Context, p fixity.PuttingBack, write func(io.Writer) error, verify func(fixity.Reader) error) (kept string, err error) {
	in, err := w.mended()
	if err != nil {
		return "", err
	}
	err = w.writing(ctx, func(ctx context.Context, beat func()) (err error) {
		kept, err = in.PutBack(ctx, p, func(to io.Writer) error { return write(beating{to, beat}) },
			func(r fixity.Reader) error { return verify(beatingReader{r, beat}) })
		return err
	})
	return kept, err
}

func (w *way) Move(ctx context.Context, e fixity.Entry, to string) error {
	in, err := w.mended()
	if err != nil {
		return err
	}
	return do(ctx, w, func(ctx context.Context) error { return in.Move(ctx, e, to) })
}

func (w *way) Free(ctx context.Context) (int64, error) {
	in, err := w.mended()
	if err != nil {
		return -1, err
	}
	return ask(ctx, w, in.Free)
}

// KeptFiles are also those in first-level folders that lie on volumes of their own.
func (w *way) KeptFiles(ctx context.Context, mounts []string, _ func()) ([]fixity.Kept, error) {
	in, err := w.mended()
	if err != nil {
		return nil, err
	}
	return askBeating(ctx, w, func(ctx context.Context, beat func()) ([]fixity.Kept, error) { return in.KeptFiles(ctx, mounts, beat) })
}

func (w *way) RemoveKept(ctx context.Context, path string) error {
	in, err := w.mended()
	if err != nil {
		return err
	}
	return do(ctx, w, func(ctx context.Context) error { return in.RemoveKept(ctx, path) })
}

// FileID is "" where the system doesn't tell.
func (w *way) FileID(ctx context.Context, path string) (string, error) {
	if in, ok := w.in.(Identified); ok {
		return ask(ctx, w, func(ctx context.Context) (string, error) { return in.FileID(ctx, path) })
	}
	return "", nil
}

// Volume fails with fixity.ErrNotFound where the system doesn't tell.
func (w *way) Volume(ctx context.Context) (fixity.Lies, error) {
	if in, ok := w.in.(Lies); ok {
		return ask(ctx, w, in.Volume)
	}
	return fixity.Lies{}, fmt.Errorf("volume of store %s: %w", w.store, fixity.ErrNotFound)
}
