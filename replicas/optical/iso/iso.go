// Package iso reads ISO 9660 volumes (ECMA-119) over an io.ReaderAt: which files
// are there, by which names, and on which sectors each of them lies. It writes
// nothing and mounts nothing.
//
// A volume shows up to three views: the plain names of ECMA-119, the UCS-2 names
// of the Joliet extension (levels 1 to 3), and the names and kinds of a Unix file
// system by the Rock Ridge Interchange Protocol (RRIP 1.12) over the System Use
// Sharing Protocol (SUSP 1.12). Which of them is held against the ledger is the
// caller's choice.
//
// On a disc of several sessions each session has a volume of its own, whose
// descriptors begin 16 sectors behind its start and whose extents count from the
// disc's beginning: the last session's view shows what an earlier one wrote and
// it took over. Open takes the start of the session.
//
// Numbers that are recorded in both byte orders are taken from the little-endian
// one. Path tables are not read: the directories say the same, and are what other
// programs go by. Logical blocks of other than 2048 bytes, interleaved files and
// files over several volumes are refused. The version of a name (";1") is left
// out, unless a directory holds several versions: then the highest has the bare
// name and the others keep theirs. Associated files and extended attributes count
// as structure.
package iso

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
)

const (
	systemArea     = 16  // sectors before the descriptors, ECMA-119 section 6.2.1
	maxDescriptors = 100 // the standard has no bound; three are usual
	maxUnreadable  = 8   // descriptors that are passed over
)

var le, be = binary.LittleEndian, binary.BigEndian

// Image is the volume of one session.
type Image struct {
	r           io.ReaderAt
	size        int64
	session     int64
	descriptors int64 // sectors of the descriptor set
	primary     volume
	joliet      *volume
	lost        error // why the primary descriptor is of no use; primary is the Joliet one's then
	boot        int64 // sector of a boot catalogue, 0 if there is none
	rockRidge   bool
	skip        int // SUSP section 5.3: bytes before the system use fields
}

// volume is what one descriptor says.
type volume struct {
	label   string
	created time.Time
	blocks  int64
	root    record
	tables  []int64 // sectors of the path tables
	table   int64   // bytes of each
}

// Open reads the descriptors of the session that starts at sector session (0 for
// the first, and for image files) of a disc of size bytes. It gives
// discfs.ErrNone if there is no ISO 9660 volume, the reader's error if its
// descriptor can't be read, and another if it makes no sense. Where that of the Joliet
// extension can be read it does: the volume then shows that view alone.
func Open(r io.ReaderAt, size, session int64) (*Image, error) {
	m := &Image{r: r, size: size, session: session}
	if err := m.open(); err != nil {
		return nil, fmt.Errorf("open ISO 9660 volume at sector %d: %w", session, err)
	}
	m.probe()
	return m, nil
}

// open reads the descriptor set: ECMA-119, sections 6.7.1 and 8. One that can't be read
// or isn't one is passed over: those behind it may be whole.
func (m *Image) open() error {
	var flaw error
	bad, strange, found := 0, 0, false
	damaged := func(err error) bool {
		if flaw == nil {
			flaw = err
		}
		bad++
		return bad == maxUnreadable
	}
	for i := int64(0); i < maxDescriptors; i++ {
		at := m.session + systemArea + i
		b, err := m.sector(at)
		if err != nil {
			if damaged(err) {
				break
			}
			continue
		}
		if id := string(b[1:6]); id != "CD001" {
			// One may be damaged; where two are strange there is no such volume.
			if strange++; recognition(id) || found || strange == 2 || damaged(fmt.Errorf("sector %d holds no volume descriptor", at)) {
				break
			}
			continue
		}
		m.descriptors = i + 1
		switch {
		case b[0] == 0:
			m.bootRecord(b)
		case b[0] == 1 && !found:
			if m.primary, err = descriptor(b, false); err != nil {
				damaged(fmt.Errorf("primary volume descriptor: %w", err))
				continue
			}
			found = true
		case b[0] == 2 && m.joliet == nil && isJoliet(b):
			v, err := descriptor(b, true)
			if err == nil {
				m.joliet = &v
			}
		}
		if b[0] == 255 {
			break
		}
	}
	switch {
	case found:
		return nil
	case m.joliet != nil:
		if flaw == nil {
			flaw = errors.New("there is no primary volume descriptor")
		}
		m.primary, m.lost = *m.joliet, flaw
		return nil
	case flaw != nil && (m.descriptors > 0 || errors.Is(flaw, fixity.ErrUnreadable)):
		return flaw
	}
	return discfs.ErrNone
}

