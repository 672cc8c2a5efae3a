package udf

import (
	"errors"
	"fmt"
	"io"

	"firmus/replicas/optical/discfs"
)

const (
	maxSequence = 256 // descriptors of a sequence; 16 are usual
	maxPointers = 16  // sequences that continue each other
	maxMaps     = 8   // two are usual
	maxSparing  = 32  // sectors of a sparing table; 2 are usual
)

type partition struct{ start, length int64 } // sectors

type mapKind uint8

const (
	physical mapKind = iota
	virtual
	sparable
)

// mapping is a partition map: how a partition reference becomes sectors.
type mapping struct {
	kind   mapKind
	number uint16
	vat    []uint32          // virtual: block by virtual block
	packet uint32            // sparable: blocks of a packet
	moved  map[uint32]uint32 // sparable: first block of a packet -> sector where it lies
}

// unmapped is an entry of a virtual table that stands for nothing: UDF 2.01, 2.2.10.
const unmapped = 0xFFFFFFFF

// sequence reads a volume descriptor sequence (ECMA-167, section 3/8.4.2). Of two
// descriptors of a kind the one of the higher sequence number prevails (8.4.3).
func (m *Image) sequence(at run) error {
	var logical, primary []byte
	numbers := map[uint16]uint32{}
	parts := map[uint16]partition{}
	var marks []run
	var unreadable error
	pointers := 0
	for i := int64(0); i < min(at.count, maxSequence); i++ {
		b, err := m.sector(at.lba + i)
		if err != nil {
			unreadable = err
			continue
		}
		if le.Uint16(b) == 0 || check(b, le.Uint16(b)) != nil {
			continue
		}
		marks = append(marks, run{at.lba + i, 1})
		number := le.Uint32(b[16:])
		switch le.Uint16(b) {
		case tagPrimary:
			if primary == nil || number >= le.Uint32(primary[16:]) {
				primary = b
			}
		case tagLogical:
			if logical == nil || number >= le.Uint32(logical[16:]) {
				logical = b
			}
		case tagPartition:
			n := le.Uint16(b[22:])
			if _, ok := parts[n]; !ok || number >= numbers[n] {
				numbers[n] = number
				parts[n] = partition{int64(le.Uint32(b[188:])), int64(le.Uint32(b[192:]))}
				marks = append(marks, spaceTables(b, parts[n].start)...)
			}
		case tagPointer: // ECMA-167, section 3/10.3
			if pointers++; pointers <= maxPointers {
				at, i = extentAD(b[20:]), -1
			}
		case tagTerminating:
			i = at.count
		}
	}
	if logical == nil {
		if unreadable != nil {
			return unreadable
		}
		return errors.New("no logical volume descriptor")
	}
	m.parts = parts
	if err := m.logicalVolume(logical); err != nil {
		return err
	}
	if primary != nil {
		m.created = timestamp(primary[376:]) // ECMA-167, section 3/10.1.17
		if m.label == "" {
			m.label = dstring(primary[24:56])
		}
	}
	m.marks = append(m.marks, marks...)
	return nil
}

// spaceTables are the tables and bitmaps of free space that a partition descriptor
// names: ECMA-167, section 4/14.3.
func spaceTables(b []byte, start int64) []run {
	var runs []run
	for at := 56; at < 56+5*8; at += 8 {
		if at == 56+2*8 {
			continue // the integrity table: UDF doesn't use it
		}
		if a := shortADAt(b[at:], 0); a.length > 0 {
			runs = append(runs, run{start + int64(a.block), blocks(int64(a.length))})
		}
	}
	return runs
}

func blocks(n int64) int64 { return (n + blockSize - 1) / blockSize }

