// Package udf reads UDF volumes of revisions 1.02 to 2.01 (OSTA Universal Disk
// Format, a subset of ECMA-167) over an io.ReaderAt: which files are there and on
// which sectors each of them lies. It writes nothing and mounts nothing.
//
// Partitions may be physical, virtual (written once, with a virtual allocation
// table at the end of what is recorded) or sparable (rewritable, with a table of
// packets that were moved). A metadata partition, of revision 2.50 and later, is
// refused, and so are blocks of other than 2048 bytes, ICB strategies other than 4,
// and volumes over several discs. Checksum and CRC of every descriptor that is
// used are checked.
//
// A directory that is damaged is read on from its next good entry. Named streams
// and extended attributes are left alone.
package udf

import (
	"errors"
	"fmt"
	"io"
	"time"

	"firmus/replicas/optical/discfs"
)

const blockSize = discfs.SectorSize

// Image is a UDF volume.
type Image struct {
	r       io.ReaderAt
	size    int64
	session int64

	label    string
	created  time.Time
	revision uint16
	parts    map[uint16]partition // by partition number
	maps     []mapping            // by partition reference
	root     longAD               // of the file set descriptor
	marks    []run                // structure that was met while opening
}

// run is a row of sectors.
type run struct{ lba, count int64 }

// Open reads the volume of the session that starts at sector session (0 for the
// first, and for image files) of a disc of size bytes. size must be what is
// recorded, as the table of contents says: the virtual table is looked for at its
// end. It gives discfs.ErrNone if there is no UDF volume, the reader's error if
// its anchors or descriptors can't be read, and another if they make no sense.
func Open(r io.ReaderAt, size, session int64) (*Image, error) {
	m := &Image{r: r, size: size, session: session, parts: map[uint16]partition{}}
	if err := m.open(); err != nil {
		return nil, fmt.Errorf("open UDF volume at sector %d: %w", session, err)
	}
	return m, nil
}

func (m *Image) open() error {
	anchor, err := m.anchor()
	if err != nil {
		return err
	}
	var errs []error
	for _, at := range []int{16, 24} { // main and reserve: ECMA-167, section 3/10.2
		if err = m.sequence(extentAD(anchor[at:])); err == nil {
			break
		}
		errs = append(errs, err)
	}
	if err != nil {
		return errors.Join(errs...)
	}
	for i := range m.maps {
		if m.maps[i].kind == virtual {
			if err := m.loadVAT(i); err != nil {
				return fmt.Errorf("virtual allocation table: %w", err)
			}
		}
	}
	b, at, err := m.logical(m.root.part, m.root.block)
	if err != nil {
		return fmt.Errorf("file set descriptor: %w", err)
	}
	if err := check(b, tagFileSet); err != nil {
		return fmt.Errorf("file set descriptor: %w", err)
	}
	m.mark(at, 1)
	m.root = longADAt(b[400:]) // ECMA-167, section 4/14.1.15
	return nil
}

// anchor looks for an anchor volume descriptor pointer: at sector 256 of the
// session, at the last sector N and at N-256 (UDF 2.01, section 2.2.3); at 512 on
// a disc that isn't closed (6.10.1.1). A disc that was recorded track at once has
// two run-out sectors behind N, and with packets up to 150 that can't be read.
func (m *Image) anchor() ([]byte, error) {
	n := m.size/blockSize - 1
	var unreadable error
	for _, at := range []int64{
		m.session + 256, n, n - 256, n - 2, n - 258, n - 150, n - 406, n - 152, n - 408, m.session + 512,
	} {
		if at < m.session || at > n {
			continue
		}
		b, err := m.sector(at)
		if err != nil {
			if unreadable == nil {
				unreadable = err
			}
			continue
		}
		if check(b, tagAnchor) == nil {
			m.mark(at, 1)
			return b, nil
		}
	}
	if unreadable != nil {
		return nil, unreadable
	}
	return nil, discfs.ErrNone
}

// Views are the trees that the volume shows: one.
func (m *Image) Views() []discfs.View { return []discfs.View{discfs.UDF} }

// Label is the volume's name.
func (m *Image) Label() string { return m.label }

// Created is when the volume was made by the program that made it, in UTC; zero
// if that isn't recorded.
func (m *Image) Created() time.Time { return m.created }

// Revision is the UDF revision by which the volume was written, as 0x0102 for 1.02.
func (m *Image) Revision() uint16 { return m.revision }

func (m *Image) sector(lba int64) ([]byte, error) {
	b := make([]byte, blockSize)
	if _, err := discfs.ReadAt(m.r, m.size, b, lba*blockSize); err != nil {
		return nil, err
	}
	return b, nil
}

func (m *Image) mark(lba, count int64) { m.marks = append(m.marks, run{lba, count}) }