// recognition says that UDF's descriptors begin: no more of this kind come.
func recognition(id string) bool {
	return id == "BEA01" || strings.HasPrefix(id, "NSR0") || id == "TEA01"
}

// Lost is why the primary descriptor is of no use, and the volume shows what the Joliet
// one leads to alone; nil if it is in order.
func (m *Image) Lost() error { return m.lost }

// isJoliet looks for the escape sequences of UCS-2 levels 1 to 3 (Joliet
// specification, section "SVD Escape Sequences"). Descriptors of the newer
// standard's second version are of type 2 as well, and hold none.
func isJoliet(b []byte) bool {
	for _, level := range []string{"%/@", "%/C", "%/E"} {
		if bytes.HasPrefix(b[88:120], []byte(level)) {
			return true
		}
	}
	return false
}

// descriptor takes a primary (ECMA-119, section 8.4) or supplementary (8.5) one.
func descriptor(b []byte, joliet bool) (volume, error) {
	if n := le.Uint16(b[128:]); n != discfs.SectorSize {
		return volume{}, fmt.Errorf("logical blocks of %d bytes, not 2048", n)
	}
	root, err := parse(b[156:190])
	if err != nil {
		return volume{}, fmt.Errorf("root directory: %w", err)
	}
	if root.flags&flagDirectory == 0 {
		return volume{}, errors.New("the root is no directory")
	}
	v := volume{
		label:   strings.TrimRight(string(b[40:72]), " \x00"),
		created: longTime(b[813:830]),
		blocks:  int64(le.Uint32(b[80:])),
		root:    root,
		table:   int64(le.Uint32(b[132:])),
		tables: []int64{
			int64(le.Uint32(b[140:])), int64(le.Uint32(b[144:])), // type L
			int64(be.Uint32(b[148:])), int64(be.Uint32(b[152:])), // type M
		},
	}
	if joliet {
		v.label = strings.TrimRight(ucs2(b[40:72]), " \x00")
	}
	return v, nil
}

// bootRecord notes the catalogue of El Torito 1.0 (its section 2.0, figure 7).
func (m *Image) bootRecord(b []byte) {
	if strings.HasPrefix(string(b[7:39]), "EL TORITO SPECIFICATION") {
		m.boot = int64(le.Uint32(b[71:]))
	}
}

// Views are the trees that the volume shows, the most faithful first.
func (m *Image) Views() []discfs.View {
	var views []discfs.View
	if m.rockRidge {
		views = append(views, discfs.RockRidge)
	}
	if m.joliet != nil {
		views = append(views, discfs.Joliet)
	}
	if m.lost != nil {
		return views
	}
	return append(views, discfs.Plain)
}

// Label is the volume's name as a view spells it.
func (m *Image) Label(v discfs.View) string {
	if v == discfs.Joliet && m.joliet != nil {
		return m.joliet.label
	}
	return m.primary.label
}

// Created is when the volume was made by the program that made it, in UTC; zero
// if that isn't recorded.
func (m *Image) Created() time.Time { return m.primary.created }

// Blocks is the sectors that the volume says it has, from the disc's beginning.
// The disc may have more (run-out, padding); if it has fewer, it is cut short.
func (m *Image) Blocks() int64 { return m.primary.blocks }

func (m *Image) sector(lba int64) ([]byte, error) {
	b := make([]byte, discfs.SectorSize)
	if _, err := discfs.ReadAt(m.r, m.size, b, lba*discfs.SectorSize); err != nil {
		return nil, err
	}
	return b, nil
}
