package optical_test

import (
	"context"
	"encoding/binary"
	"io"
	"sync"
	"testing"
	"time"

	"firmus/replicas/optical"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/sector"
	"firmus/replicas/testing/mmctest"
)

// fill makes bytes that differ from sector to sector.
func fill(lba int64, b []byte) {
	x := uint64(lba)*0x9E3779B97F4A7C15 + 0x107
	for i := 0; i+8 <= len(b); i += 8 {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		binary.LittleEndian.PutUint64(b[i:], x)
	}
}

// rows are count sectors of fill.
func rows(lba, count int64, size int) []byte {
	b := make([]byte, int(count)*size)
	for i := range count {
		fill(lba+i, b[int(i)*size:int(i+1)*size])
	}
	return b
}

// volumeSectors are descriptors of an empty ISO 9660 volume (ECMA-119, 8.4 and 8.3),
// at sectors 16 and 17, and its root directory at 20.
func volumeSectors(label string, blocks uint32) map[int64][]byte {
	le, be := binary.LittleEndian, binary.BigEndian
	both32 := func(b []byte, v uint32) { le.PutUint32(b, v); be.PutUint32(b[4:], v) }
	both16 := func(b []byte, v uint16) { le.PutUint16(b, v); be.PutUint16(b[2:], v) }
	record := func(name byte) []byte {
		r := make([]byte, 34)
		r[0], r[25], r[32], r[33] = 34, 2, 1, name
		both32(r[2:], 20)
		both32(r[10:], sector.Data)
		both16(r[28:], 1)
		return r
	}
	p := make([]byte, sector.Data)
	p[0], p[6], p[881] = 1, 1, 1
	copy(p[1:], "CD001")
	for i := range 32 {
		p[8+i], p[40+i] = ' ', ' '
	}
	copy(p[40:72], label)
	both32(p[80:], blocks)
	both16(p[120:], 1)
	both16(p[124:], 1)
	both16(p[128:], sector.Data)
	both32(p[132:], 10)
	le.PutUint32(p[140:], 18)
	be.PutUint32(p[148:], 19)
	copy(p[156:], record(0))
	end := make([]byte, sector.Data)
	end[0], end[6] = 255, 1
	copy(end[1:], "CD001")
	root := make([]byte, sector.Data)
	copy(root, record(0))
	copy(root[34:], record(1))
	return map[int64][]byte{16: p, 17: end, 20: root}
}

func dataContent(label string, blocks uint32) func(int64, []byte) {
	volume := volumeSectors(label, blocks)
	return func(lba int64, b []byte) {
		if v, ok := volume[lba]; ok && len(b) == sector.Data {
			copy(b, v)
			return
		}
		fill(lba, b)
	}
}

func dataDisc(sectors int64) *mmctest.Disc {
	return &mmctest.Disc{
		Tracks: []mmctest.Track{{Number: 1, Data: true}}, LeadOut: sectors, Content: dataContent("QD_0031", uint32(sectors)),
		Status: mmc.Complete, Faults: map[int64]*mmctest.Fault{},
	}
}

func audioDisc(sectors int64) *mmctest.Disc {
	return &mmctest.Disc{
		Tracks:  []mmctest.Track{{Number: 1, ISRC: "XXQVS5800107"}, {Number: 2, LBA: sectors / 3}, {Number: 3, LBA: sectors / 3 * 2}},
		LeadOut: sectors, Content: fill, MCN: "0012345678905", Status: mmc.Complete,
		Faults: map[int64]*mmctest.Fault{}, Doubts: map[int64]*mmctest.Doubt{},
	}
}

// twoSessions is sound, and data in a second session.
func twoSessions() *mmctest.Disc {
	const begin = 1000 + 11400
	volume := volumeSectors("QUILLMERE", 500)
	return &mmctest.Disc{
		Tracks:  []mmctest.Track{{Number: 1}, {Number: 2, LBA: 600}, {Number: 3, Session: 2, LBA: begin, Data: true}},
		LeadOut: begin + 500, LeadOuts: []int64{1000, begin + 500}, Status: mmc.Complete,
		Content: func(lba int64, b []byte) {
			if v, ok := volume[lba-begin]; ok {
				v = append([]byte(nil), v...)
				if lba == begin+16 { // extents count from the disc's beginning
					binary.LittleEndian.PutUint32(v[158:], begin+20)
					binary.BigEndian.PutUint32(v[162:], begin+20)
				}
				copy(b, v)
				return
			}
			fill(lba, b)
		},
	}
}

// drive puts a disc into a simulated drive.
func drive(disc *mmctest.Disc) *mmctest.Drive {
	d := &mmctest.Drive{}
	if disc != nil {
		d.Insert(disc)
	}
	return d
}

func open(t *testing.T, sim *mmctest.Drive) *optical.Disc {
	t.Helper()
	d, err := optical.NewDrive(t.Context(), sim, nil)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// spool keeps what a check hands over.
type spool struct {
	mu sync.Mutex
	b  []byte
}

func (s *spool) WriteAt(p []byte, off int64) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if need := int(off) + len(p); need > len(s.b) {
		s.b = append(s.b, make([]byte, need-len(s.b))...)
	}
	return copy(s.b[off:], p), nil
}

var _ io.WriterAt = (*spool)(nil)

func check(ctx context.Context, d *optical.Disc, o optical.CheckOptions) (optical.Result, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	return d.Check(ctx, o)
}
