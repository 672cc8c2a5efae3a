package mmc

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"

	"firmus/replicas/optical/scsi"
)

// Profile is the kind of disc that lies in a drive (MMC-6, table 94).
type Profile uint16

// Profiles.
const (
	NoProfile Profile = 0
	CDROM     Profile = 0x08 // also pressed audio discs
	CDR       Profile = 0x09
	CDRW      Profile = 0x0A
	DVDROM    Profile = 0x10
	DVDR      Profile = 0x11
	DVDRAM    Profile = 0x12
	DVDRW     Profile = 0x13 // restricted overwrite
	DVDRWSeq  Profile = 0x14
	DVDRDL    Profile = 0x15
	DVDRDLJ   Profile = 0x16 // layer jump
	DVDPRW    Profile = 0x1A
	DVDPR     Profile = 0x1B
	DVDPRDL   Profile = 0x2B
	BDROM     Profile = 0x40
	BDR       Profile = 0x41
	BDRR      Profile = 0x42 // random recording
	BDRE      Profile = 0x43
)

var profiles = map[Profile]string{
	CDROM: "CD", CDR: "CD-R", CDRW: "CD-RW", DVDROM: "DVD", DVDR: "DVD-R", DVDRAM: "DVD-RAM", DVDRW: "DVD-RW", DVDRWSeq: "DVD-RW",
	DVDRDL: "DVD-R DL", DVDRDLJ: "DVD-R DL", DVDPRW: "DVD+RW", DVDPR: "DVD+R", DVDPRDL: "DVD+R DL", BDROM: "BD", BDR: "BD-R",
	BDRR: "BD-R", BDRE: "BD-RE",
}

// String is the trade's name, "" for none.
func (p Profile) String() string {
	if n, ok := profiles[p]; ok || p == NoProfile {
		return n
	}
	return fmt.Sprintf("profile %04xh", uint16(p))
}

// CD says that it is a compact disc.
func (p Profile) CD() bool { return p >= CDROM && p <= CDRW }

// Configuration is what a drive can do with the disc in it.
type Configuration struct {
	Profile Profile // NoProfile if it isn't known
	C2      bool    // it announces error flags with audio sectors
	CDText  bool
}

// Configuration asks what disc lies in the drive and what the drive can do with it
// (GET CONFIGURATION, MMC-6, 6.6; where that isn't known, the capabilities page).
// A drive too old to say so much gives the zero value and no error.
func (d *Drive) Configuration(ctx context.Context) (Configuration, error) {
	b := make([]byte, 1024)
	cdb := []byte{0x46, 0, 0, 0, 0, 0, 0, byte(len(b) >> 8), byte(len(b)), 0}
	var c Configuration
	_, err := d.do(ctx, cdb, b, scsi.In, ShortTime)
	switch {
	case err == nil:
		if c, err = parseConfiguration(b); err != nil {
			return c, err
		}
	case !errors.Is(err, ErrNoCommand):
		return c, err
	}
	if !c.C2 {
		if c.C2, err = d.pageC2(ctx); errors.Is(err, ErrNoCommand) {
			err = nil
		}
	} else {
		err = nil
	}
	return c, err
}

// parseConfiguration reads a header of 8 bytes and features of 4 bytes and as many
// as their fourth says (MMC-6, tables 91 and 92).
func parseConfiguration(b []byte) (Configuration, error) {
	var c Configuration
	n := int64(binary.BigEndian.Uint32(b)) + 4
	if n < 8 {
		return c, shape("GET CONFIGURATION of %d bytes", n)
	}
	b = b[:min(n, int64(len(b)))]
	c.Profile = Profile(binary.BigEndian.Uint16(b[6:]))
	for f := b[8:]; len(f) >= 4; {
		size := 4 + int(f[3])
		if size > len(f) {
			break
		}
		// CD Read feature, 5.3.15: byte 4, DAP, C2 flags, CD-TEXT.
		if binary.BigEndian.Uint16(f) == 0x1E && size >= 8 {
			c.C2, c.CDText = f[4]&2 != 0, f[4]&1 != 0
		}
		f = f[size:]
	}
	return c, nil
}

// pageC2 asks mode page 2Ah (MMC-3, 5.5.10), byte 5, bit 4: C2 pointers are
// supported.
func (d *Drive) pageC2(ctx context.Context) (bool, error) {
	b := make([]byte, 64)
	cdb := []byte{0x5A, 0x08, 0x2A, 0, 0, 0, 0, 0, byte(len(b)), 0}
	if _, err := d.do(ctx, cdb, b, scsi.In, ShortTime); err != nil {
		return false, err
	}
	// The page lies behind the header of 8 bytes and block descriptors.
	at := 8 + int(binary.BigEndian.Uint16(b[6:]))
	if at+6 > len(b) || b[at]&0x3F != 0x2A || b[at+1] < 4 {
		return false, nil
	}
	return b[at+5]&0x10 != 0, nil
}
