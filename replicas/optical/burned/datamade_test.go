package burned_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf16"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/testing/discfstest"
	"firmus/replicas/testing/mmctest"
)

const block = digest.BlockSize

// survey are the files of most discs here, in the order of their sectors: see where.
func survey() map[string][]byte {
	files := map[string][]byte{}
	for name, size := range map[string]int{sideA: 300_000, sideB: 200_000, notes: 1500, other: 2 * block} {
		files[name] = discfstest.Content(name, size)
	}
	return files
}

const (
	sideA = "QV-0107/QV-0107_A.wav" // sectors 31 to 177
	sideB = "QV-0107/QV-0107_B.wav" // 178 to 275
	notes = "QV-0107/notes.txt"     // 276
	other = "QV-0108/QV-0108_A.wav" // 277 to 340
)

// flipped is bytes with one bit changed in each of the places.
func flipped(b []byte, at ...int) []byte {
	b = bytes.Clone(b)
	for _, i := range at {
		b[i] ^= 1
	}
	return b
}

// expected are files as they were burned, by their names.
func expected(files map[string][]byte) (list []burned.File) {
	for _, name := range slices.Sorted(maps.Keys(files)) {
		s, err := digest.NewSum(fixity.BLAKE3, fixity.MD5)
		if err != nil {
			panic(err)
		}
		_, _ = s.Write(files[name])
		sums := s.Sums()
		list = append(list, burned.File{Name: name, Size: int64(len(files[name])), Digests: sums.Digests, Blocks: sums.Blocks})
	}
	return list
}

// volume is how a disc's file system is written: a tree of directories of one sector
// each (ECMA-119, sections 8.4, 8.5 and 9.1), ten sectors that are free, and the files
// by their names.
type volume struct {
	files     map[string][]byte
	rockRidge bool              // names as they are
	joliet    map[string]string // names there, if they aren't the files'; nil: no Joliet
	base      int64             // where the session begins
	runOut    int               // sectors behind the volume; 0: 2
}

// pressed are the sectors of a volume.
type pressed struct {
	b      []byte
	base   int64
	lba    map[string]int64 // of files and directories
	joliet map[string]int64 // of the directories of Joliet
}

func twice(b []byte, v int64) {
	binary.LittleEndian.PutUint32(b, uint32(v))
	binary.BigEndian.PutUint32(b[4:], uint32(v))
}

func directoryRecord(id string, lba, size int64, dir bool, system string) []byte {
	b := make([]byte, 33, 255)
	twice(b[2:], lba)
	twice(b[10:], size)
	copy(b[18:], []byte{74, 6, 9, 14, 30, 2, 0})
	if dir {
		b[25] = 2
	}
	b[28], b[31], b[32] = 1, 1, byte(len(id))
	b = append(b, id...)
	if len(b)%2 == 1 {
		b = append(b, 0)
	}
	b = append(b, system...)
	b[0] = byte(len(b))
	return b
}

func bigEndian(s string) string {
	var b []byte
	for _, u := range utf16.Encode([]rune(s)) {
		b = binary.BigEndian.AppendUint16(b, u)
	}
	return string(b)
}

// tree writes the directories of one view. name is a path's in it, id and system what
// stands in the record.
func (p *pressed) tree(files map[string][]byte, dirs map[string]int64, name func(string) string, id func(string, bool) string, system func(string) string) {
	records := map[string][]byte{}
	for _, d := range slices.Sorted(maps.Keys(dirs)) {
		up := path.Dir(d)
		if up == "." {
			up = ""
		}
		self := ""
		if d == "" && system("x") != "" {
			self = "SP\x07\x01\xbe\xef\x00ER\x12\x01\x0a\x00\x00\x01RRIP_1991A" // RRIP 1.12, 4.3
		}
		records[d] = append(directoryRecord("\x00", dirs[d], discfs.SectorSize, true, self), directoryRecord("\x01", dirs[up], discfs.SectorSize, true, "")...)
	}
	add := func(f string, lba, size int64, dir bool) {
		up := path.Dir(f)
		if up == "." {
			up = ""
		}
		n := path.Base(f)
		records[up] = append(records[up], directoryRecord(id(n, dir), lba, size, dir, system(n))...)
	}
	for _, d := range slices.Sorted(maps.Keys(dirs)) {
		if d != "" {
			add(d, dirs[d], discfs.SectorSize, true)
		}
	}
	for _, f := range slices.Sorted(maps.Keys(files)) {
		add(name(f), p.lba[f], int64(len(files[f])), false)
	}
	for d, b := range records {
		if len(b) > discfs.SectorSize {
			panic("a directory of more than a sector")
		}
		copy(p.at(dirs[d]), b)
	}
}

func (p *pressed) at(lba int64) []byte { return p.b[(lba-p.base)*discfs.SectorSize:] }

