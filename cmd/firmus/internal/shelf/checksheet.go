package shelf

import (
	"time"

	"firmus/fixity"
)

// CheckSheet is what one check of a disc came to. The zero value of a field is "not
// known": it stays blank, or isn't mentioned.
type CheckSheet struct {
	Archive string // the holdings' name

	// Which disc.
	Written   string   // what is written on it, as it was typed
	WrittenBy string   // who typed it
	Number    string   // of the registered disc that it was held against, "QD-0031 A"; "" none
	Part      int      // 0: the only one
	Box       string   // as on the box
	Proved    string   // what its contents prove: "QV-0107 side A, access version 2, 9 disc tracks"
	Alike     []string // other discs that are registered with the same contents, "QD-0031 B": contents can't tell them apart
	Swap      string   // the disc that this one seems to be, where Written says otherwise; "" none

	// What it is.
	Kind   string // Audio, Data or Mixed
	Medium string // as the drive says, "CD-R", "DVD+R"; "" not known
	Layers Layers // of a DVD
	Closed Answer // whether more could be written on it
	Blank  string // brand, as on its package
	Burned string // when, as precisely as it is known: "18 Nov 2025"

	// What was found.
	Verdict    Verdict
	Unfinished string   // why the check ended before its end; "" it was finished
	Directory  string   // what is wrong with a data disc's directory, in a sentence; ""
	Problems   []string // other things that were noticed, in sentences
	Files      []CheckFile
	Extra      []string  // files on it that aren't registered
	Baseline   time.Time // the first reading that it was compared with, or that this is
	Master     string    // format of the master that isn't on it, "96 kHz, 24 bit"
	Together   string    // the disc or store with which it is complete, each having what the other lacks

	// How it was read. Sectors are those of tracks, and the others add up to it.
	Sectors, AtOnce, Retried, Doubtful, Unreadable, Untried int64
	MostTries                                               int // of the Retried; 0 not known
	Twice                                                   bool
	TriesAt                                                 []Place // where the Retried are
	UnreadableAt, DifferingAt                               []Place
	Structure, Free                                         int64 // data: bad sectors of the file system's own, and of no file
	LeadOut                                                 int64 // sectors up to the disc's end, those of no track too
	Runs                                                    []Run // all of them in order, for the picture; DifferingAt is laid over them

	// Audio: what happened between the files and the disc.
	Way Way

	// With what, when, by whom.
	Image        string // the image file that was read; "" a disc in a drive
	Drive        string // maker and model
	Firmware     string
	Serial       string
	Speed        int     // kB a second that reading was capped at; 0 it wasn't
	Control      Control // the control disc
	Looked       Looked  // before it was put in
	Begun, Ended time.Time
	By           string
	Before       []Before  // earlier checks, the latest first
	Twins        []Sibling // the other discs of Alike, and when they were checked

	Next      []string  // what is to be done, in sentences; the sheet adds what its verdict asks for
	LookAgain time.Time // the month is shown
	Event     int64     // its number in the record; 0 none
	Findings  []int64   // open ones of this disc
}

// Verdict is what a check came to. The codes are stored: never change one.
type Verdict string

// Verdicts.
const (
	Intact       Verdict = "intact"       // everything that can be compared is what was burned
	Unreadable   Verdict = "unreadable"   // so is all that was read, but some sectors weren't
	Altered      Verdict = "altered"      // some was read well and is something else
	Unsteady     Verdict = "unsteady"     // the drive lost its place
	Reordered    Verdict = "reordered"    // what was burned, in another order
	Changed      Verdict = "changed"      // the same recording with other samples
	Alike        Verdict = "alike"        // the same recording, by weaker evidence
	Other        Verdict = "other"        // another disc than the registered one
	Missing      Verdict = "missing"      // a registered file isn't on it
	SaysNothing  Verdict = "says-nothing" // silence
	Baseline     Verdict = "baseline"     // a first reading
	Unregistered Verdict = "unregistered" // not in the register
	NotCompared  Verdict = "not-compared" // read, but nothing to compare it with is within reach
)

