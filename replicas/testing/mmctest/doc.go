// Package mmctest is a simulated optical drive, at the level of command blocks. It
// behaves as MMC-6 has it, and on demand as drives do that have met it only in
// passing: read offsets, jitter, error flags that are announced and never written,
// answers in another format than was asked for, residuals that lie.
//
// Time that a sector costs is spent in time.Sleep, so that tests in a bubble of
// testing/synctest pay nothing for it.
package mmctest

import (
	"context"
	"fmt"
	"sync"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
)

// Track is one track of a disc.
type Track struct {
	Number, Session int // Session 0 is 1
	LBA             int64
	Data            bool
	ISRC            string
}

// Fault is what goes wrong with a sector. The zero value fails always, with an
// uncorrectable error.
type Fault struct {
	Sense  scsi.Sense    // zero: 3/11/05
	Fails  int           // readings that fail before one succeeds; 0: all
	UpTo   int           // kB a second: faster readings fail, these don't; 0: no matter
	Slow   time.Duration // each reading takes that much longer
	Sound  bool          // it only is slow
	Silent bool          // the drive says good and gives no bytes
	seen   int
}

// Doubt is an audio sector that comes with errors.
type Doubt struct {
	Bytes []int // that are wrong
	Times int   // readings that are, before one is right; 0: all
	seen  int
}

// Disc is a medium.
type Disc struct {
	Profile  mmc.Profile // zero: CD-R
	Tracks   []Track
	LeadOut  int64
	LeadOuts []int64 // of the sessions; nil: one, LeadOut
	// Content fills 2352 bytes of an audio sector, or 2048 of a data sector.
	Content  func(lba int64, b []byte)
	Faults   map[int64]*Fault
	Doubts   map[int64]*Doubt
	MCN      string
	Text     []byte     // packs of CD-TEXT
	Status   mmc.Status // as written; the zero value, empty, has no table of contents
	Erasable bool
	NoTOC    scsi.Sense // why the table of contents can't be read, if not zero
	Capacity int64      // that READ CAPACITY gives; 0: LeadOut
}

// Flags says how a drive deals with C2 error flags.
type Flags uint8

// Ways of dealing with C2 error flags.
const (
	NoFlags  Flags = iota // says that it has none, and refuses
	Honest                // announces and writes them
	Ignored               // announces them, and leaves the buffer as it was
	Unsent                // announces them, sends bare sectors and fills up with zeros
	Constant              // announces them, and writes zeros whatever it read
	PageOnly              // as Honest, but announced only in the capabilities page
)

// Answers says how a drive answers READ TOC.
type Answers uint8

// Ways of answering READ TOC.
const (
	ByteTwo      Answers = iota // heeds the format in byte 2
	ByteNine                    // heeds only the bits in byte 9, as drives before MMC
	AlwaysZero                  // gives format 0 whatever is asked
	NoSessions                  // refuses every format but 0
	OnlySessions                // refuses format 2
	OtherTOC                    // gives a raw table of another disc
	Nonsense                    // gives bytes that mean nothing
)

// Drive is a simulated drive. Its fields may be set before it is used, or in Before.
type Drive struct {
	Offset   int        // samples: it reads audio so many later than was asked
	Jitter   func() int // further samples, one reading after the other
	Flags    Flags
	Answers  Answers
	Residual func(size int) int // what it says of bytes not moved; nil: the truth
	NoSpeed  bool               // knows no command to set the speed
	Slowest  int                // kB a second; below it speeds are refused
	Stuck    bool               // its tray can't be opened by a command
	ReadOnly bool               // opened without the right to set the speed
	OldDrive bool               // doesn't know GET CONFIGURATION and what came with it
	// Before is called before each command, with the number of commands before it.
	Before func(n int, cdb []byte)

	mu        sync.Mutex
	disc      *Disc
	open      bool
	unplugged bool
	attention []scsi.Sense
	event     mmc.Event
	spinUp    int
	busy      int
	speed     int
	sent      int
	counts    map[byte]int
	speeds    []int
}

var _ scsi.Transport = (*Drive)(nil)

// Insert puts a disc in and closes the tray.
func (d *Drive) Insert(disc *Disc) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.disc, d.open, d.event = disc, false, mmc.NewDisc
	d.attention = append(d.attention, scsi.Sense{Key: scsi.UnitAttention, ASC: 0x28})
}

// Swap changes the disc without any sign of it, as when the operating system asked
// first.
func (d *Drive) Swap(disc *Disc) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.disc = disc
}

// Eject opens the tray; what lay in it is gone.
func (d *Drive) Eject() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.eject()
}

func (d *Drive) eject() { d.disc, d.open, d.event = nil, true, mmc.DiscRemoved }

// CloseTray closes the empty tray.
func (d *Drive) CloseTray() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.open = false
}

// Unplug takes the drive away.
func (d *Drive) Unplug() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.unplugged = true
}

// Attend queues attentions, which are told before the next commands.
func (d *Drive) Attend(s ...scsi.Sense) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.attention = append(d.attention, s...)
}

// SpinUp makes the drive say n times that it becomes ready.
func (d *Drive) SpinUp(n int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.spinUp = n
}

// Busy makes the drive refuse n commands as busy.
func (d *Drive) Busy(n int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.busy = n
}

// Sent is the number of commands of an operation code.
func (d *Drive) Sent(op byte) int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.counts[op]
}

// Speeds are those that were set, in kB a second.
func (d *Drive) Speeds() []int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]int(nil), d.speeds...)
}

// Do implements scsi.Transport.
func (d *Drive) Do(ctx context.Context, cdb, data []byte, dir scsi.Direction, _ time.Duration) (scsi.Sense, int, error) {
	if err := scsi.Allowed(cdb, data, dir); err != nil {
		return scsi.Sense{}, 0, err
	}
	if err := ctx.Err(); err != nil {
		return scsi.Sense{}, 0, err
	}
	room := len(data)
	if dir != scsi.In {
		room = 0
	}
	in, status, sense, err := d.Handle(cdb, data, room)
	if err != nil {
		return scsi.Sense{}, 0, err
	}
	copy(data, in)
	residual := room - len(in)
	if d.Residual != nil {
		residual = d.Residual(room)
	}
	if status != scsi.Good {
		return sense, residual, &scsi.Error{Command: cdb[0], Status: status, Sense: sense}
	}
	return scsi.Sense{}, residual, nil
}

// Handle carries out one command: out is what is sent, and at most room bytes come
// back, also those before an error. An error is the drive's absence.
func (d *Drive) Handle(cdb, out []byte, room int) ([]byte, scsi.Status, scsi.Sense, error) {
	d.mu.Lock()
	n := d.sent
	d.sent++
	if d.counts == nil {
		d.counts = map[byte]int{}
	}
	d.counts[cdb[0]]++
	before := d.Before
	d.mu.Unlock()
	if before != nil {
		before(n, cdb)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.unplugged {
		return nil, 0, scsi.Sense{}, fmt.Errorf("simulated drive was unplugged: %w", fixity.ErrAway)
	}
	if d.busy > 0 {
		d.busy--
		return nil, scsi.Busy, scsi.Sense{}, nil
	}
	if d.ReadOnly && (cdb[0] == 0xBB || cdb[0] == 0xB6) {
		return nil, 0, scsi.Sense{}, fmt.Errorf("operation not permitted: %w", fixity.ErrDenied)
	}
	in, sense := d.handle(cdb, out)
	if len(in) > room {
		in = in[:room]
	}
	if sense != (scsi.Sense{}) {
		return in, scsi.CheckCondition, sense, nil
	}
	return in, scsi.Good, sense, nil
}
