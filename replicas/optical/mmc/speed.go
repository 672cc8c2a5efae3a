package mmc

import (
	"context"
	"encoding/binary"

	"firmus/replicas/optical/scsi"
)

// Speeds, in kB (1000 bytes) a second.
const (
	CDSpeed  = 176  // 75 sectors of 2352 bytes: 1x
	DVDSpeed = 1385 // 1x
	BDSpeed  = 4495 // 1x of BD-ROM
	MaxSpeed = 0xFFFF
)

// Single is the speed that is called 1x for a kind of disc.
func (p Profile) Single() int {
	switch {
	case p >= BDROM:
		return BDSpeed
	case p >= DVDROM:
		return DVDSpeed
	}
	return CDSpeed
}

// SetSpeed caps the speed of reading, in kB a second; MaxSpeed takes the cap away.
// sectors is the size of the disc. Compact discs have a command of their own (SET CD
// SPEED, MMC-6, annex: legacy), others SET STREAMING (6.42); where the drive doesn't
// know the one, the other is tried. On Linux a drive that was opened for reading
// only refuses both with fixity.ErrDenied.
func (d *Drive) SetSpeed(ctx context.Context, p Profile, kBps int, sectors int64) error {
	ways := []func(context.Context, int, int64) error{d.setCDSpeed, d.setStreaming}
	if !p.CD() && p != NoProfile {
		ways[0], ways[1] = ways[1], ways[0]
	}
	err := ways[0](ctx, kBps, sectors)
	if err == nil {
		return nil
	}
	if gone(err) || ctx.Err() != nil {
		return err
	}
	if ways[1](ctx, kBps, sectors) == nil {
		return nil
	}
	return err
}

// SetLowest caps the speed at the lowest that the drive takes, and says which.
func (d *Drive) SetLowest(ctx context.Context, p Profile, sectors int64) (int, error) {
	var first error
	for _, x := range []int{1, 2, 4, 8} {
		err := d.SetSpeed(ctx, p, x*p.Single(), sectors)
		if err == nil {
			return x * p.Single(), nil
		}
		if first == nil {
			first = err
		}
		if gone(err) || ctx.Err() != nil {
			return 0, err
		}
	}
	return 0, first
}

func (d *Drive) setCDSpeed(ctx context.Context, kBps int, _ int64) error {
	v := min(kBps, MaxSpeed)
	cdb := []byte{0xBB, 0, byte(v >> 8), byte(v), 0xFF, 0xFF, 0, 0, 0, 0, 0, 0}
	_, err := d.do(ctx, cdb, nil, scsi.None, ShortTime)
	return err
}

// setStreaming sends a performance descriptor (MMC-6, table 601): so many kB in so
// many milliseconds, over the whole disc.
func (d *Drive) setStreaming(ctx context.Context, kBps int, sectors int64) error {
	b := make([]byte, 28)
	be := binary.BigEndian
	if kBps >= MaxSpeed {
		b[0] = 4 // RDD: restore the drive's defaults
	}
	be.PutUint32(b[8:], uint32(max(0, sectors-1)))
	for at, v := range map[int]int{12: kBps, 16: 1000, 20: kBps, 24: 1000} {
		be.PutUint32(b[at:], uint32(v))
	}
	cdb := make([]byte, 12)
	cdb[0] = 0xB6
	be.PutUint16(cdb[9:], uint16(len(b)))
	_, err := d.do(ctx, cdb, b, scsi.Out, ShortTime)
	return err
}

// Eject opens the tray (MMC-6, START STOP UNIT with LoEj). Many drives and systems refuse
// it to an account that may only read: then a person presses the button.
func (d *Drive) Eject(ctx context.Context) error {
	_, err := d.do(ctx, []byte{0x1B, 0, 0, 0, 2, 0}, nil, scsi.None, ShortTime)
	return err
}
