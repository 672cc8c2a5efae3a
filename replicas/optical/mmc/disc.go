package mmc

import (
	"context"
	"encoding/binary"

	"firmus/replicas/optical/scsi"
)

// Status is how far a disc has been written.
type Status uint8

// Statuses of a disc (MMC-6, table 366).
const (
	Empty      Status = 0
	Appendable Status = 1
	Complete   Status = 2
	Otherwise  Status = 3 // written at random; nothing is known of being whole
)

// Information is what READ DISC INFORMATION says (MMC-6, 6.21).
type Information struct {
	Status      Status
	LastSession Status // of the last session: 0 empty, 1 incomplete, 2 damaged border, 3 complete
	Erasable    bool
	Sessions    int
	FirstTrack  int
	LastTrack   int // last track of the last session
}

// Information asks how far the disc was written.
func (d *Drive) Information(ctx context.Context) (Information, error) {
	b := make([]byte, 34)
	if _, err := d.do(ctx, []byte{0x51, 0, 0, 0, 0, 0, 0, 0, byte(len(b)), 0}, b, scsi.In, ShortTime); err != nil {
		return Information{}, err
	}
	// A length of 20h and more; byte 2 bits 7-5: 0 is the standard information.
	if n := binary.BigEndian.Uint16(b); n < 12 || b[2]>>5 != 0 {
		return Information{}, shape("READ DISC INFORMATION: %x", b[:12])
	}
	return Information{
		Status:      Status(b[2] & 3),
		LastSession: Status(b[2] >> 2 & 3),
		Erasable:    b[2]&0x10 != 0,
		FirstTrack:  int(b[3]),
		Sessions:    int(b[9])<<8 | int(b[4]),
		LastTrack:   int(b[11])<<8 | int(b[6]),
	}, nil
}

// Capacity is the number of sectors that can be addressed, by READ CAPACITY (MMC-6,
// 6.20). It is 0 for a disc that says so.
func (d *Drive) Capacity(ctx context.Context) (int64, error) {
	b := make([]byte, 8)
	if _, err := d.do(ctx, []byte{0x25, 0, 0, 0, 0, 0, 0, 0, 0, 0}, b, scsi.In, ShortTime); err != nil {
		return 0, err
	}
	last := binary.BigEndian.Uint32(b)
	// Some drives give other sizes than 2048 for audio discs.
	if size := binary.BigEndian.Uint32(b[4:]); last == 1<<32-1 || size != 2048 && size != 2352 && size != 0 {
		return 0, shape("READ CAPACITY: %x", b)
	}
	if last == 0 {
		return 0, nil
	}
	return int64(last) + 1, nil
}

// TrackInformation is where a track lies, of discs whose table of contents is made
// up by the drive: DVD and later (MMC-6, 6.26).
type TrackInformation struct {
	Number, Session int
	LBA, Sectors    int64
	Blank           bool
}

// TrackInformation asks for one track.
func (d *Drive) TrackInformation(ctx context.Context, track int) (TrackInformation, error) {
	b := make([]byte, 36)
	cdb := []byte{0x52, 1, 0, 0, byte(track >> 8), byte(track), 0, 0, byte(len(b)), 0}
	if _, err := d.do(ctx, cdb, b, scsi.In, ShortTime); err != nil {
		return TrackInformation{}, err
	}
	if n := binary.BigEndian.Uint16(b); n < 26 {
		return TrackInformation{}, shape("READ TRACK INFORMATION of %d bytes", n)
	}
	t := TrackInformation{
		Number:  int(b[32])<<8 | int(b[2]),
		Session: int(b[33])<<8 | int(b[3]),
		Blank:   b[6]&0x40 != 0,
		LBA:     int64(binary.BigEndian.Uint32(b[8:])),
		Sectors: int64(binary.BigEndian.Uint32(b[24:])),
	}
	if n := binary.BigEndian.Uint16(b); n < 32 { // MMC-2 ends before the upper bytes
		t.Number, t.Session = int(b[2]), int(b[3])
	}
	if t.Number != track {
		return TrackInformation{}, shape("READ TRACK INFORMATION of track %d gave %d", track, t.Number)
	}
	return t, nil
}
