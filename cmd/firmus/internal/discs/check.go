package discs

import (
	"context"
	"errors"
	"io"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
)

// At says where a disc is: in a drive, or as an image.
type At struct{ Drive, Image string }

// Opened is a disc in a drive, or an image of one.
type Opened interface {
	Contents() optical.Contents
	// Identify says which of the known discs this may be, the likeliest first. It reads
	// some of its sectors only.
	Identify(ctx context.Context, known []burned.Known) ([]burned.Match, error)
	// Check reads every sector and holds the disc against what was burned on it. After an
	// error the report holds what is known, and its map lets a later call go on; without
	// one in it nothing does.
	Check(ctx context.Context, w burned.Want, o burned.Options) (burned.Result, error)
	// Gather reads what the disc holds of some files: see burned.Gather.
	Gather(ctx context.Context, files []burned.Sought, o burned.Options, into func(i int) (io.WriterAt, error)) ([]burned.Gathered, error)
	Close() error
}

// Check is one check of a disc: which disc it is, what was found, and what else a person
// needs to know beside it. What isn't known is blank.
type Check struct {
	Disc     ledger.Disc      // with ID 0 if it isn't known which one it is; its Number may be known all the same
	About    optical.Contents // what it says of itself
	Row      ledger.DiscCheck // as it is recorded: when, by whom, in which drive
	Report   burned.Result    // what was found. All numbers of sectors are these
	Files    []File           // that were burned
	Proved   []ledger.Disc    // those that its contents allow
	Swap     string           // a sentence: it seems to be another disc than is written on it
	Fits     []ledger.File    // access files whose lengths fit, of a disc that isn't registered
	Decision *ledger.DiscDecision
	Bring    []Bring       // stores that hold what it could not be compared with
	Together string        // the disc with which it is complete, each having what the other lacks
	Twins    []Read        // other discs of the same contents
	Next     []Next        // to be read next, as this one is bad
	Class    []ledger.Disc // others that are changed alike, with no decision yet
	Before   []ledger.DiscCheck
	Control  *Read            // the control disc that stands for the drive
	Findings []ledger.Finding // open ones about this disc
	Resumed  bool             // an earlier check that was broken off was taken up

	Shows       string    // what its contents show: "QV-0107 side A, access version 2, 9 disc tracks"; "" nothing
	Since       time.Time // its first reading, where nothing older is known
	Master      string    // how a finer master is recorded that isn't on it: "96 kHz, 24 bit"
	Pauses      []Pause   // before its tracks
	PausesKnown bool      // those are all
}

// File is a file that was burned, and what the disc holds of it.
type File struct {
	ID          int64
	Set, Path   string
	Version     int64
	SignedOff   time.Time // of a version past the first
	Store       string    // whose copy it was compared with; "": digests on record
	Format      string    // how it is recorded, where that can't go onto an audio disc as it is
	Retired     bool
	Rotten      bool   // the copy in Store isn't the version that was burned
	Why         string // in a sentence, "" if it is as it should be
	Holds       int64  // another version of the file, which is all there instead; 0: none
	burned.Held        // Name is what it was burned as
}

// Read is a disc with its newest check; nil if it was never read.
type Read struct {
	Disc  ledger.Disc
	Check *ledger.DiscCheck
}

// Next is a disc that should be read, and why.
type Next struct {
	Disc ledger.Disc
	Why  string
	Twin bool
}

// Bring is a store that holds what a disc could not be compared with.
type Bring struct {
	Store string
	Cloud bool // its files must be copied to a hard drive first
}

// Pause is silence before a track.
type Pause struct {
	Track   int
	Sectors int64
}

// Good says that nothing needs to be done about the disc.
func (c Check) Good() bool {
	var decided []ledger.DiscDecision
	if c.Decision != nil {
		decided = append(decided, *c.Decision)
	}
	return ledger.GoodCheck(c.Row, decided)
}

// Unfinished says that the disc has yet to be compared.
func (c Check) Unfinished() bool { return c.Report.Verdict == fixity.DiscNotCompared }

// Counts are its sectors by how reading them ended; zero if nothing was read.
func (c Check) Counts() optical.Counts {
	if c.Report.Check.Map == nil {
		return optical.Counts{}
	}
	return c.Report.Check.Map.Counts()
}

