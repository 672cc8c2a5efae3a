package burned

import (
	"cmp"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/digest"
	"firmus/replicas/optical"
	"firmus/replicas/optical/discfs"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// strongest orders digests by what they prove.
var strongest = []fixity.Algorithm{fixity.BLAKE3, fixity.SHA256, fixity.SHA512, fixity.SHA384, fixity.SHA224, fixity.SHA1, fixity.MD5}

// best is the strongest digest that is known of a file; zero if there is none.
func best(f File) fixity.Digest {
	for _, a := range strongest {
		for _, d := range f.Digests {
			if d.Algorithm == a {
				return d
			}
		}
	}
	return fixity.Digest{}
}

func algorithms(wanted []File) (list []fixity.Algorithm) {
	for _, f := range wanted {
		if a := best(f).Algorithm; a != "" && !slices.Contains(list, a) {
			list = append(list, a)
		}
	}
	if len(list) == 0 {
		list = append(list, fixity.BLAKE3)
	}
	return list
}

// reading is what was read of one file.
type reading struct {
	sums digest.Sums    // of zeros where nothing was read
	bad  []fixity.Range // what wasn't, joined
}

// lacks says that some of block i wasn't read.
func (r reading) lacks(i int) bool {
	at := int64(i) * digest.BlockSize
	k, _ := slices.BinarySearchFunc(r.bad, at, func(x fixity.Range, at int64) int { return cmp.Compare(x.Offset+x.Length-1, at) })
	return k < len(r.bad) && r.bad[k].Offset < at+digest.BlockSize
}

// readFile reads a file once. The error is one that ends the check.
func (d *dataCheck) readFile(t *tree, f discfs.File) (reading, error) {
	sum, err := digest.NewSum(d.algs...)
	if err != nil {
		return reading{}, err
	}
	r := t.Reader(f)
	var out reading
	if d.buf == nil {
		d.buf = make([]byte, 1<<20)
	}
	for off := int64(0); off < f.Size; {
		if err := d.ctx.Err(); err != nil {
			return reading{}, err
		}
		b := d.buf[:min(int64(len(d.buf)), f.Size-off)]
		n, err := r.ReadAt(b, off)
		if n == len(b) {
			err = nil
		}
		if err != nil && (broken(err) || !errors.Is(err, fixity.ErrUnreadable)) {
			return reading{}, fmt.Errorf("read %q on the disc: %w", f.Path, err)
		}
		_, _ = sum.Write(b[:n]) // never fails
		off += int64(n)
		if err == nil {
			continue
		}
		lost := rest(f, off)
		_, _ = sum.Write(nought[:lost])
		out.bad = appendRange(out.bad, fixity.Range{Offset: off, Length: lost})
		off += lost
	}
	out.sums = sum.Sums()
	return out, nil
}

var nought [discfs.SectorSize]byte

// rest is the bytes of a file from off on that lie in the same sector.
func rest(f discfs.File, off int64) int64 {
	at := int64(0)
	for _, e := range f.Extents {
		if off < at+e.Bytes {
			return min(discfs.SectorSize-(e.Skip+off-at)%discfs.SectorSize, at+e.Bytes-off)
		}
		at += e.Bytes
	}
	return min(discfs.SectorSize, f.Size-off)
}

// appendRange adds a range behind the last one, or to it.
func appendRange(list []fixity.Range, r fixity.Range) []fixity.Range {
	if k := len(list) - 1; k >= 0 && list[k].Offset+list[k].Length == r.Offset {
		list[k].Length += r.Length
		return list
	}
	return append(list, r)
}

// judge says what the disc holds of a wanted file, by a reading of the file that has
// its name; k is its index in wanted.
func (d *dataCheck) judge(t *tree, f discfs.File, k int, r reading) (Held, error) {
	w, base := d.wanted[k], d.baseOf(k)
	h := Held{Name: w.Name, At: f.Path, LBA: lba(f)}
	var differ []int
	same := 0
	for i, s := range r.sums.Blocks {
		switch {
		case r.lacks(i), base != nil && base.unknown(i):
		case i < len(w.Blocks) && w.Blocks[i] == s:
			same++
		case w.Blocks != nil:
			differ = append(differ, i)
		}
	}
	want := best(w)
	got, _ := r.sums.Get(want.Algorithm)
	sized := w.Size < 0 || w.Size == f.Size
	switch {
	case len(r.bad) == 0 && sized && !want.IsZero() && got == want:
		h.State = fixity.Intact
		return h, nil
	case len(r.bad) == 0 && sized && want.IsZero():
		if len(differ) > 0 {
			break
		}
		if base == nil || same == 0 {
			d.r.NotCompared++
			h.Cause = CauseNotCompared
			return h, nil
		}
		// Of what was known before nothing differs, by block sums alone.
		h.State, h.Weaker, h.Cause = fixity.Intact, true, CausePartly
		return h, nil
	case len(r.bad) > 0 && sized && len(differ) == 0:
		h.State = fixity.Unreadable
		h.Ranges, h.More = bounded(r.bad)
		if d.behind(f) {
			h.Cause = CauseShorter
		}
		return h, nil
	}
	// Bytes were read well and are others: that needs a second reading of the drive.
	steady, err := d.again(t, f, differ, r)
	if err != nil {
		return h, err
	}
	if h.State = fixity.Altered; !steady {
		h.State = fixity.Unsteady
		return h, nil
	}
	// One block that differs may be one bit: where its size is right that says nothing.
	if same == 0 && (!sized || len(w.Blocks) > 1) {
		d.unrelated++
	}
	if len(r.bad) == 0 {
		h.Got, h.Blocks = r.sums.Digests, r.sums.Blocks
	}
	x, err := d.exactly(t, f, w, differ, r)
	if err != nil {
		return h, err
	}
	if w.Blocks != nil && w.Size > f.Size { // what is lacking
		x.ranges = appendRange(x.ranges, fixity.Range{Offset: f.Size, Length: w.Size - f.Size})
	}
	if len(r.bad) > 0 {
		x.ranges = union(x.ranges, r.bad)
	}
	h.Ranges, h.More = bounded(x.ranges)
	x.ranges, h.More = nil, h.More || x.more
	if d.differ == nil {
		d.differ = make([]differing, len(d.wanted))
	}
	d.differ[k] = x
	return h, nil
}

// again reads blocks of a file from the drive once more, all if differ is empty, and
// says that they are what they were.
func (d *dataCheck) again(t *tree, f discfs.File, differ []int, r reading) (bool, error) {
	if !d.d.Drive() {
		return true, nil // an image doesn't wear, and isn't misread
	}
	if d.src.only {
		return false, nil
	}
	if len(differ) == 0 {
		for i := range r.sums.Blocks {
			differ = append(differ, i)
		}
	}
	defer d.src.again()()
	file := t.Reader(f)
	for _, i := range differ {
		if r.lacks(i) {
			continue
		}
		at := int64(i) * digest.BlockSize
		b := d.buf[:min(digest.BlockSize, f.Size-at)]
		if n, err := file.ReadAt(b, at); n < len(b) {
			if broken(err) {
				return false, err
			}
			return false, nil
		}
		if crc32.Checksum(b, castagnoli) != r.sums.Blocks[i] {
			return false, nil
		}
	}
	return true, nil
}

// bounded is at most fixity.MaxRanges of a list.
func bounded(list []fixity.Range) ([]fixity.Range, bool) {
	if len(list) > fixity.MaxRanges {
		return list[:fixity.MaxRanges], true
	}
	return list, false
}

// union joins two ascending lists.
func union(a, b []fixity.Range) []fixity.Range {
	all := slices.Concat(a, b)
	slices.SortFunc(all, func(x, y fixity.Range) int { return cmp.Compare(x.Offset, y.Offset) })
	var out []fixity.Range
	for _, r := range all {
		if k := len(out) - 1; k >= 0 && out[k].Offset+out[k].Length >= r.Offset {
			out[k].Length = max(out[k].Length, r.Offset+r.Length-out[k].Offset)
			continue
		}
		out = append(out, r)
	}
	return out
}

// lba is where a file's first byte lies, -1 if it has none on the disc.
func lba(f discfs.File) int64 {
	for _, e := range f.Extents {
		if e.LBA != discfs.Hole {
			return e.LBA
		}
	}
	return -1
}

// behind says that some of a file lies behind the disc's end.
func (d *dataCheck) behind(f discfs.File) bool {
	end := dataEnd(d.contents)
	for _, e := range f.Extents {
		if e.LBA != discfs.Hole && e.LBA+e.Blocks() > end {
			return true
		}
	}
	return false
}

// differing is where a file on the disc differs from what was burned.
type differing struct {
	tree   *tree
	file   discfs.File
	ranges []fixity.Range // of its bytes; a few more than a finding holds, and then more is set
	more   bool
	rows   []optical.Range // its sectors, all of them, in the order of its bytes
	blocks bool            // some are there for a whole 64 KiB in which something differs
}

// exactly says where the blocks of a file differ that do: by the bytes of a copy at hand,
// or else as whole blocks.
func (d *dataCheck) exactly(t *tree, f discfs.File, w File, differ []int, r reading) (differing, error) {
	x := differing{tree: t, file: f}
	var copied io.ReaderAt
	if w.Copy != nil && len(differ) > 0 {
		var err error
		if copied, err = w.Copy(); err != nil {
			return x, err
		}
	}
	want, got := make([]byte, digest.BlockSize), make([]byte, digest.BlockSize)
	disc := t.Reader(f)
	for _, i := range differ {
		if err := d.ctx.Err(); err != nil {
			return x, err
		}
		at := int64(i) * digest.BlockSize
		end := min(at+digest.BlockSize, f.Size)
		a, b := want[:max(0, min(digest.BlockSize, w.Size-at))], got[:end-at]
		if copied == nil || i >= len(w.Blocks) || !isBlock(copied, a, at, w.Blocks[i]) || !isBlock(disc, b, at, r.sums.Blocks[i]) {
			x.add(fixity.Range{Offset: at, Length: end - at})
			x.blocks = true
			continue
		}
		n := min(len(a), len(b))
		for _, y := range damage.Between(at, a[:n], b[:n]) {
			x.add(y)
		}
		if len(b) > n {
			x.add(fixity.Range{Offset: at + int64(n), Length: int64(len(b) - n)})
		}
	}
	return x, nil
}

// isBlock reads a block and says that it has its sum.
func isBlock(r io.ReaderAt, b []byte, at int64, sum uint32) bool {
	n, _ := r.ReadAt(b, at)
	return n == len(b) && crc32.Checksum(b, castagnoli) == sum
}

// add takes bytes that differ, behind those before.
func (x *differing) add(r fixity.Range) {
	if len(x.ranges) <= fixity.MaxRanges {
		x.ranges = appendRange(x.ranges, r)
	} else {
		x.more = true
	}
	at := int64(0)
	for _, e := range x.file.Extents {
		from, to := max(r.Offset, at), min(r.Offset+r.Length, at+e.Bytes)
		if from < to && e.LBA != discfs.Hole {
			first := e.LBA + (e.Skip+from-at)/discfs.SectorSize
			last := e.LBA + (e.Skip+to-1-at)/discfs.SectorSize
			if k := len(x.rows) - 1; k >= 0 && x.rows[k].LBA <= first && first < x.rows[k].LBA+x.rows[k].Count {
				first = x.rows[k].LBA + x.rows[k].Count // that one is there
			}
			if first <= last {
				x.rows = appendRows(x.rows, first, last-first+1)
			}
		}
		at += e.Bytes
	}
}

// listDiffering tells of the sectors in which the files differ that are altered now that
// all was looked for. Files may share sectors: none is told twice.
func (d *dataCheck) listDiffering() {
	told := newBits(d.contents.LeadOut)
	for k, x := range d.differ {
		if d.r.Files[d.want[k]].State != fixity.Altered {
			continue
		}
		d.r.InBlocks = d.r.InBlocks || x.blocks
		for _, row := range x.rows {
			for lba := row.LBA; lba < row.LBA+row.Count; {
				end := lba + 1
				for end < row.LBA+row.Count && told.has(end) == told.has(lba) {
					end++
				}
				if !told.has(lba) {
					kind, of := x.tree.Attribute(lba)
					d.differing(Sectors{LBA: lba, Count: end - lba, Kind: kind, Of: ownFirst(of, x.file.Path)})
					told.fill(lba, end)
				}
				lba = end
			}
		}
	}
}

// ownFirst is places with those of one file first: sectors may be of several.
func ownFirst(of []discfs.Place, path string) []discfs.Place {
	return slices.SortedStableFunc(slices.Values(of), func(a, b discfs.Place) int {
		return cmp.Compare(btoi(a.Path != path), btoi(b.Path != path))
	})
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}
