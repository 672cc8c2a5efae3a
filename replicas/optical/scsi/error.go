package scsi

import (
	"fmt"

	"firmus/fixity"
)

// Status is how a command ended (SAM-5, section 5.3.1).
type Status uint8

// Statuses.
const (
	Good                Status = 0x00
	CheckCondition      Status = 0x02
	Busy                Status = 0x08
	ReservationConflict Status = 0x18
	TaskSetFull         Status = 0x28
	TaskAborted         Status = 0x40
)

// Error is a command that the drive, or the way to it, did not carry out.
type Error struct {
	Command      byte // operation code
	Status       Status
	Sense        Sense  // zero if there is none
	Host, Driver uint16 // of Linux's SCSI layer: a way to the drive that failed; else 0
}

func (e *Error) Error() string {
	t := CommandName(e.Command) + ": "
	switch {
	case e.Sense != Sense{}:
		return t + e.Sense.String()
	case e.Status == Busy || e.Status == TaskSetFull:
		return t + "drive is busy"
	case e.Status == ReservationConflict:
		return t + "drive is reserved by another program"
	case e.Host != 0:
		return t + fmt.Sprintf("the way to the drive failed (%s)", hostName(e.Host))
	}
	return t + fmt.Sprintf("status %02xh and no sense data, driver status %xh", uint8(e.Status), e.Driver)
}

// Host statuses of Linux, include/scsi/scsi_status.h, that say something.
const (
	hostNoConnect = 0x01
	hostBusBusy   = 0x02
	hostTimeOut   = 0x03
	hostBadTarget = 0x04
	hostAbort     = 0x05
	hostError     = 0x07
	hostReset     = 0x08
)

func hostName(h uint16) string {
	switch h {
	case hostNoConnect:
		return "not connected: unplugged, or without power"
	case hostBusBusy:
		return "bus is busy"
	case hostTimeOut:
		return "timed out"
	case hostBadTarget:
		return "no such drive"
	case hostAbort:
		return "aborted"
	case hostError:
		return "adapter error"
	case hostReset:
		return "reset"
	}
	return fmt.Sprintf("host status %xh", h)
}

// Is sorts the error into the facts that everybody knows: no drive or no disc in it
// is away, a bad medium is unreadable, a drive at work for somebody else is busy.
func (e *Error) Is(target error) bool {
	switch target {
	case fixity.ErrAway:
		return e.Sense.ASC == 0x3A || e.Host == hostNoConnect || e.Host == hostBadTarget
	case fixity.ErrBusy:
		return e.Status == Busy || e.Status == TaskSetFull || e.Status == ReservationConflict || e.Host == hostBusBusy ||
			e.Sense.Key == NotReady && e.Sense.ASC == 0x04 && (e.Sense.ASCQ == 0x04 || e.Sense.ASCQ == 0x07 || e.Sense.ASCQ == 0x08)
	case fixity.ErrUnreadable:
		return e.Sense.Key == MediumError || e.Sense.Key == BlankCheck
	}
	return false
}

// DeniedError says that the account may not use the drive, and what would let it.
// It matches fixity.ErrDenied.
type DeniedError struct {
	Path  string
	Group string // that owns the drive and may use it; "" if there is none or it may not
	Err   error
}

func (e *DeniedError) Error() string {
	t := fmt.Sprintf("open drive %q: %v", e.Path, e.Err)
	if e.Group != "" {
		t += fmt.Sprintf(": the drive belongs to group %q, and this account isn't in it (or hasn't signed in since)", e.Group)
	}
	return t
}

func (e *DeniedError) Unwrap() []error { return []error{fixity.ErrDenied, e.Err} }
