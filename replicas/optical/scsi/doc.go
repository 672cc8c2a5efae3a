// Package scsi sends SCSI commands to an optical drive and reads what it answers
// when something is wrong. It knows no disc: which commands mean what is package
// mmc's business.
//
// On Linux commands go through the SG_IO ioctl, without privileges: the account
// must be in the group that owns the drive. On Windows they go through the
// pass-through ioctl of the class driver. Elsewhere there is no way, and Open says
// so.
//
// Only commands that read, and those that set a drive's speed, are let through:
// nothing that this package sends can write on a disc.
//
// Standards: SPC-4 (sense data, INQUIRY), SAM-5 (status), MMC-6 (commands of
// optical drives).
package scsi

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// MaxTransfer is the most bytes that one command may move. Linux refuses more than
// the adapter's max_sectors_kb with EINVAL, and Windows more than its maximum
// transfer length; 64 KiB is below every limit that has been met.
const MaxTransfer = 64 << 10

// Direction says which way the data of a command goes.
type Direction uint8

// Directions.
const (
	None Direction = iota // no data
	In                    // from the drive
	Out                   // to the drive
)

// Transport carries commands to one drive.
//
// Do sends cdb and waits for its end, at most for timeout. data is filled (In) or
// sent (Out). A nil error says that the drive ended the command as good; sense is
// then zero, or says what the drive had to do for it (key RecoveredError). The
// residual is what the adapter says was not moved; adapters say 0 where it isn't,
// so nothing may rest on it.
//
// An error is an *Error if the drive or the way to it refused the command, whose
// sense is given as well. After any error nothing in data may be believed. Errors
// that match fixity.ErrAway say that the drive is gone, fixity.ErrBusy that it
// works for another program, fixity.ErrDenied that the system forbids the command.
// When ctx ends first its error is given at once, and the command may still be
// running: the next one waits for it.
type Transport interface {
	Do(ctx context.Context, cdb, data []byte, dir Direction, timeout time.Duration) (sense Sense, residual int, err error)
}

// Errors of a command that was never sent.
var (
	// ErrCommand: a command that isn't let through, or a wrong length.
	ErrCommand = errors.New("not a command that is sent to a drive")
	// ErrClosed: the drive was closed.
	ErrClosed = errors.New("drive is closed")
)

// commands are those that are let through, by operation code, with the length of
// their blocks (MMC-6, section 6, and SPC-4, section 6).
var commands = map[byte]struct {
	name string
	size int
}{
	0x00: {"TEST UNIT READY", 6},
	0x03: {"REQUEST SENSE", 6},
	0x12: {"INQUIRY", 6},
	0x1B: {"START STOP UNIT", 6}, // to open the tray, and for nothing else
	0x25: {"READ CAPACITY", 10},
	0x28: {"READ(10)", 10},
	0x42: {"READ SUB-CHANNEL", 10},
	0x43: {"READ TOC/PMA/ATIP", 10},
	0x46: {"GET CONFIGURATION", 10},
	0x4A: {"GET EVENT STATUS NOTIFICATION", 10},
	0x51: {"READ DISC INFORMATION", 10},
	0x52: {"READ TRACK INFORMATION", 10},
	0x5A: {"MODE SENSE(10)", 10},
	0xA8: {"READ(12)", 12},
	0xAC: {"GET PERFORMANCE", 12},
	0xB6: {"SET STREAMING", 12},
	0xBB: {"SET CD SPEED", 12},
	0xBD: {"MECHANISM STATUS", 12},
	0xBE: {"READ CD", 12},
}

// openTray is the one form of START STOP UNIT that is let through: LoEj without Start
// (MMC-6, START STOP UNIT).
const openTray = "\x1b\x00\x00\x00\x02\x00"

// CommandName is the name of an operation code in its standard, or its number.
func CommandName(op byte) string {
	if c, ok := commands[op]; ok {
		return c.name
	}
	return fmt.Sprintf("command %02Xh", op)
}

// Allowed gives an error that matches ErrCommand unless the command is one that is
// let through, with data of a fitting direction and length.
func Allowed(cdb, data []byte, dir Direction) error {
	if len(cdb) == 0 {
		return fmt.Errorf("empty command block: %w", ErrCommand)
	}
	c, ok := commands[cdb[0]]
	switch {
	case !ok || c.size != len(cdb):
		return fmt.Errorf("%s of %d bytes: %w", CommandName(cdb[0]), len(cdb), ErrCommand)
	case cdb[0] == 0x1B && string(cdb) != openTray:
		return fmt.Errorf("%s for something else than to open the tray: %w", c.name, ErrCommand)
	case dir == None != (len(data) == 0) || dir > Out:
		return fmt.Errorf("%s with %d bytes of data: %w", c.name, len(data), ErrCommand)
	case dir == Out && cdb[0] != 0xB6:
		return fmt.Errorf("%s sending data: %w", c.name, ErrCommand)
	case len(data) > MaxTransfer:
		return fmt.Errorf("%s of %d bytes of data, at most %d: %w", c.name, len(data), MaxTransfer, ErrCommand)
	}
	return nil
}
