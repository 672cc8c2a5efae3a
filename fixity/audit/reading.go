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
func (r *reader) readOne(ctx context.Context, d fixity.Due) (fixity.Result, error) {
	cache := r.s.Cache
	bare := pass{algs: []fixity.Algorithm{fixity.BLAKE3}, noBlocks: true}
	if d.Lacks != "" {
		bare.algs = append(bare.algs, d.Lacks)
	}
	first, firstErr, err := r.once(ctx, cache, d, bare)
	if err == nil && cache == fixity.Allowed && first.holds(d) == nil {
		// What the page cache may have answered says nothing yet.
		cache = fixity.Bypassed
		first, firstErr, err = r.once(ctx, cache, d, bare)
	}
	switch {
	case err != nil:
		return fixity.Result{}, err
	case d.File == 0 && first.holds(d) != nil:
		return first.result(d, fixity.ReadIntact), nil
	case first.holds(d) != nil:
		return first.known(d), nil
	}
	// Something is wrong, and one wrong reading is not damage: read again, with what a new
	// version is kept with. Whoever is to judge a save listens.
	var ear ear
	defer ear.close()
	second, secondErr, err := r.once(ctx, cache, d, pass{algs: []fixity.Algorithm{fixity.BLAKE3, fixity.SHA256}, tee: r.listen(d, &ear)})
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
	third, bad, err := r.once(ctx, cache, d, bare)
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
	x.Seen = []fixity.Fact{{Is: fixity.ThenOthers, At: fixity.Instants(first.at, second.at, third.at)}}
	return x, nil
}

// contradicted says that a service reports another digest than that of the bytes that it
// gave. One of the two is wrong, and it may be the way the bytes took. A report on a weak
// basis contradicts nothing.
func (r reading) contradicted() bool {
	d, ok := r.sums.Get(r.entry.Reported.Algorithm)
	return ok && !r.entry.Basis.Weak() && !r.entry.Reported.IsZero() && d != r.entry.Reported
}

// pass is how a file is read.
type pass struct {
	algs     []fixity.Algorithm
	noBlocks bool
	tee      func(size int64) io.Writer // for a file of a size; nil, or what it gives may be
	ahead    bool                       // the device has no other reader
	ended    func()                     // its bytes have been read
}

// once is one reading; bad is that the medium won't give the bytes, err all else.
func (r *reader) once(ctx context.Context, c fixity.Cache, d fixity.Due, p pass) (x reading, bad, err error) {
	if err := r.takeTurn(); err != nil {
		return reading{}, nil, err
	}
	defer r.giveTurn()
	st, err := r.root(r.s, c)
	if err != nil {
		return reading{}, nil, err
	}
	p.ahead, p.ended = cap(r.run.turn) == 1, r.giveTurn
	x, err = r.a.once(ctx, st, r.s, d, p)
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

// past is how the page cache was treated, as findings tell it; "" of what a service gave: it has
// no drive that could be read past anything.
func (r reading) past() fixity.Cache {
	if r.entry.Basis != "" {
		return ""
	}
	return r.cache
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
		x.ModTime, x.InodeAt = r.entry.ModTime.UnixNano(), r.entry.InodeAt()
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
		x.Seen = []fixity.Fact{{Is: fixity.HoldsVersion, At: fixity.Instants(r.at), Version: w.N}}
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
	twice := fixity.Instants(first.at, second.at)
	switch {
	case err != nil && firstErr != nil:
		x := second.result(d, fixity.ReadUnreadable)
		// The beginning that could be read is known; the rest was not shown.
		from := min(first.sums.Size, second.sums.Size) / digest.BlockSize * digest.BlockSize
		if x.Size > from {
			x.Ranges = []fixity.Range{{Offset: from, Length: x.Size - from}}
		}
		x.Seen = []fixity.Fact{{Is: fixity.NotGiven, At: twice, Said: []string{err.Error()}}}
		return x, nil
	case err != nil || firstErr != nil:
		x := second.result(d, fixity.ReadUnsteady)
		x.Sums = nil
		x.Seen = []fixity.Fact{{Is: fixity.OneFailed, At: twice}}
		return x, nil
	case first.blake3() != second.blake3():
		x := second.result(d, fixity.ReadUnsteady)
		x.Sums = nil
		x.Seen = []fixity.Fact{{Is: fixity.ReadingsVary, At: twice, Cache: second.past()}}
		return x, nil
	}
	x := second.result(d, fixity.ReadDiffers)
	x.Blocks = second.sums.Blocks
	x.Seen = []fixity.Fact{{Is: fixity.SameWrong, At: twice, Cache: second.past()}, {Is: fixity.Held, Bytes: second.entry.Size, Date: second.entry.ModTime.UTC()}}
	if second.entry.Size == d.Size && second.entry.ModTime.UnixNano() == d.ModTime {
		x.Seen = append(x.Seen, fixity.Fact{Is: fixity.SignKept})
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
// asked for. Errors are those of the store.
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
	p := pass{algs: algs, tee: tee}
	if a.Turn != nil {
		give, alone, err := a.Turn(ctx, store)
		if err != nil {
			return Taken{}, err
		}
		p.ahead, p.ended = alone, sync.OnceFunc(give)
		defer p.ended()
	}
	r, err := a.once(ctx, st, fixity.Shard{Store: store, Set: set}, fixity.Due{Path: path}, p)
	return Taken{r.entry, r.sums, r.cache, r.at}, err
}

// once reads a file from its first byte to its last.
func (a *Auditor) once(ctx context.Context, st Store, s fixity.Shard, d fixity.Due, p pass) (reading, error) {
	r := reading{entry: fixity.Entry{Path: d.Path}, at: a.Now()}
	e, f, err := begin(ctx, st, d.Path)
	if e.Path != "" {
		r.entry = e
	}
	if err != nil {
		return r, err
	}
	if e.Type != fixity.File {
		return r, fmt.Errorf("no ordinary file: %w", fixity.ErrVanished)
	}
	a.Progress.file(s, d.Path, e.Size)
	o := digest.Options{Algorithms: p.algs, NoBlocks: p.noBlocks, Ahead: p.ahead, Ended: p.ended, Progress: a.Progress.Bytes}
	if p.tee != nil {
		o.Tee = p.tee(e.Size)
	}
	r.sums, err = o.Read(ctx, f)
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
	return r, err
}
