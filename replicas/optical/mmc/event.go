package mmc

import (
	"context"
	"encoding/binary"

	"firmus/replicas/optical/scsi"
)

// Event is what happened to the disc in a drive since it was last asked (MMC-6,
// 6.7.3, media class).
type Event uint8

// Events.
const (
	NoEvent        Event = 0
	EjectRequested Event = 1
	NewDisc        Event = 2
	DiscRemoved    Event = 3
	DiscChanged    Event = 4
)

// Events asks for the next event, whether a disc is there and whether the tray is
// open. Each event is told once, to whoever asks first: the operating system asks as
// well, so that none may come from here is no sign that nothing happened.
func (d *Drive) Events(ctx context.Context) (e Event, present, open bool, err error) {
	b := make([]byte, 8)
	cdb := []byte{0x4A, 1, 0, 0, 1 << 4, 0, 0, 0, byte(len(b)), 0}
	if _, err := d.do(ctx, cdb, b, scsi.In, ShortTime); err != nil {
		return 0, false, false, err
	}
	// Header: length (6 by the standard; drives are known that count only the 4 bytes
	// of the event), bit 7 "no event available" and the class, which is 4.
	if binary.BigEndian.Uint16(b) < 4 || b[2]&0x80 != 0 || b[2]&7 != 4 {
		return 0, false, false, shape("GET EVENT STATUS NOTIFICATION: %x", b)
	}
	return Event(b[4] & 15), b[5]&2 != 0, b[5]&1 != 0, nil
}
