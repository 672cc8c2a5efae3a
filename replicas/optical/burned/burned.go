// Package burned holds a disc against what was burned on it: it reads every sector
// once, compares each file or each sample, and says what is intact, what was read
// well and is another thing, what can't be read, and where. A disc of which nothing
// older is known gets a baseline, so that later readings have something to be held
// against. It also says which of the discs that are known one may be.
//
// It writes nothing on a disc, knows no ledger, and reads the clock that it is given.
package burned

import (
	"context"
	"io"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
)

// Verdict is what a check of a disc comes to.
type Verdict = fixity.DiscVerdict

// File is one file that was burned.
type File struct {
	Name    string          // of an audio disc, the source's; else the path below the folder that was burned
	Size    int64           // bytes; -1 if it isn't known
	Digests []fixity.Digest // of the version that was burned
	Blocks  []uint32        // CRC-32C of each 64 KiB of it, nil if they aren't known

	// Audio says that it was burned as sound: needed for a mixed disc only.
	Audio bool
	// Copy gives the bytes of a copy within reach that should be intact, if the disc holds
	// other ones: which bytes differ is told then, and not which 64 KiB. Nil, and a nil
	// reader: there is none. A block of it that hasn't its sum in Blocks isn't used.
	Copy func() (io.ReaderAt, error)
	// Sound are the samples of an intact copy within reach; nil if none is.
	Sound *cdda.Source
	// Samples is the length of the sound at 44,100 a second, 0 if it isn't known and
	// Sound doesn't say it.
	Samples int64
}

// Want is what a disc is held against.
type Want struct {
	Kind     optical.Kind // as it was registered; "" if it wasn't
	Files    []File       // sound in the order of the tracks
	Baseline *Baseline    // of an earlier reading; nil: none
}

// Spool keeps the sectors that were read until the check ends.
type Spool interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
}

// Options say how a disc is read.
type Options struct {
	Fresh bool // it was burned just now
	Twice bool // sound is read twice
	// Map goes on where an earlier check ended; nil begins anew. It is changed.
	Map *optical.Map
	// Spool gives room for so many bytes of a disc in a drive, and is closed at the
	// end. Nil, or an error, makes the sectors be read a second time, and the error a
	// problem of the report. Images need none.
	Spool func(bytes int64) (Spool, error)
	// Offset is this drive's read offset in samples, if OffsetKnown.
	Offset      int
	OffsetKnown bool
	Now         func() time.Time // needed
	Progress    func(optical.Progress)
	Stall       time.Duration // 0 is optical.StallTime
}

// MostDirectory is the most sentences about a disc's directory.
const MostDirectory = 6

// MaxRuns is the most rows of sectors that a list of a Report tells of in full.
const MaxRuns = 1000

// Result is what a check found out. After an error it holds what is known.
type Result struct {
	Verdict Verdict        // "" if the check was broken off
	Check   optical.Result // Check.Map is never nil
	Sound   *cdda.Result   // an audio disc, or the audio of a mixed one, compared with sources
	// Files are what the disc holds of each of Want.Files, in their order. If nothing
	// was wanted, they are those of the baseline that it was compared with.
	Files []Held
	// NotCompared counts files of which no samples, and no digest, were within reach.
	NotCompared int
	Extra       []string    // files on the disc that nobody wanted, at most MaxRuns
	ExtraAll    int64       // of them, listed or not
	View        discfs.View // that the files were found by; "" if none was
	Session     int64       // where the session begins that it is of

	// Directory says in sentences what is wrong with the disc's directory, at most
	// MostDirectory: what a tree says of files that were found by another tree, or by
	// their bytes. The bytes of those files are as burned.
	Directory []string

	// Unreadable are sectors that weren't read, or that the drive doubts and that
	// differ. The run-out of a data track isn't among them. Rest are those past MaxRuns rows,
	// but for what is in doubt.
	Unreadable     []Sectors
	UnreadableRest []optical.Range
	UnreadableAll  int64 // sectors
	// Differing are sectors that were read well and hold something else. Rest are those past
	// MaxRuns rows, so that the two are all of them. No sector is in both, or twice in one.
	Differing     []Sectors
	DifferingRest []optical.Range
	DifferingAll  int64
	// InBlocks says that of data some of Differing are all sectors of 64 KiB of a file in
	// which something differs: no copy was at hand that tells which.
	InBlocks  bool
	Structure int64 // bad sectors of data that are the file system's own
	Free      int64 // bad sectors of data that are no file's

	// Baseline is what was made at a first reading, or what the disc was compared with. Of
	// a disc that is changed or alike it is made too: later readings are held against it.
	Baseline *Baseline
	// Problems are all that was met: the disc's own, the check's, the comparison's.
	Problems []error
}

