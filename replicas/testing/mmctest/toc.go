package mmctest

import (
	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
)

// toc answers READ TOC (MMC-6, 6.25).
func (d *Drive) toc(c []byte) ([]byte, scsi.Sense) {
	f := c[2] & 15
	switch d.Answers {
	case ByteNine:
		f = c[9] >> 6
	case AlwaysZero:
		f = 0
	case NoSessions:
		if f != 0 {
			return nil, badField
		}
	case OnlySessions:
		if f == 2 {
			return nil, badField
		}
	}
	var b []byte
	disc := d.disc
	switch f {
	case 0:
		b = disc.table(c[1]&2 != 0)
	case 1:
		b = disc.lastSession(c[1]&2 != 0)
	case 2:
		if d.Answers == OtherTOC {
			other := *disc
			other.Tracks = append([]Track(nil), disc.Tracks...)
			other.Tracks[0].LBA += 75
			disc = &other
		}
		b = disc.raw()
	case 5:
		if len(disc.Text) == 0 {
			return nil, badField
		}
		b = append([]byte{0, 0, 0, 0}, disc.Text...)
	default:
		return nil, badField
	}
	be.PutUint16(b, uint16(len(b)-2))
	if d.Answers == Nonsense {
		for i := range b {
			b[i] = byte(i * 29)
		}
	}
	return cut(b, int(be.Uint16(c[7:]))), good
}

func (t Track) control() byte {
	if t.Data {
		return 4
	}
	return 0
}

func address(lba int64, msf bool) []byte {
	if msf {
		m, s, f := sector.MSF(lba)
		return []byte{0, m, s, f}
	}
	return be.AppendUint32(nil, uint32(lba))
}

func (disc *Disc) table(msf bool) []byte {
	last := disc.Tracks[len(disc.Tracks)-1]
	b := []byte{0, 0, byte(disc.Tracks[0].Number), byte(last.Number)}
	for _, t := range disc.Tracks {
		b = append(b, 0, 0x10|t.control(), byte(t.Number), 0)
		b = append(b, address(t.LBA, msf)...)
	}
	b = append(b, 0, 0x10|last.control(), 0xAA, 0)
	return append(b, address(disc.LeadOut, msf)...)
}

func (disc *Disc) lastSession(msf bool) []byte {
	n := len(disc.leadOuts())
	for _, t := range disc.Tracks {
		if max(1, t.Session) == n {
			b := []byte{0, 0, 1, byte(n), 0, 0x10 | t.control(), byte(t.Number), 0}
			return append(b, address(t.LBA, msf)...)
		}
	}
	return []byte{0, 0, 1, byte(n)}
}

func (disc *Disc) raw() []byte {
	outs := disc.leadOuts()
	b := []byte{0, 0, 1, byte(len(outs))}
	for i, out := range outs {
		var tracks []Track
		for _, t := range disc.Tracks {
			if max(1, t.Session) == i+1 {
				tracks = append(tracks, t)
			}
		}
		if len(tracks) == 0 {
			continue
		}
		entry := func(point, control, m, s, f byte) {
			b = append(b, byte(i+1), 0x10|control, 0, point, 0, 0, 0, 0, m, s, f)
		}
		first, last := tracks[0], tracks[len(tracks)-1]
		entry(0xA0, first.control(), byte(first.Number), 0, 0)
		entry(0xA1, last.control(), byte(last.Number), 0, 0)
		m, s, f := sector.MSF(out)
		entry(0xA2, last.control(), m, s, f)
		for _, t := range tracks {
			m, s, f := sector.MSF(t.LBA)
			entry(byte(t.Number), t.control(), m, s, f)
		}
		if len(outs) > 1 { // mode 5: where the next session may begin
			b = append(b, byte(i+1), 0x50, 0, 0xB0, 1, 2, 3, 2, 79, 59, 74)
		}
	}
	return b
}
