package burn

// head is a directory record without what Rock Ridge adds: ECMA-119, section 9.1.
func (v *view) head(n *node, id string) []byte {
	lba, size, flags := n.lba, len(n.file.Bytes), byte(0)
	if n.folder {
		lba, size, flags = v.lba[n], v.size[n], 2
	}
	r := []byte{0, 0}
	r = append(r, both32(uint32(lba))...)
	r = append(r, both32(uint32(size))...)
	r = append(r, shortTime(n.file.Time)...)
	r = append(r, flags, 0, 0)
	r = append(r, both16(1)...)
	r = append(r, byte(len(id)))
	r = append(r, id...)
	if len(r)%2 != 0 {
		r = append(r, 0)
	}
	r[0] = byte(len(r))
	return r
}

// records are a folder's records, and the continuation areas of those that are too
// long (SUSP 1.12, section 5.1), which lie behind them. Both fill whole sectors, and
// nothing in them lies in two (ECMA-119, section 6.8.1.1).
func (v *view) records(f *node) (list, more []byte) {
	v.record(&list, &more, f, f, "\x00", v.folders[0] == f)
	v.record(&list, &more, f, f.parent, "\x01", false)
	for _, c := range v.sorted(f) {
		v.record(&list, &more, f, c, v.id[c], false)
	}
	return fill(list), fill(more)
}

func fill(b []byte) []byte { return append(b, make([]byte, sectors(len(b))*sectorBytes-len(b))...) }

// room makes sure that n bytes more lie in one sector.
func room(b []byte, n int) []byte {
	if len(b)%sectorBytes+n > sectorBytes {
		return fill(b)
	}
	return b
}

// record adds the record of n to those of the folder f. The first record of the
// volume introduces the protocols.
func (v *view) record(list, more *[]byte, f, n *node, id string, first bool) {
	r := v.head(n, id)
	if v.joliet {
		*list = append(room(*list, len(r)), r...)
		return
	}
	inside := fields(n, id, first)
	var outside []byte
	const longest, continued = 254, 28
	if total := len(r) + size(inside); total > longest {
		for i := len(inside) - 1; len(r)+size(inside)+continued > longest; i-- {
			outside = append(append([]byte(nil), inside[i]...), outside...)
			inside = inside[:i]
		}
	}
	for _, x := range inside {
		r = append(r, x...)
	}
	if len(outside) > 0 {
		*more = room(*more, len(outside))
		at := v.lba[f] + v.size[f]/sectorBytes + len(*more)/sectorBytes
		ce := []byte{'C', 'E', continued, 1}
		ce = append(ce, both32(uint32(at))...)
		ce = append(ce, both32(uint32(len(*more)%sectorBytes))...)
		r = append(r, append(ce, both32(uint32(len(outside)))...)...)
		*more = append(*more, outside...)
	}
	if len(r)%2 != 0 {
		r = append(r, 0)
	}
	r[0] = byte(len(r))
	*list = append(room(*list, len(r)), r...)
}

func size(fields [][]byte) (n int) {
	for _, f := range fields {
		n += len(f)
	}
	return n
}

// rockRidge introduces RRIP 1.12, with the words of its section 4.3.
const (
	rockRidge       = "IEEE_P1282"
	rockRidgeWords  = "THE IEEE P1282 PROTOCOL PROVIDES SUPPORT FOR POSIX FILE SYSTEM SEMANTICS."
	rockRidgeSource = "PLEASE CONTACT THE IEEE STANDARDS DEPARTMENT, PISCATAWAY, NJ, USA FOR THE P1282 SPECIFICATION."
)

// fields are the system use fields of a record, those that must stand in it first.
func fields(n *node, id string, first bool) [][]byte {
	var all [][]byte
	if first { // SUSP, section 5.3
		all = append(all, []byte{'S', 'P', 7, 1, 0xBE, 0xEF, 0})
	}
	mode, links := uint32(0o100444), uint32(1)
	if n.folder {
		mode, links = 0o040555, 2
		for _, c := range n.children {
			if c.folder {
				links++
			}
		}
	}
	px := []byte{'P', 'X', 44, 1} // RRIP, section 4.1.1: mode, links, user, group, serial number
	for _, x := range []uint32{mode, links, 0, 0, n.serial} {
		px = append(px, both32(x)...)
	}
	all = append(all, px)
	// Section 4.1.6: the time of modification, in the form of a record's.
	all = append(all, append([]byte{'T', 'F', 12, 1, 1 << 1}, shortTime(n.file.Time)...))
	if first { // SUSP, section 5.5
		er := []byte{'E', 'R', 0, 1, byte(len(rockRidge)), byte(len(rockRidgeWords)), byte(len(rockRidgeSource)), 1}
		er = append(er, rockRidge+rockRidgeWords+rockRidgeSource...)
		er[2] = byte(len(er))
		all = append(all, er)
	}
	if id == "\x00" || id == "\x01" {
		return all
	}
	// Section 4.1.4: a name of 255 bytes takes two fields.
	const most = 250
	for name := n.name; name != ""; {
		part := name[:min(len(name), most)]
		name = name[len(part):]
		flags := byte(0)
		if name != "" {
			flags = 1
		}
		all = append(all, append([]byte{'N', 'M', byte(5 + len(part)), 1, flags}, part...))
	}
	return all
}
