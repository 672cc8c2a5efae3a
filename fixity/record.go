package fixity

import "time"

// Job is one piece of an audit: two ids of the ledger. Nothing else crosses the
// call of a slice.
type Job struct{ Audit, Shard int64 }

// Phase is how far an audit or a shard has come. Stored: never change one.
type Phase string

// Phases. An audit goes through list, prove, first if something is to be read before the
// rest, read and done; a shard is Listed or Proved while it waits for the others.
const (
	PhaseList   Phase = "list"
	PhaseListed Phase = "listed"
	PhaseProve  Phase = "prove" // read what may be a misplaced file, before anything is called missing
	PhaseProved Phase = "proved"
	PhaseFirst  Phase = "first" // read what can't be transferred again, before all else that is due
	PhaseRead   Phase = "read"
	PhaseDone   Phase = "done"
	PhaseCutOff Phase = "cut-off"
)

// Shard is a claimed piece of an audit: a first-level folder of one set in one
// store, or the root's own files (Top is ""). The claim holds as long as Attempt
// is the newest: each commit adds one to it, here and in the ledger, and whoever
// commits with an older one gets ErrLost. So of several that work on a shard one
// always comes forward.
type Shard struct {
	ID, Audit, Attempt int64
	Store, Set, Top    string
	Phase              Phase
	Cursor             string // path up to which the phase is done; "" at its beginning
	Full               bool   // read everything, not only what is due
	Cache              Cache
	Under              string // only what lies at or below this path counts
	Counts             bool   // the shard lies in the audit's scope
}

// Known is what the ledger knows at a path of a store: a copy of a file under
// care, or a stray.
type Known struct {
	Path    string
	File    int64 // 0 for a stray
	State   State
	Size    int64 // as last read; -1 if it was never seen there
	ModTime int64 // nanoseconds since 1970 UTC
	InodeAt int64 // as Entry.InodeAt, when it was last read; 0 if that isn't known
	Instead Type  // of what a listing shows at the path of a file that is gone; File: nothing
	// Reported is, of a stray, the digest that the service which keeps it reports.
	Reported Digest
	Basis    Basis // of a copy: by what the service reported it last
}

// Listed is what a part of a listing says. Only differences are in it.
type Listed struct {
	Shard   Shard
	Cursor  string  // path up to which the shard is now listed
	Gone    []Known // under care and not shown
	Strays  []Entry // shown and under no one's care, new or changed since
	Left    []Known // strays that are no longer there
	Changed []Entry // shown where a copy should be, with news of it: another size or time, or it was missing
	Files   int64   // files under care that were seen
	LeftOut int64
	Done    bool   // the whole shard was listed, or can't be
	Trouble string // why it is incomplete; "" if it isn't
}

// Gone is a place where a listing doesn't show what was known there.
type Gone struct{ Store, Set, Path string }

// Back is what lies in such a place after all.
type Back struct {
	Set   string
	Entry Entry
}

// Due is one copy, or one stray, that should be read.
type Due struct {
	Path     string
	File     int64 // 0 for a stray
	Size     int64 // as last read; -1 if never
	ModTime  int64
	Want     Wanted   // the version it should hold; zero if none has authority
	Earlier  []Wanted // other known versions of the file
	WasWrong Digest   // what it held when last read, if of no known version
	// Lacks is an algorithm by which a service reports the file, and no digest of Want is
	// known; "" if none is asked for.
	Lacks Algorithm
}

// Wanted is a version as a reading is compared with it.
type Wanted struct {
	N      int64
	Size   int64
	Digest Digest // BLAKE3
}

// Result is what one reading gave.
type Result struct {
	Path    string
	File    int64 // 0 for a stray
	At      time.Time
	Size    int64 // of the file as it was read
	ModTime int64
	InodeAt int64 // as Entry.InodeAt
	Outcome Outcome
	Version int64 // that it holds, for ReadIntact and ReadEarlier
	Cache   Cache
	Sums    []Digest // all that was computed
	Blocks  []uint32 // for ReadDiffers and strays: CRC-32C of each 64 KiB
	Anatomy Anatomy
	Ranges  []Range
	More    bool
	Seen    []Fact // how it was read and what was seen
	Heard   string // what sound is in the bytes, as whoever listened gives it to the record; "" if nobody did
	NotRead bool   // it could not be read, for another reason than the medium's: nothing else is known
	NotNow  bool   // with NotRead: only once a person has had it brought back
}

// Readings are what was read of one shard since the last commit.
type Readings struct {
	Shard   Shard
	Cursor  string // path up to which all that is due has been read, or could not be
	Results []Result
	End     bool   // nothing more comes from this claim: what it read gets its event
	Done    bool   // the shard's phase is over; End is set, too
	Trouble string // why something was not read; "" if all was
}

// ServiceReport is what a service reports of one of its files: no reading of bytes.
type ServiceReport struct {
	Path    string
	Size    int64
	ModTime int64
	InodeAt int64
	Digest  Digest
	Basis   Basis // as an Entry has it
}