// Sectors is a row of sectors with what lies there.
type Sectors struct {
	LBA, Count int64
	Track      int            // 0: in a gap, or data
	Time       string         // sound: where in its track it begins, "00:02:00.00"; "" in a gap
	Doubtful   bool           // the drive gave them and doubts them
	Muted      bool           // zeros in place of sound
	Kind       discfs.Kind    // data: what they are part of; "" if the file system can't be read
	Of         []discfs.Place // data: of which files or structures, for the first of them
}

// Weaker evidence, and states that need a word more, as causes of what is Held.
const (
	CauseChanged     = "changed"      // the same recording with other samples: see Likeness
	CauseAlike       = "alike"        // the source's format allows only a likeness to be told
	CauseOther       = "other"        // another recording, or the disc is another one
	CauseSaysNothing = "says-nothing" // the source has no sound
	CauseNotCompared = "not-compared" // nothing to compare with is within reach
	CauseRenamed     = "renamed"      // its bytes lie under another name
	CauseNotFound    = "not-found"    // its directory can't be read: not known whether it is there
	CauseShorter     = "shorter"      // it lies behind the disc's or image's end, or the disc has no room for all of it
	CausePartly      = "partly"       // only what had been read at the first time is compared
	CausePartlyAlike = "partly-alike" // the same recording, but not in every sector: see Likeness
	CauseSkips       = "skips"        // the disc itself skips, or holds more in between: see Breaks
	CauseSilent      = "silent"       // the disc is silent where it has a sound
	CauseReduced     = "reduced"      // sample for sample, each brought to 16 bits
)

// Held is what the disc holds of one file.
type Held struct {
	Name  string
	State fixity.State // Intact, Altered, Unreadable, Missing, Unsteady; "" if nothing is known
	// Weaker says that Intact rests on a likeness only.
	Weaker  bool
	Samples bool            // evidence of samples, not of the file's bytes
	At      string          // data: its path on the disc
	Track   int             // sound: that it begins in, 0 if that isn't known
	LBA     int64           // where it begins, -1 if that isn't known
	Ranges  []fixity.Range  // data: damaged bytes of the file, or whole 64 KiB; at most fixity.MaxRanges
	More    bool            // there are more Ranges
	Got     []fixity.Digest // data: of what was read, where that was all of it
	Blocks  []uint32        // likewise, of an altered file
	Cause   string
	// Likeness is what correlation says, where samples didn't say enough.
	Likeness cdda.Likeness
	Breaks   []cdda.Break // sound: where the disc skips
	Lacking  int64        // sound: samples that aren't on the disc
	Form     cdda.Form    // sound: what became of its channels
}

// Check reads every sector of the disc and holds it against what is wanted. What is
// wrong with the disc is no error. An error is what broke the check off, as
// optical.Disc.Check gives it, or of a source, or of ctx; the report then has no
// verdict, and the map in it lets a later call go on.
//
// It holds some 30 MB at most, beside what a directory tree takes.
func Check(ctx context.Context, d *optical.Disc, w Want, o Options) (Result, error) {
	c := &check{ctx: ctx, d: d, w: w, o: o, contents: d.Contents()}
	return c.run()
}
