// Package cdda compares the sound of an audio disc with the recordings that it was
// burned from, sample for sample. It reads both and writes nothing; how a drive
// gets at the sectors is another package's business.
//
// An audio disc is a row of sectors of 2352 bytes: 588 samples of 16 bits for each
// of two channels, the low byte first, 44,100 a second and so 75 sectors a second
// (IEC 60908; ECMA-130, sections 14 and 16: 98 frames of 24 bytes). A sample here is
// one of both channels, 4 bytes.
//
// Audio sectors carry no address of their own, so every drive reads them shifted by
// a constant number of samples, some hundred to either side: disc sample i is
// source sample i + offset. The offset isn't known beforehand and is found from the
// sound. At one edge of the disc as many samples can't be read at all: they are
// not comparable, which is neither damage nor proof.
//
// Burning programs fill the last sector of each track with zeros and put a pause of
// 2 s or none before each (ECMA-130, section 20), or cut one recording into tracks.
// Which of these it was is found out too.
//
// Silence proves nothing: a source without sound is equal to any silent disc.
package cdda

import (
	"fmt"
	"io"
)

const (
	SampleBytes   = 4
	SectorBytes   = 2352
	SectorSamples = SectorBytes / SampleBytes // 588
	SectorsASec   = 75
	Rate          = SectorSamples * SectorsASec // 44,100 a second
	Pause         = 2 * SectorsASec             // sectors: the usual gap before a track
)

// Place says in which track a sector lies by the table of contents alone, and how many
// sectors from its beginning; 0 before the first.
func (d Disc) Place(lba int64) (track int, frame int64) {
	for _, t := range d.Tracks {
		if t.LBA <= lba {
			track, frame = t.Number, lba-t.LBA
		}
	}
	return track, frame
}

// State says how a sector was read. The zero value is read well.
type State uint8

// States of sectors.
const (
	Good       State = iota
	Doubtful         // the drive gave bytes and said that some may be wrong
	Unreadable       // the drive gave none; whatever stands in their place isn't looked at
)

// Mark is the state of a run of sectors.
type Mark struct {
	LBA, Count int64
	State      State
}

// Track is one audio track as the table of contents has it.
type Track struct {
	Number int
	LBA    int64 // where its sound (index 1) begins
}

// Disc is what was read of an audio disc, or of its audio session.
type Disc struct {
	PCM     io.ReaderAt // sector First+k at byte 2352*k; any bytes for one that is Unreadable
	First   int64       // LBA of the first sector that PCM has
	Sectors int64
	Tracks  []Track // ascending
	Marks   []Mark  // sectors that aren't Good, ascending and apart
}

// Format is how a source's samples are recorded: whole numbers with a sign, the low
// byte first, channels in turn.
type Format struct {
	Rate     int // samples a second
	Channels int
	Bits     int // 16, 24 or 32
}

// CD is the format of an audio disc. Only sources of it can be compared sample for
// sample; others were converted on the way, and are compared by correlation: that
// is weaker evidence, and is never called identical.
var CD = Format{Rate, 2, 16}

// Source is one recording that the disc was burned from, in the disc's order.
type Source struct {
	Name    string
	PCM     io.ReaderAt // bare samples
	Samples int64
	Format  Format // the zero value is CD
}

// MaxOffset is the largest offset that can be looked for, in samples.
const MaxOffset = 8000

// Options are what is known beforehand.
type Options struct {
	MaxOffset int  // samples to either side; 0 is 3000, some twice what drives are known for
	Known     bool // Offset is this drive's, and preferred where the sound allows several
	Offset    int
}

// Verdict is what a comparison comes to. The codes are stored: never change one.
type Verdict string

