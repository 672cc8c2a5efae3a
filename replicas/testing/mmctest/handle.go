package mmctest

import (
	"encoding/binary"

	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
)

var be = binary.BigEndian

func illegal(asc byte) scsi.Sense { return scsi.Sense{Key: scsi.IllegalRequest, ASC: asc} }

var (
	unknown  = illegal(0x20)
	badField = illegal(0x24)
	beyond   = illegal(0x21)
	badMode  = illegal(0x64)
	good     scsi.Sense
)

func cut(b []byte, n int) []byte { return b[:min(len(b), n)] }

// handle carries out a command. The caller holds mu.
func (d *Drive) handle(c, out []byte) ([]byte, scsi.Sense) {
	switch c[0] { // commands that need no disc
	case 0x03:
		return cut(good.Fixed(), int(c[4])), good
	case 0x1B: // START STOP UNIT: of LoEj and Start
		switch c[4] & 3 {
		case 2:
			if d.Stuck {
				return nil, scsi.Sense{Key: scsi.IllegalRequest, ASC: 0x53, ASCQ: 2} // MEDIUM REMOVAL PREVENTED
			}
			d.eject()
		case 3:
			d.open = false
		}
		return nil, good
	case 0x1E: // PREVENT ALLOW: of an operating system; not heeded
		return nil, good
	case 0x12:
		if c[1]&1 != 0 { // no vital product data
			return nil, badField
		}
		b := make([]byte, 36)
		b[0], b[1], b[2], b[3], b[4] = 5, 0x80, 5, 2, 31
		copy(b[8:], "QUILLM  SIMULATED DRIVE 1.07")
		return cut(b, int(be.Uint16(c[3:]))), good
	case 0x46:
		if d.OldDrive {
			return nil, unknown
		}
		return cut(d.configuration(), int(be.Uint16(c[7:]))), good
	case 0x4A:
		if d.OldDrive {
			return nil, unknown
		}
		b := []byte{0, 6, 4, 0x10, byte(d.event), 0, 0, 0}
		if d.disc != nil {
			b[5] |= 2
		}
		if d.open {
			b[5] |= 1
		}
		d.event = mmc.NoEvent
		return cut(b, int(be.Uint16(c[7:]))), good
	case 0x5A:
		return d.modePage(c)
	case 0xBB, 0xB6:
		return nil, d.setSpeed(c, out)
	}
	if s := d.notReady(c[0]); s != good {
		return nil, s
	}
	switch c[0] {
	case 0x00:
		return nil, good
	case 0x51:
		return cut(d.information(), int(be.Uint16(c[7:]))), good
	}
	if d.disc.Status == mmc.Empty || d.disc.NoTOC != good {
		switch {
		case c[0] == 0x28 || c[0] == 0xA8:
			return nil, beyond
		case d.disc.NoTOC != good:
			return nil, d.disc.NoTOC
		}
		return nil, badField
	}
	switch c[0] {
	case 0x25:
		b := make([]byte, 8)
		n := d.disc.LeadOut
		if d.disc.Capacity != 0 {
			n = d.disc.Capacity
		}
		be.PutUint32(b, uint32(n-1))
		be.PutUint32(b[4:], sector.Data)
		return b, good
	case 0x42:
		return d.subChannel(c)
	case 0x43:
		return d.toc(c)
	case 0x52:
		return d.trackInformation(c)
	case 0x28:
		return d.readData(int64(be.Uint32(c[2:])), int64(be.Uint16(c[7:])))
	case 0xA8:
		return d.readData(int64(be.Uint32(c[2:])), int64(be.Uint32(c[6:])))
	case 0xBE:
		return d.readCD(int64(int32(be.Uint32(c[2:]))), int64(c[6])<<16|int64(c[7])<<8|int64(c[8]), c[1]>>2&7, c[9], c[10]&7)
	}
	return nil, unknown
}

func (d *Drive) notReady(op byte) scsi.Sense {
	switch {
	case len(d.attention) > 0:
		s := d.attention[0]
		d.attention = d.attention[1:]
		return s
	case d.open:
		return scsi.Sense{Key: scsi.NotReady, ASC: 0x3A, ASCQ: 2}
	case d.disc == nil:
		return scsi.Sense{Key: scsi.NotReady, ASC: 0x3A, ASCQ: 1}
	case d.spinUp > 0:
		if op == 0 {
			d.spinUp--
		}
		return scsi.Sense{Key: scsi.NotReady, ASC: 0x04, ASCQ: 1}
	}
	return good
}

