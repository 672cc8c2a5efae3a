// Package mmc speaks to optical drives: what disc lies in one, its table of
// contents, its sectors. It reads; the only thing that it changes about a drive is
// the speed.
//
// Answers are not taken at their word. A table of contents may come in another
// format than was asked for, a buffer may come back as it was sent with every sign
// of success, a drive may announce error flags that it never writes: each answer's
// shape is looked at, and buffers are poisoned before they are read into.
//
// Standards: MMC-6 (T10/1836-D) for commands, SPC-4 for INQUIRY and the mode pages'
// frame, IEC 60908 for what stands on an audio disc.
package mmc

import (
	"context"
	"errors"
	"strings"
	"time"

	"firmus/replicas/optical/scsi"
)

// Times after which a command is given up.
const (
	ShortTime = 10 * time.Second // commands that don't touch the disc, or little of it
	ReadTime  = 60 * time.Second // a drive's own retries on one bad sector have been seen to take half of it
)

// Drive is one drive. It may be used by one goroutine at a time.
type Drive struct {
	t       scsi.Transport
	scratch []byte // of scsi.MaxTransfer
	turn    byte   // which poison is next
}

// New speaks to the drive behind t.
func New(t scsi.Transport) *Drive {
	return &Drive{t: t, scratch: make([]byte, scsi.MaxTransfer)}
}

// do sends one command, again if the drive only says that it was reset or that its
// settings changed. Errors are classified; see Classify.
func (d *Drive) do(ctx context.Context, cdb, data []byte, dir scsi.Direction, timeout time.Duration) (scsi.Sense, error) {
	for try := 0; ; try++ {
		sense, _, err := d.t.Do(ctx, cdb, data, dir, timeout)
		if err == nil {
			return sense, nil
		}
		// SPC-4, 5.14: attentions are told one a command.
		if sense.Key == scsi.UnitAttention && (sense.ASC == 0x29 || sense.ASC == 0x2A) && try < 4 {
			continue
		}
		return sense, Classify(err)
	}
}

// Identity is who a drive says it is (SPC-4, 6.4.2).
type Identity struct {
	Vendor, Product, Revision string
}

func (i Identity) String() string {
	return strings.TrimSpace(strings.Join(strings.Fields(i.Vendor+" "+i.Product+" "+i.Revision), " "))
}

// Inquiry asks the drive who it is. It gives ErrShape if it isn't an optical drive.
func (d *Drive) Inquiry(ctx context.Context) (Identity, error) {
	b := make([]byte, 36)
	if _, err := d.do(ctx, []byte{0x12, 0, 0, 0, 36, 0}, b, scsi.In, ShortTime); err != nil {
		return Identity{}, err
	}
	if b[0]&0x1F != 5 || b[4] < 31 {
		return Identity{}, shape("INQUIRY: it isn't an optical drive (type %d)", b[0]&0x1F)
	}
	return Identity{text(b[8:16]), text(b[16:32]), text(b[32:36])}, nil
}

// text takes ASCII as the standards pad it.
func text(b []byte) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return -1
		}
		return r
	}, string(b)))
}

// Ready asks whether there is a disc that can be read (TEST UNIT READY). It gives
// ErrNoDisc, ErrTrayOpen, ErrNotReady while it becomes ready, ErrChanged when the
// drive has taken in another disc since it was last asked, or another error.
func (d *Drive) Ready(ctx context.Context) error {
	_, err := d.do(ctx, make([]byte, 6), nil, scsi.None, ShortTime)
	return err
}

// WaitReady waits until the drive is ready, at most for the time given; a disc takes
// some 5 to 20 s to be recognised. It gives the errors of Ready but ErrChanged,
// which it takes as the sign of a disc that just came in.
func (d *Drive) WaitReady(ctx context.Context, most time.Duration) error {
	const step = 500 * time.Millisecond
	timer := time.NewTimer(0)
	defer timer.Stop()
	<-timer.C
	changes := 0
	for waited := time.Duration(0); ; {
		err := d.Ready(ctx)
		switch {
		case errors.Is(err, ErrChanged) && changes < 4:
			changes++
			continue
		case !errors.Is(err, ErrNotReady) || waited >= most:
			return err
		}
		timer.Reset(step)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-timer.C:
		}
		waited += step
	}
}
