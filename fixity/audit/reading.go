package audit

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/digest"
)

// readOne reads one copy or stray as often as is needed to say what it is. With an
// error nothing can be said of it: it stays due.
func (r *slice) readOne(ctx context.Context, d fixity.Due) (fixity.Result, error) {
	cache := r.s.Cache
	first, firstErr, err := r.once(ctx, cache, d, nil, fixity.BLAKE3)
	if err == nil && cache == fixity.Allowed && first.holds(d) == nil {
		// What the page cache may have answered says nothing yet.
		cache = fixity.Bypassed
		first, firstErr, err = r.once(ctx, cache, d, nil, fixity.BLAKE3)
	}
	switch {
	case err != nil:
		return fixity.Result{}, err
	case d.File == 0 && first.holds(d) != nil:
		return first.result(d, fixity.ReadIntact), nil
	case first.holds(d) != nil:
		return first.known(d), nil
	}
	// Something is wrong, and one wrong reading is not damage: read again, with all
	// digests that a person may want to keep. Whoever is to judge a save listens.
	var ear ear
	defer ear.close()
	second, secondErr, err := r.once(ctx, cache, d, r.listen(d, &ear), fixity.BLAKE3, fixity.SHA256, fixity.MD5)
	switch {
	case err != nil:
		return fixity.Result{}, err
	case !sameFile(first.entry, second.entry):
		return fixity.Result{}, fmt.Errorf("%w: another size, time or file at its second reading", fixity.ErrChanged)
	case d.File == 0:
		return concludeStray(d, first, firstErr, second, secondErr)
	}
	x, err := r.a.conclude(ctx, d, first, firstErr, second, secondErr)
	if err == nil && x.Outcome == fixity.ReadDiffers {
		x.Heard, err = ear.heard()
	}
	if err != nil || x.Outcome != fixity.ReadDiffers || !second.contradicted() {
		return x, err
	}
	third, bad, err := r.once(ctx, cache, d, nil, fixity.BLAKE3)
	switch {
	case err != nil:
		return fixity.Result{}, err
	case !sameFile(second.entry, third.entry):
		return fixity.Result{}, fmt.Errorf("%w: another size, time or file at its third reading", fixity.ErrChanged)
	case bad == nil && third.blake3() == second.blake3():
		return x, nil
	}
	x = third.result(d, fixity.ReadUnsteady)
	x.Sums = nil
	x.Detail = fmt.Sprintf("read three times, %s, %s and %s: the same wrong bytes twice, then others; the service reports one digest all along", clock(first.at), clock(second.at), clock(third.at))
	return x, nil
}

// contradicted says that a service reports another digest than that of the bytes that it
// gave. One of the two is wrong, and it may be the way the bytes took.
func (r reading) contradicted() bool {
	d, ok := r.sums.Get(r.entry.Reported.Algorithm)
	return ok && !r.entry.Reported.IsZero() && d != r.entry.Reported
}

// once is one reading; bad is that the medium won't give the bytes, err all else.
func (r *slice) once(ctx context.Context, c fixity.Cache, d fixity.Due, tee func(size int64) io.Writer, algs ...fixity.Algorithm) (x reading, bad, err error) {
	st, err := r.root(c)
	if err != nil {
		return reading{}, nil, err
	}
	x, err = r.a.once(ctx, st, r.s, d, tee, algs...)
	if errors.Is(err, fixity.ErrUnreadable) && !errors.Is(err, fixity.ErrAway) {
		x.sums.Digests = nil // they are of a beginning
		return x, err, nil
	}
	return x, nil, err
}

// sameFile says that two readings were of one state of a file, as far as is known.
func sameFile(a, b fixity.Entry) bool {
	if a.ModTime.IsZero() || b.ModTime.IsZero() {
		return true // it could not be looked at
	}
	return a.Size == b.Size && a.ModTime.Equal(b.ModTime) && a.Pin == b.Pin
}

// reading is what one pass over a file gave.
type reading struct {
	entry fixity.Entry
	sums  digest.Sums
	cache fixity.Cache
	at    time.Time
}

func (r reading) blake3() fixity.Digest { d, _ := r.sums.Get(fixity.BLAKE3); return d }

// holds is the known version that the bytes read are, nil if they are none.
func (r reading) holds(d fixity.Due) *fixity.Wanted {
	if b := r.blake3(); !b.IsZero() {
		if d.Want.N > 0 && d.Want.Digest == b {
			return &d.Want
		}
		for i := range d.Earlier {
			if d.Earlier[i].Digest == b {
				return &d.Earlier[i]
			}
		}
	}
	return nil
}