func (d *Drive) profile() mmc.Profile {
	switch {
	case d.disc == nil:
		return mmc.NoProfile
	case d.disc.Profile == mmc.NoProfile:
		return mmc.CDR
	}
	return d.disc.Profile
}

// configuration: MMC-6, tables 91 (header), 96 (profile list), 140 (CD Read).
func (d *Drive) configuration() []byte {
	p := d.profile()
	b := make([]byte, 8)
	be.PutUint16(b[6:], uint16(p))
	b = append(b, 0, 0, 3, 4, byte(p>>8), byte(p), 1, 0)
	b = append(b, 0, 0x10, 1, 8, 0, 0, 8, 0, 0, 1, 1, 0) // random readable
	var f byte
	if d.Flags != NoFlags && d.Flags != PageOnly {
		f = 2
	}
	b = append(b, 0, 0x1E, 9, 4, 0x80|f|1, 0, 0, 0)
	be.PutUint32(b, uint32(len(b)-4))
	return b
}

// modePage: MMC-3, 5.5.10.
func (d *Drive) modePage(c []byte) ([]byte, scsi.Sense) {
	if c[2]&0x3F != 0x2A {
		return nil, badField
	}
	b := make([]byte, 8+20)
	be.PutUint16(b, uint16(len(b)-2))
	b[8], b[9] = 0x2A, 18
	if d.Flags != NoFlags {
		b[8+5] |= 0x10
	}
	return cut(b, int(be.Uint16(c[7:]))), good
}

func (d *Drive) setSpeed(c, out []byte) scsi.Sense {
	if d.NoSpeed {
		return unknown
	}
	v := int(be.Uint16(c[2:]))
	if c[0] == 0xB6 {
		if !(d.profile() >= mmc.DVDROM) || len(out) < 28 {
			return unknown
		}
		v = int(be.Uint32(out[12:]))
		if out[0]&4 != 0 {
			v = mmc.MaxSpeed
		}
	} else if d.profile() >= mmc.DVDROM {
		return unknown
	}
	if v < d.Slowest {
		return badField
	}
	d.speed = v
	d.speeds = append(d.speeds, v)
	return good
}

// information: MMC-6, table 365.
func (d *Drive) information() []byte {
	disc := d.disc
	b := make([]byte, 34)
	b[1] = 32
	b[2] = byte(disc.Status)
	if disc.Status == mmc.Complete {
		b[2] |= 3 << 2
	}
	if disc.Erasable {
		b[2] |= 0x10
	}
	b[3], b[4], b[5], b[6] = 1, byte(len(disc.leadOuts())), 1, byte(len(disc.Tracks))
	return b
}

func (disc *Disc) leadOuts() []int64 {
	if disc.LeadOuts == nil {
		return []int64{disc.LeadOut}
	}
	return disc.LeadOuts
}

// trackInformation: MMC-6, table 495.
func (d *Drive) trackInformation(c []byte) ([]byte, scsi.Sense) {
	n := int(be.Uint32(c[2:]))
	for i, t := range d.disc.Tracks {
		if c[1]&3 != 1 || t.Number != n {
			continue
		}
		b := make([]byte, 36)
		b[1] = 34
		b[2], b[3] = byte(t.Number), byte(max(1, t.Session))
		end := d.disc.leadOuts()[max(1, t.Session)-1]
		if i+1 < len(d.disc.Tracks) {
			end = min(end, d.disc.Tracks[i+1].LBA)
		}
		be.PutUint32(b[8:], uint32(t.LBA))
		be.PutUint32(b[24:], uint32(end-t.LBA))
		return cut(b, int(be.Uint16(c[7:]))), good
	}
	return nil, badField
}

// subChannel: MMC-6, tables 477 and 479.
func (d *Drive) subChannel(c []byte) ([]byte, scsi.Sense) {
	b := make([]byte, 24)
	b[1], b[3], b[4] = 0x15, 20, c[3]
	switch c[3] {
	case 2:
		if d.disc.MCN != "" {
			b[8] = 0x80
			copy(b[9:], d.disc.MCN)
		}
	case 3:
		b[6] = c[6]
		for _, t := range d.disc.Tracks {
			if t.Number == int(c[6]) && t.ISRC != "" {
				b[8] = 0x80
				copy(b[9:], t.ISRC)
			}
		}
	default:
		return nil, badField
	}
	return cut(b, int(be.Uint16(c[7:]))), good
}
