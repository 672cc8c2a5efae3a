package udf

import (
	"errors"
	"fmt"
	"time"

	"firmus/replicas/optical/discfs"
)

// File types: ECMA-167, section 4/14.6.6, and UDF 2.01, section 2.3.5.2.
const (
	kindUnspecified = 0
	kindDirectory   = 4
	kindFile        = 5
	kindLink        = 12
	kindVAT         = 248
	kindRealTime    = 249
)

// entry is a file entry: what the file is and where its bytes lie.
type entry struct {
	lba     int64
	kind    byte
	size    int64
	when    time.Time
	extents []discfs.Extent
}

// sectorWork is what reading and checking a sector counts of a builder's Spend.
const sectorWork = 32

// maxChain is the allocation descriptors of one file in a row of extents of them.
const maxChain = 1 << 16

// entry reads the entry of a file (ECMA-167, section 4/14.9) or an extended one
// (14.17). Blocks that it lies in are marked as structure of path when b isn't nil.
func (m *Image) entry(at longAD, b *discfs.Builder, path string) (*entry, error) {
	if b != nil {
		if err := b.Spend(sectorWork); err != nil {
			return nil, err
		}
	}
	d, lba, err := m.logical(at.part, at.block)
	if err != nil {
		return nil, err
	}
	e := &entry{lba: lba}
	var base int
	switch id := le.Uint16(d); id {
	case tagEntry:
		base = 176
		e.when = timestamp(d[84:])
	case tagExtendedEntry:
		base = 216
		e.when = timestamp(d[92:])
	default:
		return nil, fmt.Errorf("sector %d: descriptor %d is no file entry", lba, id)
	}
	if err := check(d, le.Uint16(d)); err != nil {
		return nil, fmt.Errorf("sector %d: %w", lba, err)
	}
	if b != nil {
		b.Structure(lba, 1, path)
	}
	// The ICB tag: section 4/14.6.
	if s := le.Uint16(d[20:]); s != 4 {
		return nil, fmt.Errorf("sector %d: ICB strategy %d", lba, s)
	}
	e.kind = d[27]
	size := le.Uint64(d[56:])
	if size > 1<<62 {
		return nil, fmt.Errorf("sector %d: file of %d bytes", lba, size)
	}
	e.size = int64(size)
	attributes, n := int64(le.Uint32(d[base-8:])), int64(le.Uint32(d[base-4:]))
	if int64(base)+attributes+n > int64(len(d)) {
		return nil, fmt.Errorf("sector %d: allocation descriptors are cut off", lba)
	}
	from := int64(base) + attributes
	list := d[from : from+n]
	switch le.Uint16(d[34:]) & 7 { // section 4/14.6.8
	case 0:
		err = m.allocate(e, list, at.part, 8, b, path)
	case 1:
		err = m.allocate(e, list, at.part, 16, b, path)
	case 3:
		switch {
		case e.size > n:
			err = fmt.Errorf("%d of %d bytes are in the entry", n, e.size)
		case e.size > 0:
			e.extents = []discfs.Extent{{LBA: lba, Skip: from, Bytes: e.size}}
		}
	default:
		err = errors.New("allocation descriptors of an unknown kind")
	}
	if err != nil {
		return nil, fmt.Errorf("entry in sector %d: %w", lba, err)
	}
	return e, nil
}

// allocate follows the allocation descriptors, of 8 or 16 bytes: ECMA-167, section
// 4/12. The file's tail behind its size (12.1) is left out, and what no descriptor
// covers was never recorded.
func (m *Image) allocate(e *entry, list []byte, part uint16, width int, b *discfs.Builder, path string) error {
	at := int64(0)
	seen := map[int64]bool{}
	for range maxChain {
		if len(list) < width {
			break
		}
		a := shortADAt(list, part)
		if width == 16 {
			a = longADAt(list)
		}
		list = list[width:]
		if a.length == 0 {
			break
		}
		if a.kind == continued {
			d, lba, err := m.logical(a.part, a.block)
			if err != nil {
				return err
			}
			if err := check(d, tagAllocation); err != nil {
				return fmt.Errorf("sector %d: %w", lba, err)
			}
			if seen[lba] {
				return fmt.Errorf("sector %d: allocation extents are a loop", lba)
			}
			seen[lba] = true
			if b != nil {
				b.Structure(lba, 1, path)
				if err := b.Spend(sectorWork); err != nil {
					return err
				}
			}
			n := int64(le.Uint32(d[20:])) // section 4/14.5
			if 24+n > int64(len(d)) {
				return fmt.Errorf("sector %d: allocation descriptors are cut off", lba)
			}
			list = d[24 : 24+n]
			continue
		}
		if at >= e.size {
			break
		}
		if at%blockSize != 0 {
			return fmt.Errorf("an extent ends inside a block at byte %d", at)
		}
		if err := m.extend(e, a, min(int64(a.length), e.size-at), b); err != nil {
			return err
		}
		at += min(int64(a.length), e.size-at)
	}
	if at < e.size {
		if len(list) >= width && le.Uint32(list) != 0 {
			return fmt.Errorf("more than %d allocation descriptors", maxChain)
		}
		e.add(discfs.Extent{LBA: discfs.Hole, Bytes: e.size - at})
	}
	return nil
}

// extend adds n bytes of an extent, in as many runs as its partition scatters it.
func (m *Image) extend(e *entry, a longAD, n int64, b *discfs.Builder) error {
	if a.kind != recorded {
		e.add(discfs.Extent{LBA: discfs.Hole, Bytes: n})
		return nil
	}
	for block := int64(a.block); n > 0; {
		if block >= 1<<32 {
			return errors.New("an extent runs beyond its partition")
		}
		lba, together, err := m.place(a.part, uint32(block))
		if err != nil {
			return err
		}
		k := min(n, together*blockSize)
		e.add(discfs.Extent{LBA: lba, Bytes: k})
		if b != nil {
			if err := b.Spend(1); err != nil {
				return err
			}
		}
		if len(e.extents) > discfs.MaxExtents {
			return discfs.ErrTooMuch
		}
		n -= k
		block += together
	}
	return nil
}

// add joins an extent to the last one if it follows it there.
func (e *entry) add(x discfs.Extent) {
	if n := len(e.extents) - 1; n >= 0 {
		p := &e.extents[n]
		if x.LBA == discfs.Hole && p.LBA == discfs.Hole ||
			x.LBA != discfs.Hole && p.LBA != discfs.Hole && p.Bytes%blockSize == 0 && p.LBA+p.Bytes/blockSize == x.LBA {
			p.Bytes += x.Bytes
			return
		}
	}
	e.extents = append(e.extents, x)
}
