package mmc

import (
	"errors"
	"fmt"

	"firmus/fixity"
	"firmus/replicas/optical/scsi"
)

// What a drive may say instead of an answer.
var (
	ErrNoDisc     = fmt.Errorf("no disc in the drive: %w", fixity.ErrAway)
	ErrTrayOpen   = fmt.Errorf("the drive's tray is open: %w", fixity.ErrAway)
	ErrNotReady   = errors.New("the drive isn't ready yet")
	ErrChanged    = errors.New("another disc was put into the drive")
	ErrFormat     = errors.New("the drive can't read discs of this kind, or not this one")
	ErrNoCommand  = errors.New("the drive doesn't know the command, or not for this disc")
	ErrShape      = errors.New("the drive's answer makes no sense")
	ErrNotWritten = errors.New("the drive called a read good and gave no data")
)

func shape(format string, args ...any) error {
	return fmt.Errorf(format+": %w", append(args, ErrShape)...)
}

// Classify puts what a drive's sense data means before an error that holds an
// *scsi.Error, as one of this package's errors; others stay as they are.
//
// That there is no disc is told by the additional code, whatever the key: drives
// say 2/3A and 6/3A.
func Classify(err error) error {
	var e *scsi.Error
	if !errors.As(err, &e) {
		return err
	}
	s := e.Sense
	var is error
	switch {
	case s.ASC == 0x3A && s.ASCQ == 2:
		is = ErrTrayOpen
	case s.ASC == 0x3A:
		is = ErrNoDisc
	case s.ASC == 0x28, s.Key == scsi.UnitAttention && s.ASC == 0x3B:
		is = ErrChanged
	case s.Key == scsi.NotReady && s.ASC == 0x04, s.Key == scsi.NotReady && s.ASC == 0x3E:
		is = ErrNotReady
	case s.ASC == 0x30, s.Key == scsi.NotReady && s.ASC == 0x57:
		is = ErrFormat
	case s.Key == scsi.IllegalRequest && (s.ASC == 0x20 || s.ASC == 0x24 || s.ASC == 0x26):
		is = ErrNoCommand
	default:
		return err
	}
	return fmt.Errorf("%w: %w", is, err)
}