// result is what all results of the reading have in common.
func (r reading) result(d fixity.Due, o fixity.Outcome) fixity.Result {
	x := fixity.Result{Path: d.Path, File: d.File, At: r.at, Size: r.entry.Size, Outcome: o, Cache: r.cache, Sums: r.sums.Digests}
	if r.entry.ModTime.IsZero() {
		x.Size, x.ModTime = d.Size, d.ModTime // it could not be looked at
	} else {
		x.ModTime = r.entry.ModTime.UnixNano()
	}
	return x
}

func (r reading) known(d fixity.Due) fixity.Result {
	w := r.holds(d)
	o := fixity.ReadIntact
	if w.N != d.Want.N {
		o = fixity.ReadEarlier
	}
	x := r.result(d, o)
	x.Version = w.N
	if o == fixity.ReadEarlier {
		x.Detail = fmt.Sprintf("read %s: holds version %d", clock(r.at), w.N)
	}
	return x
}

// concludeStray says what two readings of a stray mean, of which the first showed
// none of the files that it may be. Its digest stays unknown if it can't be read.
func concludeStray(d fixity.Due, first reading, firstErr error, second reading, secondErr error) (fixity.Result, error) {
	switch {
	case firstErr != nil && secondErr != nil:
		return second.result(d, fixity.ReadUnreadable), nil
	case firstErr != nil || secondErr != nil || first.blake3() != second.blake3():
		return fixity.Result{}, errors.New("read twice, and the two readings disagree")
	}
	x := second.result(d, fixity.ReadDiffers)
	x.Blocks = second.sums.Blocks
	return x, nil
}

// conclude says what two readings mean of which the first was wrong.
func (a *Auditor) conclude(ctx context.Context, d fixity.Due, first reading, firstErr error, second reading, err error) (fixity.Result, error) {
	switch {
	case err != nil && firstErr != nil:
		x := second.result(d, fixity.ReadUnreadable)
		// The beginning that could be read is known; the rest was not shown.
		from := min(first.sums.Size, second.sums.Size) / digest.BlockSize * digest.BlockSize
		if x.Size > from {
			x.Ranges = []fixity.Range{{Offset: from, Length: x.Size - from}}
		}
		x.Detail = fmt.Sprintf("tried twice, %s and %s: %v", clock(first.at), clock(second.at), err)
		return x, nil
	case err != nil || firstErr != nil:
		x := second.result(d, fixity.ReadUnsteady)
		x.Sums = nil
		x.Detail = fmt.Sprintf("read twice, %s and %s: one reading failed, the other did not", clock(first.at), clock(second.at))
		return x, nil
	case first.blake3() != second.blake3():
		x := second.result(d, fixity.ReadUnsteady)
		x.Sums = nil
		x.Detail = fmt.Sprintf("read twice, %s and %s, %s: the two readings disagree", clock(first.at), clock(second.at), past(second.cache))
		return x, nil
	}
	x := second.result(d, fixity.ReadDiffers)
	x.Blocks = second.sums.Blocks
	x.Detail = fmt.Sprintf("read twice, %s and %s, %s: the same wrong bytes", clock(first.at), clock(second.at), past(second.cache))
	if second.entry.Size == d.Size && second.entry.ModTime.UnixNano() == d.ModTime {
		x.Detail += "; size and date of the file have not changed"
	}
	if d.Want.N == 0 {
		return x, nil
	}
	want, err := a.Record.Blocks(ctx, d.File, d.Want.N)
	if err != nil {
		return fixity.Result{}, err
	}
	dmg := damage.FromBlocks(digest.Sums{Size: d.Want.Size, Blocks: want}, second.sums)
	x.Anatomy, x.Ranges, x.More = dmg.Anatomy, dmg.Ranges, dmg.More
	if least := min(d.Want.Size, second.sums.Size); least > 0 && least < digest.BlockSize && (dmg.Anatomy == fixity.CutShort || dmg.Anatomy == fixity.Grown) {
		x.Anatomy = "" // not one whole block shows that the beginning is right
	}
	return x, nil
}

func past(c fixity.Cache) string { return fixity.Means("cache", string(c)) }

