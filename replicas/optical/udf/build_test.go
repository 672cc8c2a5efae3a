package udf_test

import (
	"encoding/binary"
	"strings"
	"testing"
	"unicode/utf16"

	"firmus/replicas/optical/udf"
)

// A small volume written here, by ECMA-167 and UDF 2.01: sectors 32 to 47 hold the
// main volume descriptor sequence, 48 to 63 the reserve, 64 the integrity sequence,
// 256 and the last the anchors; the partition is sectors 300 to 699.
const (
	sectorSize = 2048
	partStart  = 300
	partBlocks = 400
	allSectors = 702
)

var le = binary.LittleEndian

// tagged puts a tag before a descriptor of n bytes: ECMA-167, section 3/7.2.
func tagged(b []byte, id uint16, at uint32, n int) []byte {
	le.PutUint16(b, id)
	le.PutUint16(b[2:], 3)
	le.PutUint32(b[12:], at)
	le.PutUint16(b[10:], uint16(n-16))
	le.PutUint16(b[8:], udf.CRC(b[16:n]))
	b[4] = 0
	var sum byte
	for _, x := range b[:16] {
		sum += x
	}
	b[4] = sum
	return b
}

func dstring(b []byte, s string) {
	b[0] = 8
	copy(b[1:], s)
	b[len(b)-1] = byte(1 + len(s))
}

func shortAD(length, kind, block uint32) []byte {
	b := le.AppendUint32(nil, length|kind<<30)
	return le.AppendUint32(b, block)
}

func longAD(length, kind, block uint32, part uint16) []byte {
	b := le.AppendUint16(shortAD(length, kind, block), part)
	return append(b, 0, 0, 0, 0, 0, 0)
}

// june is 9 June 1974, 14:30:02 with one hour east of Greenwich: ECMA-167, 1/7.3.
var june = []byte{60, 0x10, 0xb6, 0x07, 6, 9, 14, 30, 2, 0, 0, 0}

// fe is a file entry (or an extended one) with allocation descriptors of a kind:
// 0 short, 1 long, 3 the bytes themselves.
func fe(extended bool, kind byte, size int, adKind uint16, ads ...[]byte) []byte {
	b := make([]byte, sectorSize)
	all := []byte{}
	for _, a := range ads {
		all = append(all, a...)
	}
	le.PutUint16(b[20:], 4) // strategy
	b[27] = kind
	le.PutUint16(b[34:], adKind)
	le.PutUint64(b[56:], uint64(size))
	base, id := 176, uint16(261)
	copy(b[84:], june)
	if extended {
		base, id = 216, 266
		copy(b[84:], make([]byte, 12))
		copy(b[92:], june)
	}
	le.PutUint32(b[base-4:], uint32(len(all)))
	copy(b[base:], all)
	return tagged(b, id, 0, base+len(all))
}

// aed is an extent of further allocation descriptors: ECMA-167, section 4/14.5.
func aed(ads ...[]byte) []byte {
	b := make([]byte, sectorSize)
	n := 24
	for _, a := range ads {
		n += copy(b[n:], a)
	}
	le.PutUint32(b[20:], uint32(n-24))
	return tagged(b, 258, 0, n)
}

// fid is a file identifier: section 4/14.4. Names outside Latin-1 get 16 bits.
func fid(name string, flags byte, block uint32, part uint16) []byte {
	var cs0 []byte
	if name != "" {
		cs0 = []byte{8}
		for _, r := range name {
			if r > 0xff {
				cs0 = []byte{16}
			}
		}
		if cs0[0] == 8 {
			for _, r := range name {
				cs0 = append(cs0, byte(r))
			}
		} else {
			for _, u := range utf16.Encode([]rune(name)) {
				cs0 = append(cs0, byte(u>>8), byte(u))
			}
		}
	}
	b := make([]byte, 38, 300)
	b[18], b[19] = flags, byte(len(cs0))
	copy(b[20:], longAD(sectorSize, 0, block, part))
	b = append(b, cs0...)
	n := len(b)
	for len(b)%4 != 0 {
		b = append(b, 0)
	}
	return tagged(b, 257, 0, n)
}

// regid is an entity identifier: section 1/7.4.
func regid(name string) []byte {
	b := make([]byte, 32)
	copy(b[1:], name)
	return b
}

