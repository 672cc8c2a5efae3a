package burn

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// view is one of the volume's directory trees.
type view struct {
	joliet  bool
	id      map[*node]string // file identifiers, or directory identifiers
	folders []*node          // in the path table's order
	number  map[*node]int    // in the path table, from 1
	lba     map[*node]int    // of a folder
	size    map[*node]int    // its bytes
	table   int              // bytes of a path table
	low     int              // sector of the table of type L; that of type M comes behind it
}

func newView(root *node, joliet bool) *view {
	v := &view{joliet: joliet, id: map[*node]string{root: "\x00"}, number: map[*node]int{}, lba: map[*node]int{}, size: map[*node]int{}}
	// Path tables are in the order of levels, then of parents, then of names: ECMA-119,
	// section 6.9.1.
	v.folders = []*node{root}
	for i := 0; i < len(v.folders); i++ {
		f := v.folders[i]
		v.number[f] = i + 1
		v.name(f)
		for _, c := range v.sorted(f) {
			if c.folder {
				v.folders = append(v.folders, c)
			}
		}
	}
	for _, f := range v.folders {
		v.table += 8 + len(v.id[f]) + len(v.id[f])%2
	}
	return v
}

// sorted are what a folder holds, in the order of its records: ECMA-119, section
// 9.3. The letters that are used sort behind what ends a name and an extension, so
// that shorter names come first without being filled up.
func (v *view) sorted(f *node) []*node {
	return slices.SortedFunc(slices.Values(f.children), func(a, b *node) int {
		if v.joliet {
			return cmp.Compare(v.id[a], v.id[b])
		}
		aName, aMore, _ := strings.Cut(v.id[a], ".")
		bName, bMore, _ := strings.Cut(v.id[b], ".")
		return cmp.Or(cmp.Compare(aName, bName), cmp.Compare(aMore, bMore))
	})
}

// name gives identifiers to all that a folder holds, no two the same.
func (v *view) name(f *node) {
	taken := map[string]bool{}
	for _, c := range f.children {
		stem, more := c.name, ""
		if at := strings.LastIndexByte(c.name, '.'); at > 0 && !c.folder {
			stem, more = c.name[:at], c.name[at:]
		}
		for try := 0; ; try++ {
			suffix := ""
			if try > 0 {
				suffix = fmt.Sprintf("_%d", try)
			}
			id := v.spell(stem, suffix, more, c.folder)
			if !taken[id] {
				taken[id], v.id[c] = true, id
				break
			}
		}
	}
}

// spell makes an identifier of a name's stem, what tells it from its likes, and its
// extension with the full stop.
func (v *view) spell(stem, suffix, more string, folder bool) string {
	if v.joliet {
		// Names of at most 64 characters; files bear a version.
		const most = 64
		m := ucs2(more)
		m = m[:min(len(m), most/2)]
		s := ucs2(stem)
		s = append(s[:min(len(s), most-len(suffix)-len(m))], ucs2(suffix)...)
		s = append(s, m...)
		if !folder {
			s = append(s, ';', '1')
		}
		var b []byte
		for _, u := range s {
			b = be.AppendUint16(b, u)
		}
		return string(b)
	}
	// Level 2: capital letters, digits and low lines; a folder's name of at most 31 of
	// them, a file's with its extension of 30 (ECMA-119, sections 7.5.1, 7.6.3, 10.2).
	if folder {
		s := plain(stem)
		return s[:min(len(s), 31-len(suffix))] + suffix
	}
	m := plain(strings.TrimPrefix(more, "."))
	m = m[:min(len(m), 3)]
	s := plain(stem)
	return s[:min(len(s), 30-len(suffix)-len(m))] + suffix + "." + m + ";1"
}

// plain is a name in d-characters: ECMA-119, section 7.4.1.
func plain(name string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z':
			return r - 'a' + 'A'
		case r >= 'A' && r <= 'Z', r >= '0' && r <= '9':
			return r
		}
		return '_'
	}, name)
}

