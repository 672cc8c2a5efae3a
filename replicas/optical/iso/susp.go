package iso

import (
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
)

// Bounds of continuation areas. A writer puts a name of 255 bytes, a link target
// of some hundred and a few fixed fields there.
const (
	maxHops         = 64
	maxArea         = 32 << 10  // bytes of one area
	maxContinuation = 256 << 20 // bytes of all areas of a tree
)

// probe finds out whether the volume speaks Rock Ridge: the root's "." record has
// the SP field (SUSP section 5.3), and an ER field that names RRIP, or fields of it.
func (m *Image) probe() {
	b, err := m.sector(m.primary.root.lba + m.primary.root.xattr)
	if err != nil || b[0] == 0 || int(b[0]) > len(b) {
		return
	}
	self, err := parse(b[:b[0]])
	if err != nil {
		return
	}
	s := self.system
	// A disc of the extended architecture has 14 bytes of its own before SP.
	for _, at := range []int{0, 14} {
		if len(s) < at+7 || string(s[at:at+2]) != "SP" || s[at+2] != 7 || s[at+4] != 0xBE || s[at+5] != 0xEF {
			continue
		}
		m.skip = int(s[at+6])
		a := areas{m: m}
		// An area that can't be read has its problem told again by the walk.
		_ = a.fields(s[at:], func(sig string, d []byte) {
			switch sig {
			case "PX", "NM", "RR":
				m.rockRidge = true
			case "ER": // SUSP section 5.5; the names are of RRIP 1.09, 1.10 and 1.12
				if len(d) >= 8 && 8+int(d[4]) <= len(d) {
					switch string(d[8 : 8+int(d[4])]) {
					case "RRIP_1991A", "IEEE_P1282", "IEEE_1282":
						m.rockRidge = true
					}
				}
			}
		})
		return
	}
}

// areas reads the chains of system use fields.
type areas struct {
	m     *Image
	b     *discfs.Builder // told where areas lie; nil: nobody is
	bytes int64           // of all areas so far
	kept  [4]struct {     // the areas of one directory lie side by side
		lba  int64
		data []byte
	}
	next int
}

// fields calls f for each field of a record and of its continuation areas (SUSP
// sections 4 and 5.1). d is the whole field with its head of four bytes.
func (a *areas) fields(s []byte, f func(sig string, d []byte)) error {
	for range maxHops {
		var more []byte
	area:
		for len(s) >= 4 {
			n := int(s[2])
			if n == 0 { // padding of an area that isn't full
				break
			}
			if n < 4 || n > len(s) {
				return fmt.Errorf("system use field of %d bytes where %d are left", n, len(s))
			}
			switch sig := string(s[:2]); sig {
			case "ST":
				break area
			case "CE":
				if n < 28 {
					return fmt.Errorf("continuation field of %d bytes", n)
				}
				more = s[:n]
			default:
				f(sig, s[:n])
			}
			s = s[n:]
		}
		if more == nil {
			return nil
		}
		var err error
		if s, err = a.area(int64(le.Uint32(more[4:])), int64(le.Uint32(more[12:])), int64(le.Uint32(more[20:]))); err != nil {
			return err
		}
	}
	return fmt.Errorf("more than %d continuation areas in a row", maxHops)
}

func (a *areas) area(lba, off, n int64) ([]byte, error) {
	if off >= discfs.SectorSize || n > maxArea {
		return nil, fmt.Errorf("continuation area of %d bytes at %d in sector %d", n, off, lba)
	}
	if a.bytes += n + 64; a.bytes > maxContinuation {
		return nil, fmt.Errorf("continuation areas: %w", discfs.ErrTooMuch)
	}
	var out []byte
	for len(out) < int(n) {
		s, err := a.sector(lba)
		if err != nil {
			return nil, fmt.Errorf("continuation area: %w", err)
		}
		out = append(out, s[off:min(int64(len(s)), off+n-int64(len(out)))]...)
		lba, off = lba+1, 0
	}
	return out, nil
}

func (a *areas) sector(lba int64) ([]byte, error) {
	for _, k := range a.kept {
		if k.data != nil && k.lba == lba {
			return k.data, nil
		}
	}
	b, err := a.m.sector(lba)
	if err != nil {
		return nil, err
	}
	if a.b != nil {
		a.b.Structure(lba, 1, "")
	}
	a.kept[a.next].lba, a.kept[a.next].data = lba, b
	a.next = (a.next + 1) % len(a.kept)
	return b, nil
}

// unix is what Rock Ridge says of a record.
type unix struct {
	name      string
	named     bool
	kind      fixity.Type
	when      time.Time
	relocated bool  // RE: shown where CL stands
	child     int64 // CL: sector of the relocated directory
	strange   string
}

// The types of a mode: RRIP section 4.1.1.
const (
	modeType    = 0o170000
	modeFile    = 0o100000
	modeLink    = 0o120000
	modeFolder  = 0o040000
	nmCurrent   = 1 << 1 // RRIP section 4.1.4
	nmParent    = 1 << 2
	tfCreation  = 1 << 0 // RRIP section 4.1.6
	tfModify    = 1 << 1
	tfLong      = 1 << 7
	maxNameByte = 4096
)

func (u *unix) field(sig string, d []byte) {
	switch sig {
	case "NM":
		if len(d) > 5 && d[4]&(nmCurrent|nmParent) == 0 && len(u.name) < maxNameByte {
			u.name += string(d[5:])
			u.named = true
		}
	case "PX":
		if len(d) >= 8 {
			switch le.Uint32(d[4:]) & modeType {
			case modeFile, modeFolder, 0:
			case modeLink:
				u.kind = fixity.Link
			default:
				u.kind = fixity.Special
			}
		}
	case "SL":
		u.kind = fixity.Link
	case "PN":
		u.kind = fixity.Special
	case "RE":
		u.relocated = true
	case "CL":
		if len(d) >= 12 {
			u.child = int64(le.Uint32(d[4:]))
		}
	case "TF":
		u.times(d)
	case "SF":
		u.strange = "recorded as a sparse file"
	case "ZF":
		u.strange = "recorded compressed"
	}
}

// times takes the time of modification, behind that of creation if there is one.
func (u *unix) times(d []byte) {
	if len(d) < 5 || d[4]&tfModify == 0 {
		return
	}
	n := 7
	if d[4]&tfLong != 0 {
		n = 17
	}
	at := 5
	if d[4]&tfCreation != 0 {
		at += n
	}
	if at+n > len(d) {
		return
	}
	if n == 7 {
		u.when = shortTime(d[at : at+n])
	} else {
		u.when = longTime(d[at : at+n])
	}
}