// RetriedAt are the sectors that were read after more than one try, with where in their
// tracks they are.
func (c Check) RetriedAt() []burned.Sectors {
	if c.Report.Check.Map == nil {
		return nil
	}
	var out []burned.Sectors
	again, _ := c.Report.Check.Map.Retried()
	for _, x := range again {
		p := burned.Sectors{LBA: x.LBA, Count: x.Count}
		if t, ok := c.About.TrackAt(x.LBA); ok && !t.Data && x.LBA >= t.LBA {
			p.Track, p.Time = t.Number, cdda.Run{Track: t.Number, Frame: x.LBA - t.LBA}.Time()
		}
		out = append(out, p)
	}
	return out
}

// Change is what happened to the level of a disc that is changed.
func (c Check) Change() (burned.Change, bool) { return c.Report.Change(care.SameGain) }

// Level says that the disc is what was burned but for one level, and which.
func (c Check) Level() (gain float64, one, levelled bool) {
	g, known := c.Change()
	return g.GainDB, known && g.Levelled && g.OneLevel, known && g.Levelled
}

// On says which of the files that were burned lie in a row of sectors, by their index.
func (c Check) On() func(burned.Sectors) []int {
	index := map[string]int{}
	for i, f := range c.Files {
		if f.At != "" {
			index[f.At] = i
		}
	}
	return func(s burned.Sectors) (of []int) {
		for _, x := range s.Of {
			if i, ok := index[x.Path]; ok {
				of = append(of, i)
			}
		}
		if s.Of != nil || s.Kind != "" {
			return of
		}
		// Sound: the source that begins last before the sector. A drive reads shifted by some
		// sectors at most, so at an edge it may be the neighbour's.
		best := -1
		for i, f := range c.Files {
			if f.LBA >= 0 && f.LBA <= s.LBA+s.Count-1 && (best < 0 || f.LBA > c.Files[best].LBA) {
				best = i
			}
		}
		if best >= 0 {
			of = []int{best}
		}
		return of
	}
}

// NotFound says that nothing of the file was looked at: the disc's directory can't be read.
func (f File) NotFound() bool {
	return f.Cause == burned.CauseNotFound || f.State == fixity.Unreadable && f.Why == causes[burned.CauseNotFound]
}

// Wrong is the digest of what the disc holds instead of a file, where it is altered and
// all of it was read.
func (f File) Wrong() fixity.Digest {
	i := slices.IndexFunc(f.Got, func(d fixity.Digest) bool { return d.Algorithm == fixity.BLAKE3 })
	if i < 0 || f.State != fixity.Altered {
		return fixity.Digest{}
	}
	return f.Got[i]
}

// KindFits says that a disc of a kind may have been registered as of another: one with
// sound and data is either.
func KindFits(registered string, kind optical.Kind) bool {
	return registered == string(kind) || kind == optical.Mixed
}

// ClosedOrNot says whether more could be written on a disc. Neither: it isn't known, as
// of an image.
func ClosedOrNot(c optical.Contents) (closed, open bool) {
	closed = c.Drive != ""
	for _, p := range c.Problems {
		open = open || errors.Is(p, optical.ErrNotClosed)
		closed = closed && !open && !errors.Is(p, optical.ErrSessions)
	}
	return closed, open
}

// Titles are what CD-TEXT calls a disc and its tracks, with whose it says they are.
func Titles(c optical.Contents) (disc string, tracks map[int]string) {
	tracks = map[int]string{}
	if len(c.Text) == 0 {
		return "", tracks
	}
	call := func(title, performer string) string {
		if title != "" && performer != "" {
			return title + " (" + performer + ")"
		}
		return title + performer
	}
	first := c.Text[0] // the first language is the disc's own
	for _, w := range first.Tracks {
		tracks[w.Track] = call(w.Title, w.Performer)
	}
	return call(first.Disc.Title, first.Disc.Performer), tracks
}

// Names are discs as people call them: "QD-0031 A and QD-0031 B".
func Names(ds []ledger.Disc) string {
	out := make([]string, len(ds))
	for i, d := range ds {
		out[i] = d.Name()
	}
	return fixity.And(out)
}

// Same says that two discs were burned of the same versions of the same files, so that
// what they hold can't tell them apart.
func Same(a, b []ledger.DiscFile) bool {
	return slices.EqualFunc(a, b, func(x, y ledger.DiscFile) bool { return x.File == y.File && x.Version == y.Version })
}

// Places are where sectors are bad, those that can't be read first.
func (c Check) Places() []burned.Sectors {
	return slices.Concat(c.Report.Unreadable, c.Report.Differing)
}
