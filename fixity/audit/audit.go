package audit

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"

	"firmus/fixity"
)

// Store is one set's root in a store. A call that would hang ends by itself, with
// fixity.ErrAway.
type Store interface {
	// List gives a shard's entries in the order of their paths' bytes, and ends
	// with an error that wraps fixity.ErrIncomplete unless it saw everything.
	List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error]
	// Stat is what List shows of one path; fixity.ErrVanished if nothing is there.
	Stat(ctx context.Context, path string) (fixity.Entry, error)
	// Open gives the bytes from offset on of the file that Stat showed, pinned.
	Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error)
}

// Begins is a Store that can show a file and open it in one call, which is quicker: Begin is
// Stat, and Open from the first byte on if an ordinary file lies there. The Reader is nil if
// there is none, or with an error; an entry whose Path isn't "" is what Stat gives.
type Begins interface {
	Begin(ctx context.Context, path string) (fixity.Entry, fixity.Reader, error)
}

// begin is Begin of any Store.
func begin(ctx context.Context, st Store, path string) (fixity.Entry, fixity.Reader, error) {
	if b, ok := st.(Begins); ok {
		return b.Begin(ctx, path)
	}
	e, err := st.Stat(ctx, path)
	if err != nil || e.Type != fixity.File {
		return e, nil, err
	}
	f, err := st.Open(ctx, e, 0)
	return e, f, err
}

// Lists is the ledger's part in listing a shard.
type Lists interface {
	// Claim reads where a shard stands. Of several that hold it the first to commit
	// goes on, and the others get fixity.ErrLost at their next commit.
	Claim(ctx context.Context, j fixity.Job) (fixity.Shard, error)
	// Known is the next page, in the order of paths, of what is known in the shard.
	Known(ctx context.Context, s fixity.Shard, after string, limit int) ([]fixity.Known, error)
	// CommitListing writes what listings found, of all of these shards or of none.
	CommitListing(ctx context.Context, ls ...fixity.Listed) error
	// CommitServiceReports holds the digests that a service reports against the versions.
	CommitServiceReports(ctx context.Context, s fixity.Shard, reports []fixity.ServiceReport) error
}

// Reads is the ledger's part in reading a shard.
type Reads interface {
	// Due is the next page, in the order of paths after the shard's cursor.
	Due(ctx context.Context, s fixity.Shard, limit int) ([]fixity.Due, error)
	Blocks(ctx context.Context, file, version int64) ([]uint32, error)
	// CommitReadings writes what was read of several shards, all or nothing;
	// *fixity.LostError names one that another process was faster with.
	CommitReadings(ctx context.Context, of ...fixity.Readings) error
}

// Phases is the ledger's part between the phases.
type Phases interface {
	// Open are the shards that wait in a phase.
	Open(ctx context.Context, audit int64, p fixity.Phase) ([]fixity.Job, error)
	// Advance ends a phase in which no shard waits any more. It does nothing if
	// another process did.
	Advance(ctx context.Context, audit int64, from fixity.Phase) error
	// Gone are the places, in the order of sets and paths after one, of what the audit's
	// listing doesn't show, and of which a second look at the store says more.
	Gone(ctx context.Context, audit int64, after fixity.Gone, limit int) ([]fixity.Gone, error)
	// Back puts into the listing what a second look found in its place after all.
	Back(ctx context.Context, audit int64, there []fixity.Back) error
	// Distrust says that the listing of a set didn't show everything.
	Distrust(ctx context.Context, audit int64, set, why string) error
}

// Record is all that an audit needs of the ledger.
type Record interface {
	Lists
	Reads
	Phases
}

// Progress is told how an audit goes; any of its functions may be nil. Several goroutines call
// them.
type Progress struct {
	// File: a file's reading begins.
	File func(s fixity.Shard, path string, size int64)
	// Bytes: so many more were read.
	Bytes func(n int64)
	// Elsewhere: so many more files of a store, with so many bytes, were read by hosts that
	// share the ledger. Nobody here has read them.
	Elsewhere func(store string, files, bytes int64)
	// Note: something a person may want to know that is no finding.
	Note func(s fixity.Shard, text string)
}

func (p Progress) file(s fixity.Shard, path string, size int64) {
	if p.File != nil {
		p.File(s, path, size)
	}
}

func (p Progress) note(s fixity.Shard, text string) {
	if p.Note != nil {
		p.Note(s, text)
	}
}

// Auditor does slices.
type Auditor struct {
	Record Record
	// Readers is how many files are read side by side; nil, or less than 1, is one. With one,
	// the next file's bytes are read while the last one's are hashed. It may have to try the
	// drive, so it is asked when files are about to be read in a phase, and not for each file.
	Readers func() int
	// Open gives a set's root in a store for reading with the cache so treated.
	Open func(store, set string, cache fixity.Cache) (Store, error)
	// Turn is waited for before Take reads a file of a store; may be nil. give is called when
	// its bytes have been read; alone says that nobody else reads the drive meanwhile.
	Turn func(ctx context.Context, store string) (give func(), alone bool, err error)
	// Now is the clock that readings carry.
	Now      func() time.Time
	Progress Progress
	// Enough is asked before a file of a size is begun, or a shard listed (0), whether no more
	// is to be begun; nil: never. What was begun is brought to its end all the same.
	Enough func(size int64) bool
	// Listen gives who listens to the second reading of a file that holds other bytes
	// than any known version; nil if nobody does. May be nil.
	Listen func(s fixity.Shard, path string, size int64) Listener
}