// Partition maps: ECMA-167, section 3/10.7, UDF 2.01, sections 2.2.8 and 2.2.9.
var (
	physicalMap = []byte{1, 6, 1, 0, 0, 0}
	virtualMap  = type2("*UDF Virtual Partition")
	metadataMap = type2("*UDF Metadata Partition")
)

func type2(name string) []byte {
	b := make([]byte, 64)
	b[0], b[1], b[36] = 2, 64, 1
	copy(b[4:], regid(name))
	return b
}

func sparableMap(packet uint16, tables ...uint32) []byte {
	b := type2("*UDF Sparable Partition")
	le.PutUint16(b[40:], packet)
	b[42] = byte(len(tables))
	le.PutUint32(b[44:], sectorSize)
	for i, t := range tables {
		le.PutUint32(b[48+4*i:], t)
	}
	return b
}

func sparingTable(pairs ...uint32) []byte {
	b := make([]byte, sectorSize)
	copy(b[16:], regid("*UDF Sparing Table"))
	le.PutUint16(b[48:], uint16(len(pairs)/2))
	for i, p := range pairs {
		le.PutUint32(b[56+4*i:], p)
	}
	return tagged(b, 0, 0, 56+4*len(pairs))
}

// layout says what is special of a volume.
type layout struct {
	maps   [][]byte // physical if none
	root   uint16   // partition reference of the file set descriptor and the root
	blocks map[uint32][]byte
	disc   map[int64][]byte // by sector
}

// fsd is a file set descriptor that names the root: ECMA-167, section 4/14.1.
func fsd(root uint32, part uint16) []byte {
	b := make([]byte, sectorSize)
	copy(b[16:], june)
	copy(b[400:], longAD(sectorSize, 0, root, part))
	return tagged(b, 256, 0, 512)
}

// build writes a volume whose file set descriptor is block 0 of the partition and
// whose root's entry is block 1, unless the layout has others there.
func build(t testing.TB, l layout) []byte {
	t.Helper()
	img := make([]byte, allSectors*sectorSize)
	at := func(s int64) []byte { return img[s*sectorSize : (s+1)*sectorSize] }
	for i, id := range []string{"BEA01", "NSR03", "TEA01"} {
		copy(at(16 + int64(i))[1:], id)
		at(16 + int64(i))[6] = 1
	}
	for _, s := range []int64{256, allSectors - 1} {
		b := at(s)
		le.PutUint32(b[16:], 16*sectorSize)
		le.PutUint32(b[20:], 32)
		le.PutUint32(b[24:], 16*sectorSize)
		le.PutUint32(b[28:], 48)
		tagged(b, 2, uint32(s), 512)
	}
	if l.maps == nil {
		l.maps = [][]byte{physicalMap}
	}
	maps := []byte(strings.Join(func() (s []string) {
		for _, m := range l.maps {
			s = append(s, string(m))
		}
		return s
	}(), ""))
	for _, s := range []int64{32, 48} {
		b := at(s)
		dstring(b[24:56], "PRIMARY")
		copy(b[376:], june)
		tagged(b, 1, uint32(s), 512)
		b = at(s + 1)
		le.PutUint32(b[188:], partStart)
		le.PutUint32(b[192:], partBlocks)
		tagged(b, 5, uint32(s+1), 512)
		b = at(s + 2)
		dstring(b[84:212], "Quillmere")
		le.PutUint32(b[212:], sectorSize)
		copy(b[216:], regid("*OSTA UDF Compliant"))
		le.PutUint16(b[240:], 0x0201)
		copy(b[248:], longAD(sectorSize, 0, 0, l.root))
		le.PutUint32(b[264:], uint32(len(maps)))
		le.PutUint32(b[268:], uint32(len(l.maps)))
		le.PutUint32(b[432:], sectorSize)
		le.PutUint32(b[436:], 64)
		copy(b[440:], maps)
		tagged(b, 6, uint32(s+2), 440+len(maps))
		tagged(at(s+3), 8, uint32(s+3), 512)
	}
	blocks := map[uint32][]byte{0: fsd(1, l.root)}
	for n, b := range l.blocks {
		blocks[n] = b
	}
	for n, b := range blocks {
		copy(img[(partStart+int64(n))*sectorSize:], b)
	}
	for s, b := range l.disc {
		copy(img[s*sectorSize:], b)
	}
	return img
}

// dir is a directory's entry with the identifiers in it.
func dir(fids ...[]byte) []byte {
	var all []byte
	for _, f := range fids {
		all = append(all, f...)
	}
	return fe(false, 4, len(all), 3, all)
}
