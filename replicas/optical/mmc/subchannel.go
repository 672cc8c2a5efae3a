package mmc

import (
	"context"
	"errors"
	"strings"

	"firmus/replicas/optical/scsi"
)

// MCN reads the disc's media catalogue number, 13 digits; "" if it has none, or if
// the drive can't say (READ SUB-CHANNEL, MMC-6, 6.24.3.3).
func (d *Drive) MCN(ctx context.Context) (string, error) {
	b, err := d.subChannel(ctx, 2, 0)
	if err != nil || b == nil {
		return "", err
	}
	s := string(b[9:22])
	if strings.Trim(s, "0123456789") != "" || strings.Trim(s, "0") == "" {
		return "", nil
	}
	return s, nil
}

// ISRC reads a track's International Standard Recording Code, 12 characters (ISO
// 3901); "" if it has none, or if the drive can't say (MMC-6, 6.24.3.4).
func (d *Drive) ISRC(ctx context.Context, track int) (string, error) {
	b, err := d.subChannel(ctx, 3, track)
	if err != nil || b == nil || int(b[6]) != 0 && int(b[6]) != track {
		return "", err
	}
	s := string(b[9:21])
	if !validISRC(s) {
		return "", nil
	}
	return s, nil
}

// validISRC checks the form: two letters, three letters or digits, seven digits.
func validISRC(s string) bool {
	if len(s) != 12 || s == "000000000000" {
		return false
	}
	for i, c := range []byte(s) {
		letter, digit := c >= 'A' && c <= 'Z', c >= '0' && c <= '9'
		if i < 2 && !letter || i >= 2 && i < 5 && !letter && !digit || i >= 5 && !digit {
			return false
		}
	}
	return true
}

// subChannel gives the 24 bytes of one format, nil if there is no such thing.
func (d *Drive) subChannel(ctx context.Context, format byte, track int) ([]byte, error) {
	b := make([]byte, 24)
	cdb := []byte{0x42, 0, 0x40, format, 0, 0, byte(track), 0, byte(len(b)), 0}
	// Drives search the disc for it.
	if _, err := d.do(ctx, cdb, b, scsi.In, ReadTime); err != nil {
		var e *scsi.Error
		if errors.As(err, &e) && (e.Sense.Key == scsi.IllegalRequest || e.Sense.Key == scsi.MediumError) {
			return nil, nil
		}
		return nil, err
	}
	// Byte 4 repeats the format; bit 7 of byte 8 says that it was found.
	if b[4] != format || b[8]&0x80 == 0 {
		return nil, nil
	}
	return b, nil
}
