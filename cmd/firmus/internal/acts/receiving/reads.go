package receiving

import (
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
)

// ahead is how many new files are read, or wait for one before them that is: files in the
// order of their paths are taken in together.
const ahead = 32

// reads reads new files side by side, as many of each drive as suit it, and hands them on in
// the order in which they were begun; but one that takes long doesn't hold up the others for
// more than intakeAfter: a kill loses no more than that.
type reads struct {
	in     *intake
	ctx    context.Context
	cancel context.CancelFunc
	files  []*newFile // that were begun and not handed on
	wg     sync.WaitGroup
}

// newFile is one that is read wherever it lies.
type newFile struct {
	path, arrivals string
	provided       []ProvidedDigest
	algs           []fixity.Algorithm
	got            []gotten
	sound          ledger.Sound
	done           chan struct{}
}

type gotten struct {
	heldIn
	err error
}

// turn is one for each file whose bytes are read of a drive just now.
type turn struct {
	places chan struct{}
	alone  bool // it is read by one at a time
}

func (t *turn) take(ctx context.Context) error {
	select {
	case t.places <- struct{}{}:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

func (t *turn) give() { <-t.places }

// turnOf is that of a store's drive.
func (in *intake) turnOf(store string) *turn {
	if in.turns == nil {
		in.turns = map[string]*turn{}
		drives := map[string]*turn{}
		for _, name := range slices.Sorted(maps.Keys(in.used)) {
			u := in.used[name]
			t := drives[u.Drive()]
			if t == nil {
				n := u.Readers()
				t = &turn{make(chan struct{}, n), n == 1}
				drives[u.Drive()] = t
			}
			in.turns[name] = t
		}
	}
	return in.turns[store]
}

// auditor reads in turn; the turn in first is taken already. end gives it back if nothing
// was read in it: the store may be away since it was listed.
func (in *intake) auditor(first *turn) (aud *audit.Auditor, end func()) {
	aud = in.e.Auditor(slices.Collect(maps.Values(in.used))...)
	aud.Turn = func(ctx context.Context, store string) (func(), bool, error) {
		t := in.turnOf(store)
		if first == t {
			first = nil
			return t.give, t.alone, nil
		}
		return t.give, t.alone, t.take(ctx)
	}
	return aud, func() {
		if first != nil {
			first.give()
		}
	}
}

func (in *intake) reads(ctx context.Context) *reads {
	r := &reads{in: in}
	r.ctx, r.cancel = context.WithCancel(ctx)
	return r
}

// end lets no file be read any more.
func (r *reads) end() {
	r.cancel()
	r.wg.Wait()
}

// begin begins one file, as soon as its drive has time for it.
func (r *reads) begin(arrivals, path string) error {
	in := r.in
	x := &newFile{path: path, arrivals: arrivals, algs: slices.Clone(Digests), done: make(chan struct{})}
	var err error
	if x.provided, err = in.providedFor(r.ctx, arrivals, path); err != nil {
		return err
	}
	for _, p := range x.provided {
		if !slices.Contains(x.algs, p.Digest.Algorithm) {
			x.algs = append(x.algs, p.Digest.Algorithm)
		}
	}
	for _, s := range in.e.Rules.Stores {
		if !slices.Contains(in.here[s.Name], in.set) {
			continue
		}
		at := path
		if s.Name != arrivals {
			// Only what the listing showed there is read.
			if at, err = in.spelled(r.ctx, s.Name, arrivals, path); err != nil {
				return err
			}
			if at == "" {
				continue
			}
		}
		x.got = append(x.got, gotten{heldIn: heldIn{store: s.Name, at: at}})
	}
	if len(r.files) >= ahead {
		if err := r.next(); err != nil {
			return err
		}
	}
	first := in.turnOf(x.got[0].store)
	if err := first.take(r.ctx); err != nil {
		return err
	}
	r.files = append(r.files, x)
	set := in.set
	r.wg.Go(func() {
		defer close(x.done)
		aud, end := in.auditor(first)
		defer end()
		for i := range x.got {
			g := &x.got[i]
			if g.store == arrivals {
				g.taken, x.sound, g.err = hearing.Take(r.ctx, aud, g.store, set, g.at, in.o.Cache, x.algs...)
			} else {
				g.taken, g.err = aud.Take(r.ctx, g.store, set, g.at, in.o.Cache, x.algs...)
			}
		}
	})
	return nil
}

// next hands on the file that was begun first, or others if it takes long.
func (r *reads) next() error {
	late := time.NewTimer(intakeAfter)
	defer late.Stop()
	for {
		select {
		case <-r.files[0].done:
			return r.handOn(0)
		case <-late.C:
		}
		some := false
		for i := len(r.files) - 1; i > 0; i-- {
			select {
			case <-r.files[i].done:
				some = true
				if err := r.handOn(i); err != nil {
					return err
				}
			default:
			}
		}
		if some {
			return nil
		}
		late.Reset(intakeAfter)
	}
}

func (r *reads) handOn(i int) error {
	x := r.files[i]
	r.files = slices.Delete(r.files, i, i+1)
	return r.in.taken(r.ctx, x)
}

// rest hands on all that were begun.
func (r *reads) rest() error {
	for len(r.files) > 0 {
		if err := r.next(); err != nil {
			return err
		}
	}
	return nil
}
