// Package optical reads discs: in a drive, as an image of a data disc (.iso), or as
// a cue sheet with raw sectors. It says what is on one, gives its sectors as an
// io.ReaderAt, and checks every sector of it, with a map of which were read at once,
// after how many tries, and which couldn't be read.
//
// It writes nothing on a disc, and nothing into an image. A check caps the speed of
// the drive, reads in batches, goes back to single sectors after a failed batch and
// to the lowest speed for those that still fail, and gives up when nothing more is
// read for ten minutes: endless tries harm a disc and the drive.
//
// What it knows of: ECMA-130 and IEC 60908 (sectors of compact discs), MMC-6
// (drives), ECMA-119 and ECMA-167 by packages iso and udf.
package optical

import (
	"errors"
	"fmt"

	"firmus/fixity"
	"firmus/replicas/optical/mmc"
)

// What may be wrong with a disc or a drive, besides fixity.ErrAway (no drive, or
// unplugged), fixity.ErrDenied (a *scsi.DeniedError names the group), fixity.ErrBusy
// and fixity.ErrUnreadable.
var (
	// ErrNoDisc and ErrTrayOpen match fixity.ErrAway as well.
	ErrNoDisc   = mmc.ErrNoDisc
	ErrTrayOpen = mmc.ErrTrayOpen
	// ErrNotReady: the drive doesn't recognise the disc within a minute.
	ErrNotReady = mmc.ErrNotReady
	// ErrFormat: a disc that the drive can't read.
	ErrFormat = mmc.ErrFormat
	// ErrBlank: nothing is written on the disc.
	ErrBlank = errors.New("the disc is blank")
	// ErrHalfErased: an erasable disc whose table of contents can't be read, as one
	// is left by an erasure that was broken off.
	ErrHalfErased = errors.New("the disc's table of contents can't be read, and it is erasable: it may be half erased")
	// ErrNoTOC: a disc whose table of contents can't be read. It may be readable in
	// another drive.
	ErrNoTOC = fmt.Errorf("the disc's table of contents can't be read: %w", fixity.ErrUnreadable)
	// ErrSwapped: the disc isn't the one that was there at the start. What was read
	// belongs to none.
	ErrSwapped = errors.New("the disc was changed while it was read")
	// ErrStalled: nothing more could be read for the time given. The map is kept.
	ErrStalled = errors.New("no sector could be read any more")
	// ErrOtherDisc: a map of another disc.
	ErrOtherDisc = errors.New("the map is of another disc")
	// ErrShorter: the disc or image ends before what its file system says.
	ErrShorter = errors.New("shorter than its file system says")
	// ErrNotClosed: more could be written on the disc.
	ErrNotClosed = errors.New("the disc isn't closed")
	// ErrSessions: it isn't known which sessions the disc has.
	ErrSessions = errors.New("the disc's sessions aren't all known")
	// ErrTooLarge: more sectors than are checked.
	ErrTooLarge = errors.New("more sectors than a disc is checked for")
	// ErrImage: a file that isn't an image that can be read.
	ErrImage = errors.New("not an image of a disc")
	// ErrSpeed: the drive doesn't let its speed be set; it reads as fast as it likes.
	ErrSpeed = errors.New("the drive's speed can't be capped")
	// ErrUnsteady: the drive doesn't give the same samples twice.
	ErrUnsteady = errors.New("the drive loses its place, so that reading twice tells nothing")
)