// ucs2 is a name in the characters that Joliet allows.
func ucs2(name string) []uint16 {
	var out []uint16
	for _, r := range name {
		if r < ' ' || r > 0xFFFD || r == utf8.RuneError || strings.ContainsRune(`*/:;?\`, r) {
			r = '_'
		}
		out = append(out, uint16(r))
	}
	return out
}

// place gives the path tables and folders their sectors, from a sector on, and says
// where they end.
func (v *view) place(at int) int {
	v.low = at
	at += 2 * sectors(v.table)
	for _, f := range v.folders {
		records, more := v.records(f)
		v.lba[f], v.size[f] = at, len(records)
		at += sectors(len(records)) + sectors(len(more))
	}
	return at
}

// write puts the path tables and folders into the image.
func (v *view) write(b []byte) {
	for i, order := range []interface {
		AppendUint16([]byte, uint16) []byte
		AppendUint32([]byte, uint32) []byte
	}{le, be} {
		var t []byte
		for _, f := range v.folders { // ECMA-119, section 9.4
			id := v.id[f]
			t = append(t, byte(len(id)), 0)
			t = order.AppendUint32(t, uint32(v.lba[f]))
			t = order.AppendUint16(t, uint16(v.number[f.parent]))
			t = append(t, id...)
			if len(id)%2 != 0 {
				t = append(t, 0)
			}
		}
		copy(b[(v.low+i*sectors(v.table))*sectorBytes:], t)
	}
	for _, f := range v.folders {
		records, more := v.records(f)
		at := v.lba[f] * sectorBytes
		copy(b[at:], records)
		copy(b[at+len(records):], more)
	}
}

// describe writes the volume descriptor: primary, ECMA-119, section 8.4, or
// supplementary, section 8.5, with the escape sequence of UCS-2 level 3.
func (v *view) describe(d []byte, vol Volume, blocks int) {
	root := v.folders[0]
	text := func(at, n int, s string) {
		for i := range n {
			d[at+i] = ' '
		}
		if !v.joliet {
			copy(d[at:at+n], s)
			return
		}
		for i := 0; i+1 < n; i += 2 {
			d[at+i] = 0
		}
		for i, u := range ucs2(s) {
			be.PutUint16(d[at+2*i:], u)
		}
	}
	d[0], d[6], d[881] = 1, 1, 1
	copy(d[1:], "CD001")
	if v.joliet {
		d[0] = 2
		copy(d[88:], "%/E")
	}
	text(8, 32, "")
	text(40, 32, vol.Label)
	copy(d[80:], both32(uint32(blocks)))
	copy(d[120:], both16(1)) // one volume, and this is it
	copy(d[124:], both16(1))
	copy(d[128:], both16(sectorBytes))
	copy(d[132:], both32(uint32(v.table)))
	le.PutUint32(d[140:], uint32(v.low))
	be.PutUint32(d[148:], uint32(v.low+sectors(v.table)))
	copy(d[156:], v.head(root, "\x00"))
	for _, at := range []int{190, 318, 446, 574} { // set, publisher, preparer, application
		text(at, 128, "")
	}
	for _, at := range []int{702, 739, 776} { // copyright, abstract, bibliography
		text(at, 37, "")
	}
	copy(d[813:], longTime(vol.Made)) // created
	copy(d[830:], longTime(vol.Made)) // modified
	copy(d[847:], longTime(time.Time{}))
	copy(d[864:], longTime(time.Time{}))
}

// longTime is a time of section 8.4.26.1; zeros say that none is given.
func longTime(t time.Time) []byte {
	if t.IsZero() {
		return append([]byte(strings.Repeat("0", 16)), 0)
	}
	t = t.UTC()
	return append([]byte(t.Format("20060102150405")+fmt.Sprintf("%02d", t.Nanosecond()/1e7)), 0)
}

// shortTime is a time of section 9.1.5.
func shortTime(t time.Time) []byte {
	t = t.UTC()
	return []byte{byte(t.Year() - 1900), byte(t.Month()), byte(t.Day()), byte(t.Hour()), byte(t.Minute()), byte(t.Second()), 0}
}
