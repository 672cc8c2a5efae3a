package audit

import (
	"context"
	"iter"
	"time"

	"firmus/fixity"
)

// Store is one set's root in a store.
type Store interface {
	// List gives a shard's entries in the order of their paths' bytes, and ends
	// with an error that wraps fixity.ErrIncomplete unless it saw everything.
	List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error]
	// Stat is what List shows of one path; fixity.ErrVanished if nothing is there.
	Stat(ctx context.Context, path string) (fixity.Entry, error)
	// Open gives the bytes from offset on of the file that Stat showed, pinned.
	Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error)
}

// Lists is the ledger's part in listing a shard.
type Lists interface {
	// Claim reads where a shard stands. Of several that hold it the first to commit
	// goes on, and the others get fixity.ErrLost at their next commit.
	Claim(ctx context.Context, j fixity.Job) (fixity.Shard, error)
	// Known is the next page, in the order of paths, of what is known in the shard.
	Known(ctx context.Context, s fixity.Shard, after string, limit int) ([]fixity.Known, error)
	CommitListing(ctx context.Context, s fixity.Shard, l fixity.Listed) error
	// CommitReports holds the digests that a service reports against the versions.
	CommitReports(ctx context.Context, s fixity.Shard, reports []fixity.Report) error
}

// Reads is the ledger's part in reading a shard.
type Reads interface {
	// Due is the next page, in the order of paths after the shard's cursor.
	Due(ctx context.Context, s fixity.Shard, limit int) ([]fixity.Due, error)
	Blocks(ctx context.Context, file, version int64) ([]uint32, error)
	// CommitReadings writes results and the cursor; end closes the slice with its
	// event, done the shard's phase.
	CommitReadings(ctx context.Context, s fixity.Shard, cursor string, results []fixity.Result, end, done bool, trouble string) error
}

// Phases is the ledger's part between the phases.
type Phases interface {
	// Open are the shards that wait in a phase.
	Open(ctx context.Context, audit int64, p fixity.Phase) ([]fixity.Job, error)
	// Advance ends a phase in which no shard waits any more. It does nothing if
	// another process did.
	Advance(ctx context.Context, audit int64, from fixity.Phase) error
}

// Record is all that an audit needs of the ledger.
type Record interface {
	Lists
	Reads
	Phases
}

// Watch is told how an audit goes; any of its functions may be nil.
type Watch struct {
	// File: a file's reading begins.
	File func(s fixity.Shard, path string, size int64)
	// Bytes: so many more were read.
	Bytes func(n int64)
	// Note: something a person may want to know that is no finding.
	Note func(s fixity.Shard, text string)
}

// Auditor does slices.
type Auditor struct {
	Record Record
	// Open gives a set's root in a store for reading with the cache so treated.
	Open func(store, set string, cache fixity.Cache) (Store, error)
	// Now is the clock that readings carry.
	Now   func() time.Time
	Watch Watch
	// Stall is how long a store may give no byte before it counts as away; 0 is a minute.
	Stall time.Duration
	// Listen gives who listens to the second reading of a file that holds other bytes
	// than any known version; nil if nobody does. May be nil.
	Listen func(s fixity.Shard, path string, size int64) Listener
}

// Left is what a slice left to do.
type Left struct {
	Done    bool  // the shard's phase is over
	Longest int64 // size of a file that was too long for the time left, which needs a slice of its own
}

// Slice does one shard's work in its present phase until it is done, the time
// until has come (zero: no end), or ctx ends. What it did is in the ledger then,
// also after an error, but for the last fifth of a second.
//
// Errors wrap fixity.ErrAway if the store went, fixity.ErrLost if another process
// works on the shard and was faster. A file that can't be read for another reason than the
// medium's is no error: the shard is marked as incomplete and says why.
func (a *Auditor) Slice(ctx context.Context, j fixity.Job, until time.Time) (Left, error) {
	s, err := a.Record.Claim(ctx, j)
	if err != nil {
		return Left{}, err
	}
	switch s.Phase {
	case fixity.PhaseList:
		return Left{Done: true}, a.list(ctx, s)
	case fixity.PhaseProve, fixity.PhaseRead:
		return a.read(ctx, s, until)
	}
	return Left{Done: true}, nil // another process has done it
}

// Run does a whole audit, slice by slice, from whatever phase it is in.
func (a *Auditor) Run(ctx context.Context, audit int64, phase fixity.Phase) error {
	steps := []fixity.Phase{fixity.PhaseList, fixity.PhaseProve, fixity.PhaseRead}
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
	return a.Record.Advance(ctx, audit, p)
}

// slices does the shards of an audit that wait in a phase, and leaves it open.
func (a *Auditor) slices(ctx context.Context, audit int64, p fixity.Phase) error {
	jobs, err := a.Record.Open(ctx, audit, p)
	if err != nil {
		return err
	}
	for _, j := range jobs {
		if _, err := a.Slice(ctx, j, time.Time{}); err != nil {
			return err
		}
	}
	return nil
}