// Answer is yes, no, or not known.
type Answer int8

// Answers.
const (
	NotKnown Answer = iota
	Yes
	No
)

// CheckFile is one file that was burned, and what the disc holds of it.
type CheckFile struct {
	Name      string // path in its set
	Version   int64  // 0: not known
	SignedOff time.Time
	Store     string // whose copy it was compared with; "" a digest on record
	State     fixity.State
	Evidence  Evidence
	Format    string // of the file, where the evidence is weaker for it: "48 kHz, 24 bit"
	Track     int    // audio: where it begins; 0 not known
	At        string // data: path on the disc, where that is another one
	Why       string // in a sentence, where State isn't intact; may be ""
	Rotten    bool   // the copy in Store turned out not to be what was burned
}

// Evidence is what a comparison rests on.
type Evidence uint8

// Evidence, from none to the strongest.
const (
	NoEvidence Evidence = iota
	Likeness            // correlation: the same recording, no more
	Samples             // each sample
	Bytes               // each byte
)

// Place is a row of sectors, with what lies there.
type Place struct {
	LBA, Count int64
	Track      int      // 0: in a gap, or data
	Time       string   // within the track, "00:02:12.00"; "" none
	Of         []string // data: paths of files
	Structure  bool     // data: of the file system's own
}

// Run is a row of sectors that were read alike.
type Run struct {
	LBA, Count int64
	State      RunState
}

// RunState is how reading a sector ended.
type RunState uint8

// States of runs. The later is the worse, but for Outside.
const (
	Outside       RunState = iota // of no track
	RunUntried                    // not read yet
	RunAtOnce                     // at the first try
	RunRetried                    // after more
	RunDoubtful                   // given, but called doubtful
	RunDiffers                    // read well, and not what was burned
	RunUnreadable                 // not given
)

// Way is what an audio disc's sound went through between the files and the disc.
type Way struct {
	Located            bool    // the files were found sample for sample; else Pauses and Shift aren't known
	Shift              int     // disc sample i is file sample i + Shift
	Pauses             []Pause // before tracks
	PausesKnown        bool    // Pauses are all; none then says that tracks follow each other without one
	Unchanged          bool    // the samples, and so the level, are the files'
	GainDB, SpreadDB   float64 // where they aren't: how much louder the disc is, and between its softest and loudest places
	Inverted           bool
	Decision           string // a decision for the class that covers the change, "burned with levelling, +1.8 dB"
	DecidedBy          string
	DecidedAt          time.Time
	EdgeStart, EdgeEnd int64 // samples that this drive can't read, at either edge of the disc
	Slips              int64 // times that the drive lost its place
}

// Pause is silence before a track.
type Pause struct {
	Track   int
	Sectors int64
}

// Control is the control disc: one known to be good, read in the same drive to tell a
// drive's trouble from a disc's.
type Control struct {
	Number  string
	At      time.Time // zero: none was read
	Retried int64     // sectors that needed more than one try
	Bad     int64     // sectors that couldn't be read
}

// Looked is what was seen on the disc before it was put in. What is false is left
// open, for a pen.
type Looked struct {
	NoCracks, NoLiftingEdge, Scratches bool
	By                                 string
}

// Before is an earlier check.
type Before struct {
	At         time.Time
	Verdict    Verdict
	Retried    int64
	Unreadable int64
	SameDrive  bool // and the same speed, so that tries can be compared
}

// Sibling is a twin, or another part.
type Sibling struct {
	Number  string    // "QD-0031 B"
	Checked time.Time // zero: never
	Verdict Verdict   // of that check
}

// Layers are those of a DVD.
type Layers struct {
	Two   bool
	Break int64 // the first sector of the second; 0 not known
}
