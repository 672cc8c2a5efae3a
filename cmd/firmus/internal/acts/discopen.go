package acts

import (
	"context"
	"io"
	"time"

	"firmus/fixity"
)

// DiscAt says where a disc is: in a drive, or as an image.
type DiscAt struct{ Drive, Image string }

// OpenedDisc is a disc in a drive, or an image of one.
type OpenedDisc interface {
	About() DiscAbout
	// Identify says which of the known discs this may be, the likeliest first. It reads
	// fifty sectors at most.
	Identify(ctx context.Context, known []KnownDisc) ([]DiscMatch, error)
	// Check reads every sector and holds the disc against what was burned on it. After an
	// error the report holds what is known, and its Map lets a later call go on.
	Check(ctx context.Context, w DiscWant, o DiscOptions) (DiscReport, error)
	Close() error
}

// DiscAbout is what a disc says of itself.
type DiscAbout struct {
	ID       string // of its table of contents: twins share it
	Kind     string // "audio", "data", "mixed"
	Medium   string // "CD-R" …; "" if it isn't known
	Drive    string // maker, model, revision; "" for an image
	Label    string // of its file system
	LeadOut  int64  // sectors up to its end
	Sessions int    // 0: not known
	MCN      string // media catalogue number, "" if there is none
	Title    string // by its CD-TEXT, with the performer's name
	Tracks   []DiscTrack
	Open     bool     // more could be written on it
	Closed   bool     // nothing more can; neither: it isn't known, as of an image
	Problems []string // what is wrong or isn't known
}

// DiscTrack is one track, as the table of contents has it.
type DiscTrack struct {
	Number       int
	LBA, Sectors int64
	Data         bool
	ISRC         string
	Title        string // by CD-TEXT
}

// DiscSound are the samples of a copy of a file, whole numbers with a sign, the low
// byte first, channels in turn.
type DiscSound struct {
	PCM                  io.ReaderAt
	Samples              int64
	Rate, Channels, Bits int
}

// WantedFile is one file that was burned.
type WantedFile struct {
	Name    string // on a data disc, its path below the folder that was burned
	Size    int64  // -1: not known
	Digests []fixity.Digest
	Blocks  []uint32
	Sound   *DiscSound // audio: of an intact copy within reach; nil if none is
	Samples int64      // audio: its length at 44,100 a second, 0 if it isn't known
}

// DiscWant is what a disc is held against.
type DiscWant struct {
	Kind     string
	Files    []WantedFile // in the order of an audio disc's tracks
	Baseline []byte       // what an earlier reading gave; nil: none
}

// DiscOptions say how a disc is read.
type DiscOptions struct {
	Fresh, Twice bool
	Map          []byte // of a check that was broken off
	Now          func() time.Time
	Progress     func(DiscProgress)
	Offset       int // of this drive
	OffsetKnown  bool
}

// DiscProgress is how far a check is.
type DiscProgress struct {
	Pass       string // in words
	LBA, Of    int64
	Unreadable int64
}

// DiscRange is a row of sectors.
type DiscRange struct {
	LBA   int64 `json:"lba"`
	Count int64 `json:"count"`
}

// DiscPlace is a row of sectors with what lies there.
type DiscPlace struct {
	DiscRange
	Track     int    // 0: in a gap, or data
	Time      string // within the track
	Files     []int  // of the wanted ones, by index
	Paths     []string
	Structure bool // the file system's own
}

// DiscRun is a row of sectors that were read alike.
type DiscRun struct {
	DiscRange
	State string // of package optical
	Tries int
}

// DiscReport is what a check found out.
type DiscReport struct {
	Verdict fixity.DiscVerdict
	Map     []byte // how reading each sector ended, compressed

	Sectors, AtOnce, Retried, Doubtful, Unreadable, Untried int64

	Speed        int // kB a second that reading was capped at
	Runs         []DiscRun
	RetriedAt    []DiscPlace
	UnreadableAt []DiscPlace
	DifferingAt  []DiscPlace
	Structure    int64 // bad sectors of the file system's own
	Free         int64 // of nothing

	Sound *DiscHeard // an audio disc that was compared with sources
	Files []DiscHolds
	Extra []string
	View  string
	// Directory says in sentences what is wrong with a data disc's directory, where the
	// bytes of its files were found all the same.
	Directory []string
	Baseline  []byte // of this reading, or the one compared with
	Problems  []string
}

// DiscHeard is how an audio disc's sound compares with what was burned.
type DiscHeard struct {
	Located            bool
	Offset             int // disc sample i is source sample i + Offset
	EdgeStart, EdgeEnd int64
	Slips              int64
	Changed            bool // GainDB and the next are known
	GainDB, SpreadDB   float64
	Inverted           bool
	// Levelled says that every sector of every file that is changed is the file's, but for
	// one level and dither, and that none lacks. OneLevel: it is the same for all of them.
	Levelled, OneLevel bool
}

// DiscHolds is what the disc holds of one wanted file.
type DiscHolds struct {
	State  fixity.State // "" if nothing is known of it
	At     string       // path on the disc
	Track  int
	LBA    int64          // where it begins, -1 if that isn't known
	Ranges []fixity.Range // damaged bytes of the file
	More   bool
	Wrong  fixity.Digest
	Blocks []uint32 // CRC-32C of each 64 KiB that it holds instead, and
	Size   int64    // its bytes, where all of it was read
	Weaker bool     // likeness only was compared
	Why    string   // in a sentence, "" if it is as it should be
}

// KnownDisc is a registered disc, for identifying.
type KnownDisc struct {
	Disc     int64
	Kind     string
	TOC      string
	Files    []WantedFile
	Baseline []byte
}

// DiscMatch is a registered disc that this may be.
type DiscMatch struct {
	Disc int64
	Sure bool   // by its contents, not only by its table of contents or label
	How  string // in words
}