// Slice does one shard's work in its present phase until it is done or ctx ends. What it
// did is in the ledger then,
// also after an error, but for the last fifth of a second.
//
// Errors wrap fixity.ErrAway if the store went, fixity.ErrLost if another process
// works on the shard and was faster. A file that can't be read for another reason than the
// medium's is no error: the shard is marked as incomplete and says why.
func (a *Auditor) Slice(ctx context.Context, j fixity.Job) error {
	s, err := a.Record.Claim(ctx, j)
	if err != nil {
		return err
	}
	switch s.Phase {
	case fixity.PhaseList:
		return a.list(ctx, func(yield func(fixity.Shard) error) error { return yield(s) })
	case fixity.PhaseProve, fixity.PhaseFirst, fixity.PhaseRead:
		return a.read(ctx, func(yield func(fixity.Shard) error) error { return yield(s) })
	}
	return nil // another process has done it
}

// Slices does several shards' work in one phase, as Slice does one's, until it is done, Enough
// says so, or ctx ends. Of shards that are in another phase by now nothing is done.
func (a *Auditor) Slices(ctx context.Context, p fixity.Phase, jobs []fixity.Job) error {
	work := a.read
	if p == fixity.PhaseList {
		work = a.list
	}
	return work(ctx, func(yield func(fixity.Shard) error) error {
		for _, j := range jobs {
			if p == fixity.PhaseList && a.enough(0) {
				return nil
			}
			s, err := a.Record.Claim(ctx, j)
			if err == nil && s.Phase == p {
				err = yield(s)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// errEnough ends a run before its next file.
var errEnough = errors.New("enough is done for now")

func (a *Auditor) enough(size int64) bool { return a.Enough != nil && a.Enough(size) }

// Run does a whole audit, slice by slice, from whatever phase it is in.
func (a *Auditor) Run(ctx context.Context, audit int64, phase fixity.Phase) error {
	steps := []fixity.Phase{fixity.PhaseList, fixity.PhaseProve, fixity.PhaseFirst, fixity.PhaseRead}
	begun := false
	for _, p := range steps {
		if begun = begun || p == phase; !begun {
			continue
		}
		if err := a.RunPhase(ctx, audit, p); err != nil {
			return err
		}
	}
	return nil
}

// ListAll lists all shards of an audit, and leaves it to the caller to go on: Run
// does the rest.
func (a *Auditor) ListAll(ctx context.Context, audit int64) error {
	return a.slices(ctx, audit, fixity.PhaseList)
}

// RunPhase does what is left of one phase of an audit, and ends it.
func (a *Auditor) RunPhase(ctx context.Context, audit int64, p fixity.Phase) error {
	if err := a.slices(ctx, audit, p); err != nil {
		return err
	}
	if p == fixity.PhaseList || p == fixity.PhaseProve {
		if err := a.lookAgain(ctx, audit); err != nil {
			return err
		}
	}
	return a.Record.Advance(ctx, audit, p)
}

// lookAgain looks once more at each place where the listing shows nothing, just before
// something follows from that: an editor that saves, or a person who renames to and fro,
// leaves a name empty for a moment.
func (a *Auditor) lookAgain(ctx context.Context, audit int64) error {
	for at := (fixity.Gone{}); ; {
		page, err := a.Record.Gone(ctx, audit, at, pageSize)
		if err != nil || len(page) == 0 {
			return err
		}
		var there []fixity.Back
		failed := map[string]error{}
		for _, g := range page {
			at = g
			if failed[g.Set] != nil {
				continue
			}
			st, err := a.Open(g.Store, g.Set, fixity.Bypassed)
			if err != nil {
				return err
			}
			e, err := st.Stat(ctx, g.Path)
			switch {
			case err == nil && e.Type == fixity.File:
				there = append(there, fixity.Back{Set: g.Set, Entry: e})
			case err == nil || errors.Is(err, fixity.ErrVanished):
			case context.Cause(ctx) != nil:
				return context.Cause(ctx)
			case errors.Is(err, fixity.ErrAway):
				return err
			default:
				failed[g.Set] = err
				if err := a.Record.Distrust(ctx, audit, g.Set, fmt.Sprintf("%q could not be looked at once more: %v", g.Path, err)); err != nil {
					return err
				}
			}
		}
		if len(there) > 0 {
			if err := a.Record.Back(ctx, audit, there); err != nil {
				return err
			}
		}
	}
}

// slices does the shards of an audit that wait in a phase, and leaves it open.
func (a *Auditor) slices(ctx context.Context, audit int64, p fixity.Phase) error {
	jobs, err := a.Record.Open(ctx, audit, p)
	if err != nil {
		return err
	}
	return a.Slices(ctx, p, jobs)
}
