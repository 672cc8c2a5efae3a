package mmctest

import (
	"time"

	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
)

// session of a sector; 0 if it is of none.
func (disc *Disc) session(lba int64) int {
	s := 0
	for _, t := range disc.Tracks {
		if t.LBA <= lba || t.Number == disc.Tracks[0].Number {
			s = max(1, t.Session)
		}
	}
	if lba >= disc.leadOuts()[s-1] {
		return 0
	}
	return s
}

func (disc *Disc) track(lba int64) Track {
	t := disc.Tracks[0]
	for _, x := range disc.Tracks {
		if x.LBA <= lba {
			t = x
		}
	}
	return t
}

// attempt reads one sector's worth of luck: the sense of a failure, and whether the
// bytes go missing.
func (d *Drive) attempt(lba int64) (scsi.Sense, bool) {
	f := d.disc.Faults[lba]
	if f == nil {
		return good, false
	}
	if f.Slow > 0 {
		// The lock is held: a drive does one thing at a time.
		time.Sleep(f.Slow)
	}
	if f.Sound || f.UpTo > 0 && d.speed > 0 && d.speed <= f.UpTo {
		return good, false
	}
	f.seen++
	if f.Fails > 0 && f.seen > f.Fails {
		return good, false
	}
	if f.Silent {
		return good, true
	}
	s := f.Sense
	if s == good {
		s = scsi.Sense{Key: scsi.MediumError, ASC: 0x11, ASCQ: 5}
	}
	if s.Key == scsi.MediumError {
		s.HasInfo, s.Info = true, uint64(lba)
	}
	return s, false
}

func (d *Drive) readData(lba, n int64) ([]byte, scsi.Sense) {
	out := make([]byte, 0, n*sector.Data)
	for i := lba; i < lba+n; i++ {
		if i >= d.disc.LeadOut || d.disc.session(i) == 0 {
			return out, beyond
		}
		if !d.disc.track(i).Data {
			return out, badMode
		}
		s, silent := d.attempt(i)
		switch {
		case s != good:
			return out, s
		case silent:
			return out, good
		}
		var b [sector.Data]byte
		d.disc.Content(i, b[:])
		out = append(out, b[:]...)
	}
	return out, good
}

// samples fills b with the sound from the sector on that the drive finds at lba:
// shifted by its offset, and zeros outside of the program area.
func (d *Drive) samples(lba int64, shift int, b []byte) {
	clear(b)
	var tmp [sector.Raw]byte
	const each = sector.Raw / 4
	at := lba*each + int64(shift)
	for done := int64(0); done < each; {
		s := at + done
		sec := s / each
		if s < 0 {
			sec = (s - each + 1) / each
		}
		in := s - sec*each
		n := min(each-in, each-done)
		if sec >= 0 && sec < d.disc.LeadOut && !d.disc.track(sec).Data {
			d.disc.Content(sec, tmp[:])
			copy(b[done*4:(done+n)*4], tmp[in*4:])
		}
		done += n
	}
}

// readCD answers READ CD (MMC-6, 6.18).
func (d *Drive) readCD(lba, n int64, expected, flags, sub byte) ([]byte, scsi.Sense) {
	if d.profile() > mmc.CDRW {
		return nil, badMode
	}
	c2 := flags >> 1 & 3
	if sub != 0 || c2 > 1 || c2 == 1 && d.Flags == NoFlags {
		return nil, badField
	}
	shift := d.Offset
	if d.Jitter != nil {
		shift += d.Jitter()
	}
	var out []byte
	for i := lba; i < lba+n; i++ {
		if i < 0 || i >= d.disc.LeadOut || d.disc.session(i) == 0 {
			return out, beyond
		}
		t := d.disc.track(i)
		if expected == 1 && t.Data || expected > 1 && !t.Data {
			return out, badMode
		}
		s, silent := d.attempt(i)
		switch {
		case s != good:
			return out, s
		case silent:
			return out, good
		}
		var b [sector.Raw]byte
		if t.Data {
			d.disc.Content(i, b[:sector.Data])
			data := b
			sector.Encode(b[:], i, data[:sector.Data])
			for _, p := range []struct {
				bit      byte
				from, to int
			}{{0x80, 0, 12}, {0x20, 12, 16}, {0x10, 16, 2064}, {0x08, 2064, 2352}} {
				if flags&p.bit != 0 {
					out = append(out, b[p.from:p.to]...)
				}
			}
		} else {
			d.samples(i, shift, b[:])
			map2 := d.doubt(i, b[:])
			out = append(out, b[:]...)
			switch {
			case c2 == 1 && d.Flags == Constant:
				out = append(out, make([]byte, mmc.C2Bytes)...)
			case c2 == 1 && d.Flags != Ignored && d.Flags != Unsent:
				out = append(out, map2...)
			}
		}
	}
	if c2 == 1 && d.Flags == Unsent {
		out = append(out, make([]byte, n*mmc.C2Bytes)...)
	}
	return out, good
}

// doubt spoils the sector's bytes as they are due to be, and gives the flags.
func (d *Drive) doubt(lba int64, b []byte) []byte {
	flags := make([]byte, mmc.C2Bytes)
	q := d.disc.Doubts[lba]
	if q == nil {
		return flags
	}
	q.seen++
	if q.Times > 0 && q.seen > q.Times {
		return flags
	}
	for _, k := range q.Bytes {
		b[k] ^= byte(0x5A + q.seen) // other bytes at each reading
		flags[k/8] |= 0x80 >> (k % 8)
	}
	return flags
}