func clock(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05 UTC") }

// Taken is what one pass over a file gave, for taking it under care or signing it off.
type Taken struct {
	Entry fixity.Entry // as it was read
	Sums  digest.Sums
	Cache fixity.Cache
	At    time.Time
}

// Digest is one of the digests that were computed, zero if it was not asked for.
func (t Taken) Digest(a fixity.Algorithm) fixity.Digest { d, _ := t.Sums.Get(a); return d }

// Take reads a file in a store from its first byte to its last, with the digests
// asked for. Errors are those of the store; fixity.ErrAway also if it gives no
// byte for as long as Stall.
func (a *Auditor) Take(ctx context.Context, store, set, path string, cache fixity.Cache, algs ...fixity.Algorithm) (Taken, error) {
	return a.TakeThrough(ctx, store, set, path, cache, nil, algs...)
}

// TakeThrough is Take, and gives all bytes, in order, to the writer that tee makes
// for a file of a size; nil makes none. An error of the writer ends the reading.
func (a *Auditor) TakeThrough(ctx context.Context, store, set, path string, cache fixity.Cache, tee func(size int64) io.Writer, algs ...fixity.Algorithm) (Taken, error) {
	st, err := a.Open(store, set, cache)
	if err != nil {
		return Taken{}, err
	}
	r, err := a.once(ctx, st, fixity.Shard{Store: store, Set: set}, fixity.Due{Path: path}, tee, algs...)
	return Taken{r.entry, r.sums, r.cache, r.at}, err
}

// once reads a file from its first byte to its last.
func (a *Auditor) once(ctx context.Context, st Store, s fixity.Shard, d fixity.Due, tee func(size int64) io.Writer, algs ...fixity.Algorithm) (reading, error) {
	ctx, w := a.stallWatch(ctx)
	defer w.stop()
	r := reading{entry: fixity.Entry{Path: d.Path}, at: a.Now()}
	e, err := st.Stat(ctx, d.Path)
	if err != nil {
		return r, withCause(ctx, err)
	}
	r.entry = e
	if e.Type != fixity.File {
		return r, fmt.Errorf("no ordinary file: %w", fixity.ErrVanished)
	}
	if a.Watch.File != nil {
		a.Watch.File(s, d.Path, e.Size)
	}
	f, err := st.Open(ctx, e, 0)
	if err != nil {
		return r, withCause(ctx, err)
	}
	o := digest.Options{Algorithms: algs, Progress: func(n int64) {
		w.pause() // who watches may slow the reading down
		if a.Watch.Bytes != nil {
			a.Watch.Bytes(n)
		}
		w.goOn()
	}}
	if tee != nil {
		o.Tee = tee(e.Size)
	}
	r.sums, err = o.Read(ctx, &heard{f, w})
	r.cache, r.at = f.Cache(), a.Now()
	closeErr := f.Close()
	switch {
	case err == nil && r.sums.Size < e.Size:
		err = fmt.Errorf("%w: it ended after %d of %d bytes", fixity.ErrUnreadable, r.sums.Size, e.Size)
	case err == nil && r.sums.Size > e.Size:
		err = fmt.Errorf("%w: it went on after its %d bytes", fixity.ErrChanged, e.Size)
	case err == nil && closeErr != nil:
		err = fmt.Errorf("close %q: %w", d.Path, closeErr)
	}
	return r, withCause(ctx, err)
}

func withCause(ctx context.Context, err error) error {
	if cause := context.Cause(ctx); err != nil && cause != nil && !errors.Is(err, cause) {
		return fmt.Errorf("%w: %w", cause, err)
	}
	return err
}

// heard is a reader of which it is known that it still gives bytes. A piece that is
// hashed at once may take a store that is read slowly on purpose longer to give than
// it may be silent for.
type heard struct {
	io.Reader
	w *stall
}

func (r *heard) Read(p []byte) (int, error) {
	n, err := r.Reader.Read(p)
	if n > 0 {
		r.w.beat()
	}
	return n, err
}

// stallWatch ends the context it gives, with fixity.ErrAway as the cause, when
// nobody called beat for a.Stall: a call on a dead mount never returns.
func (a *Auditor) stallWatch(ctx context.Context) (context.Context, *stall) {
	w := &stall{after: a.Stall}
	if w.after == 0 {
		w.after = time.Minute
	}
	ctx, w.cancel = context.WithCancelCause(ctx)
	w.t = time.AfterFunc(w.after, func() {
		w.cancel(fmt.Errorf("%w: it has not answered for %s", fixity.ErrAway, w.after))
	})
	return ctx, w
}

type stall struct {
	after  time.Duration
	t      *time.Timer
	cancel context.CancelCauseFunc
	mu     sync.Mutex
	paused bool
}

// beat: it has answered, and is asked again.
func (w *stall) beat() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.paused {
		w.t.Reset(w.after)
	}
}

// pause: it isn't waited for, until goOn.
func (w *stall) pause() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.paused = true
	w.t.Stop()
}

func (w *stall) goOn() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.paused = false
	w.t.Reset(w.after)
}

// stop ends it; a Read that is left behind may still be heard.
func (w *stall) stop() {
	w.pause()
	w.cancel(nil)
}