// logicalVolume takes a logical volume descriptor: ECMA-167, section 3/10.6.
func (m *Image) logicalVolume(b []byte) error {
	if n := le.Uint32(b[212:]); n != blockSize {
		return fmt.Errorf("logical blocks of %d bytes, not 2048", n)
	}
	m.label = dstring(b[84:212])
	m.revision = le.Uint16(b[240:]) // UDF 2.01, section 2.1.5.3: suffix of the domain
	m.root = longADAt(b[248:])      // until it is replaced by what it points to
	m.maps = nil
	if n := extentAD(b[432:]); n.count > 0 {
		m.mark(n.lba, n.count) // the integrity sequence
	}
	rest, n := b[440:], int64(le.Uint32(b[264:]))
	if n > int64(len(rest)) {
		return fmt.Errorf("partition maps of %d bytes", n)
	}
	rest = rest[:n]
	count := le.Uint32(b[268:])
	if count > maxMaps {
		return fmt.Errorf("%d partition maps", count)
	}
	for range count {
		if len(rest) < 6 || int(rest[1]) < 6 || int(rest[1]) > len(rest) {
			return errors.New("partition map is cut off")
		}
		p := rest[:rest[1]]
		rest = rest[rest[1]:]
		pm, err := m.partitionMap(p)
		if err != nil {
			return err
		}
		if _, ok := m.parts[pm.number]; !ok {
			return fmt.Errorf("no descriptor of partition %d", pm.number)
		}
		m.maps = append(m.maps, pm)
	}
	return nil
}

// partitionMap takes a map of type 1 (ECMA-167, section 3/10.7.2) or of the types
// that UDF 2.01 adds in sections 2.2.8 and 2.2.9.
func (m *Image) partitionMap(b []byte) (mapping, error) {
	if b[0] == 1 {
		return mapping{number: le.Uint16(b[4:])}, nil
	}
	if b[0] != 2 || len(b) != 64 {
		return mapping{}, fmt.Errorf("partition map of type %d and %d bytes", b[0], len(b))
	}
	p := mapping{number: le.Uint16(b[38:])}
	switch id := entityID(b[4:]); id {
	case "*UDF Virtual Partition":
		p.kind = virtual
		return p, nil
	case "*UDF Sparable Partition":
		p.kind = sparable
		p.packet = uint32(le.Uint16(b[40:]))
		if p.packet == 0 || b[42] > 4 {
			return mapping{}, fmt.Errorf("packets of %d blocks, %d sparing tables", p.packet, b[42])
		}
		var err error
		for i := range int(b[42]) {
			if p.moved, err = m.sparing(int64(le.Uint32(b[48+4*i:])), int64(le.Uint32(b[44:]))); err == nil {
				return p, nil
			}
		}
		return mapping{}, fmt.Errorf("sparing tables: %w", errors.Join(errors.New("none can be used"), err))
	default:
		return mapping{}, fmt.Errorf("partitions of kind %q aren't read", id)
	}
}

// sparing reads one copy of a sparing table: UDF 2.01, section 2.2.11.
func (m *Image) sparing(at, size int64) (map[uint32]uint32, error) {
	n := blocks(size)
	if n < 1 || n > maxSparing {
		return nil, fmt.Errorf("table of %d bytes", size)
	}
	b := make([]byte, n*blockSize)
	if _, err := discfs.ReadAt(m.r, m.size, b, at*blockSize); err != nil {
		return nil, err
	}
	if err := check(b, tagSparing); err != nil {
		return nil, err
	}
	if id := entityID(b[16:]); id != "*UDF Sparing Table" {
		return nil, fmt.Errorf("table of kind %q", id)
	}
	m.mark(at, n)
	moved := map[uint32]uint32{}
	for i := range int(le.Uint16(b[48:])) {
		e := 56 + 8*i
		if e+8 > len(b) {
			return nil, errors.New("table is longer than its extent")
		}
		// From FFFFFFF0h on: free, or not usable.
		if from := le.Uint32(b[e:]); from < 0xFFFFFFF0 {
			moved[from] = le.Uint32(b[e+4:])
		}
	}
	return moved, nil
}