func (v volume) press() *pressed {
	p := &pressed{base: v.base, lba: map[string]int64{}, joliet: map[string]int64{}}
	next := v.base + 18
	name := func(f string) string {
		if n, ok := v.joliet[f]; ok {
			return n
		}
		return f
	}
	if v.joliet != nil {
		next++
	}
	main := map[string]int64{}
	directories := func(dirs map[string]int64, name func(string) string) {
		var list []string
		for f := range v.files {
			for d := path.Dir(name(f)); d != "."; d = path.Dir(d) {
				list = append(list, d)
			}
		}
		slices.Sort(list)
		for _, d := range append([]string{""}, slices.Compact(list)...) {
			dirs[d] = next
			next++
		}
	}
	directories(main, strings.Clone)
	if v.joliet != nil {
		directories(p.joliet, name)
	}
	next += 10
	for _, f := range slices.Sorted(maps.Keys(v.files)) {
		p.lba[f] = next
		next += int64(len(v.files[f])+discfs.SectorSize-1) / discfs.SectorSize
	}
	runOut := v.runOut
	if runOut == 0 {
		runOut = 2
	}
	p.b = make([]byte, (next-v.base+int64(runOut))*discfs.SectorSize)
	for f, b := range v.files {
		copy(p.at(p.lba[f]), b)
	}
	at := v.base + 16
	descriptor := func(kind string, root int64) []byte {
		b := p.at(at)
		at++
		copy(b, kind+"CD001\x01")
		b[881] = 1
		twice(b[80:], next-v.base)
		binary.LittleEndian.PutUint16(b[128:], discfs.SectorSize)
		binary.BigEndian.PutUint16(b[130:], discfs.SectorSize)
		copy(b[156:190], directoryRecord("\x00", root, discfs.SectorSize, true, ""))
		return b
	}
	copy(descriptor("\x01", main[""])[40:72], "QD_0031                         ")
	if v.joliet != nil {
		copy(descriptor("\x02", p.joliet[""])[88:], "%/E")
	}
	copy(p.at(at), "\xffCD001\x01")
	n := 0
	p.tree(v.files, main, strings.Clone, func(name string, dir bool) string {
		if v.joliet == nil && !v.rockRidge {
			return strings.ToUpper(name)
		}
		n++
		return fmt.Sprintf("N%d", n)
	}, func(name string) string {
		if !v.rockRidge {
			return ""
		}
		return "NM" + string([]byte{byte(5 + len(name)), 1, 0}) + name
	})
	if v.joliet != nil {
		p.tree(v.files, p.joliet, name, func(name string, _ bool) string { return bigEndian(name) }, func(string) string { return "" })
	}
	maps.Copy(p.lba, main)
	return p
}

// image writes the sectors into a file and opens it; cut, if it isn't 0, is how many.
func (p *pressed) image(t testing.TB, cut int64) *optical.Disc {
	t.Helper()
	b := p.b
	if cut > 0 {
		b = b[:cut*discfs.SectorSize]
	}
	name := filepath.Join(t.TempDir(), "disc.iso")
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
	d, err := optical.OpenImage(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d
}

// disc is a disc of that one session.
func (p *pressed) disc() *mmctest.Disc {
	return &mmctest.Disc{
		Tracks: []mmctest.Track{{Number: 1, Data: true}}, LeadOut: int64(len(p.b)) / discfs.SectorSize, Status: mmc.Complete,
		Faults: map[int64]*mmctest.Fault{}, Content: func(lba int64, b []byte) { copy(b, p.at(lba)) },
	}
}

func inserted(t testing.TB, disc *mmctest.Disc) *optical.Disc {
	t.Helper()
	sim := &mmctest.Drive{}
	sim.Insert(disc)
	return insert(t, sim)
}

// bad are faults of sectors.
func bad(lbas ...int64) map[int64]*mmctest.Fault {
	m := map[int64]*mmctest.Fault{}
	for _, i := range lbas {
		m[i] = &mmctest.Fault{}
	}
	return m
}

func spoolless() burned.Options { return burned.Options{Now: time.Now} }

// said is what a report says of a disc of data, line by line: the verdict, each file
// that isn't intact under its own name, and rows of sectors.
func said(r burned.Result) []string {
	list := []string{string(r.Verdict)}
	for _, h := range r.Files {
		if h.State == fixity.Intact && h.At == h.Name && !h.Weaker && h.Cause == "" {
			continue
		}
		s := fmt.Sprintf("%s: %s", h.Name, h.State)
		if h.Weaker {
			s += " weaker"
		}
		if h.Cause != "" {
			s += " " + h.Cause
		}
		if h.At != h.Name && h.At != "" {
			s += " at " + h.At
		}
		for _, x := range h.Ranges {
			s += fmt.Sprintf(" %d+%d", x.Offset, x.Length)
		}
		list = append(list, s)
	}
	rows := func(what string, rows []burned.Sectors) {
		for _, x := range rows {
			s := fmt.Sprintf("%s %d+%d %s", what, x.LBA, x.Count, x.Kind)
			for _, o := range x.Of {
				s += fmt.Sprintf(" %s@%d", o.Path, o.Offset)
			}
			list = append(list, s)
		}
	}
	rows("unreadable", r.Unreadable)
	rows("differing", r.Differing)
	if r.Structure > 0 || r.Free > 0 {
		list = append(list, fmt.Sprintf("structure %d, free %d", r.Structure, r.Free))
	}
	for _, x := range r.Extra {
		list = append(list, "extra "+x)
	}
	return list
}

// inDrive checks a disc in a simulated drive, in a bubble where its time costs nothing.
func inDrive(t *testing.T, name string, disc func() *mmctest.Disc, w burned.Want, o burned.Options, see func(*testing.T, burned.Result, error)) {
	t.Helper()
	t.Run(name, func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			r, err := burned.Check(t.Context(), inserted(t, disc()), w, o)
			see(t, r, err)
		})
	})
}