// Verdicts. Those down to Differs rest on samples, the others on correlation or on
// nothing.
const (
	Identical   Verdict = "identical"    // every sample that can be compared is the source's
	Unread      Verdict = "unread"       // so is every one that was read well; some sectors weren't
	Slipped     Verdict = "slipped"      // so is every one, but the reading lost its place on the way: read again
	Reordered   Verdict = "reordered"    // so is every one, but the sources come in another order
	Differs     Verdict = "differs"      // it is the recording, but for some sectors that were read well
	Changed     Verdict = "changed"      // the same recording with other samples: level, resampling, dither
	Alike       Verdict = "alike"        // the same recording; the source's format allows no more to be said
	Other       Verdict = "other"        // another recording
	Missing     Verdict = "missing"      // of one source: it isn't on the disc
	SaysNothing Verdict = "says-nothing" // there is no sound to compare
)

// Exact says that the verdict rests on samples.
func (v Verdict) Exact() bool {
	switch v {
	case Identical, Unread, Slipped, Reordered, Differs:
		return true
	}
	return false
}

// MaxRuns is the most runs that a Result lists: more than a disc of 99 minutes can have.
const MaxRuns = 250_000

// MaxSlips is the most slips that it lists.
const MaxSlips = 1000

// Result is what Compare found out.
type Result struct {
	Verdict   Verdict
	Located   bool // the sources were found on the disc sample for sample; the fields down to Slips say where
	Offset    int  // disc sample i is source sample i + Offset
	Ambiguous bool // the sound repeats itself so that other offsets are as good

	Compared      int64 // sectors
	Differing     []Run // that were read and hold other samples
	DifferingAll  int64 // sectors, listed or not
	Unreadable    []Run
	UnreadableAll int64
	DoubtfulEqual int64 // sectors that the drive doubted and that are right
	Slips         []Slip
	SlipsAll      int64

	EdgeStart, EdgeEnd int64 // samples of sources that this drive can't read, at the disc's edges
	Lacking            int64 // samples of sources that lie behind the disc's end: it is cut short

	Breaks []Break // within sources: the disc itself skips, or holds more there

	Sources []Held // as they were given
}

// Run is a row of sectors of one track, or of one gap.
type Run struct {
	LBA, Count int64
	Track      int   // 0 in a gap
	Frame      int64 // sectors from the track's beginning; 0 in a gap
	Samples    int64 // that differ
	Muted      bool  // the disc has zeros in place of sound
	Doubtful   bool  // the drive doubted them: not evidence that the disc is altered
}

// Time is where in its track a run begins: hours, minutes, seconds and sectors of
// a 75th of a second, "00:02:00.00"; "" in a gap.
func (r Run) Time() string {
	if r.Track == 0 {
		return ""
	}
	s := r.Frame / SectorsASec
	return fmt.Sprintf("%02d:%02d:%02d.%02d", s/3600, s/60%60, s%60, r.Frame%SectorsASec)
}

// Slip is a place from which on the reading is shifted by another offset.
type Slip struct {
	LBA    int64
	Offset int
	By     int // samples that the offset is larger than before: so many are left out there
	Source int // that it lies within, -1 if it lies between
}

// Held is what the disc holds of one source.
type Held struct {
	Name      string
	Verdict   Verdict
	LBA       int64 // where it begins; -1 if it isn't known
	Track     int   // the track that it begins in; 0 if it isn't known
	Differing int64 // sectors that were read well and differ
	Muted     int64 // of them, those that hold zeros in place of sound
	Lacking   int64 // samples that the disc ends before, or has no room for
	Form      Form  // its samples are there, but so
	Reduced   bool  // each was brought to 16 bits
	Likeness  Likeness
}

// Likeness is what correlation says of one source. It is zero where samples said
// enough.
type Likeness struct {
	Windows     int     // stretches of 0.4 s that were compared
	Alike       int     // of them, those that are the source's
	Correlation float64 // median of those: 1 is the same but for the level
	GainDB      float64 // median: how much louder the disc is
	SpreadDB    float64 // between the softest and the loudest
	Inverted    bool    // the disc has the sound upside down
	Offset      float64 // samples, of the first that is alike

	// Every sector was held against the source then.
	Sectors, AlikeSectors int64
	Lacking               int64   // samples that aren't on the disc
	Form                  Form    // straight, or the channels are exchanged
	Even                  bool    // all differ by one level and dither alone
	LowDB, HighDB         float64 // the levels of the sectors that are loud
}