// place gives the sector of a block of a partition reference, and how many blocks
// from it on certainly follow it there.
func (m *Image) place(part uint16, block uint32) (lba, together int64, err error) {
	if int(part) >= len(m.maps) {
		return 0, 0, fmt.Errorf("partition reference %d of %d", part, len(m.maps))
	}
	p := &m.maps[part]
	in := m.parts[p.number]
	switch p.kind {
	case virtual:
		if int64(block) >= int64(len(p.vat)) || p.vat[block] == unmapped {
			return 0, 0, fmt.Errorf("virtual block %d stands for nothing", block)
		}
		block, together = p.vat[block], 1
	case sparable:
		first := block - block%p.packet
		together = int64(p.packet - block%p.packet)
		if to, ok := p.moved[first]; ok {
			return int64(to) + int64(block-first), together, nil
		}
	default:
		together = in.length - int64(block)
	}
	if int64(block) >= in.length {
		return 0, 0, fmt.Errorf("block %d of a partition of %d", block, in.length)
	}
	return in.start + int64(block), min(together, in.length-int64(block)), nil
}

// logical reads a block of a partition reference.
func (m *Image) logical(part uint16, block uint32) ([]byte, int64, error) {
	lba, _, err := m.place(part, block)
	if err != nil {
		return nil, 0, err
	}
	b, err := m.sector(lba)
	return b, lba, err
}

// vatBack is how far before the end of what is recorded the table's entry is
// looked for: it is the last sector written (UDF 2.01, section 2.2.10), and run-out
// sectors may lie behind it.
const vatBack = 160

// loadVAT finds and reads the table of virtual partition map i.
func (m *Image) loadVAT(i int) error {
	in := m.parts[m.maps[i].number]
	ref := -1
	for k, p := range m.maps {
		if p.kind == physical && p.number == m.maps[i].number {
			ref = k
		}
	}
	if ref < 0 {
		return errors.New("no physical map of its partition")
	}
	last := m.size/blockSize - 1
	err := errors.New("none near the end of what is recorded")
	for at := last; at > last-vatBack && at >= in.start; at-- {
		e, err2 := m.entry(longAD{block: uint32(at - in.start), part: uint16(ref)}, nil, "")
		if err2 != nil || (e.kind != kindVAT && e.kind != kindUnspecified) {
			continue
		}
		if m.maps[i].vat, err2 = m.vat(e); err2 != nil {
			err = err2
			continue
		}
		m.mark(at, 1)
		for _, x := range e.extents {
			m.mark(x.LBA, x.Blocks())
		}
		return nil
	}
	return err
}

// vat reads the table: in revision 1.50 entries with 36 bytes behind them (UDF
// 1.50, section 2.2.10), from 2.00 on a head with its own length before them.
func (m *Image) vat(e *entry) ([]uint32, error) {
	if e.size < 4 || e.size > (m.size/blockSize+1)*4+blockSize {
		return nil, fmt.Errorf("table of %d bytes", e.size)
	}
	b, err := m.contents(e)
	if err != nil {
		return nil, err
	}
	switch {
	case e.kind == kindVAT:
		n := int(le.Uint16(b))
		if n < 152 || n > len(b) {
			return nil, fmt.Errorf("table with a head of %d bytes", n)
		}
		b = b[n:]
	case len(b) >= 36 && entityID(b[len(b)-36:]) == "*UDF Virtual Alloc Tbl":
		b = b[:len(b)-36]
	default:
		return nil, errors.New("an entry that is no table")
	}
	table := make([]uint32, len(b)/4)
	for i := range table {
		table[i] = le.Uint32(b[4*i:])
	}
	return table, nil
}

// contents reads an entry's bytes. The caller has bounded its size.
func (m *Image) contents(e *entry) ([]byte, error) {
	b := make([]byte, e.size)
	at := int64(0)
	for _, x := range e.extents {
		if x.LBA == discfs.Hole {
			return nil, errors.New("a part that was never recorded")
		}
		if _, err := discfs.ReadAt(m.r, m.size, b[at:at+x.Bytes], x.LBA*blockSize+x.Skip); err != nil {
			return nil, err
		}
		at += x.Bytes
	}
	if at != e.size {
		return nil, io.ErrUnexpectedEOF
	}
	return b, nil
}
