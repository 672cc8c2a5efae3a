package burned

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/optical"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
)

// Sought is a file of which the bytes are wanted that a disc holds.
type Sought struct {
	File
	// Of a file that was burned as sound (File.Audio), in 16 bits, stereo, at 44.1 kHz: where
	// its samples lie in it, in bytes.
	SamplesAt, SamplesLength int64
	HighFirst                bool // the high byte of its samples comes first, as in AIFF
}

// Gathered is what a disc gave of a file.
type Gathered struct {
	Found bool           // it was found there, by its name or by its blocks
	Lacks []fixity.Range // bytes that it didn't give, in order; all if it wasn't found
}

// Gather reads what a disc holds of some files, as far as it can be read, and writes it
// to into(i) at its place in the file; into is called for files that were found only. A
// file of data is found by its name, else by its block sums; sound by block sums alone.
// What it gives isn't proved: sectors that the drive doubts are there as well. Of sound
// that begins before what a drive reads, or ends behind it, silence is given.
//
// Sectors that don't read are tried again, at last at the drive's lowest speed; of files
// that are found by their names no others are read. The error is what broke the reading off, or of into.
func Gather(ctx context.Context, d *optical.Disc, files []Sought, o Options, into func(i int) (io.WriterAt, error)) ([]Gathered, error) {
	c := &check{ctx: ctx, d: d, o: o, contents: d.Contents()}
	out := make([]Gathered, len(files))
	for i, f := range files {
		out[i].Lacks = []fixity.Range{{Offset: 0, Length: f.Size}}
	}
	var err error
	if c.src, err = newSectors(ctx, d, o.Spool); err != nil {
		c.r.Problems = append(c.r.Problems, err) // they are read a second time
	}
	defer c.src.close()
	g := &gathering{check: c, files: files, rows: make([][]fileRow, len(files)), kinds: make([]int, len(files))}
	for i, f := range files {
		g.kinds[i] = kind(c.sound(f.File))
	}
	if err := g.byName(); err != nil {
		return out, err
	}
	if err := g.read(); err != nil {
		return out, err
	}
	if another, err := g.another(); err != nil {
		return out, err
	} else if another && g.extents {
		g.extents = false
		if err := g.read(); err != nil {
			return out, err
		}
	}
	for _, k := range []int{ofData, ofSound} {
		if err := g.byBlocks(k); err != nil {
			return out, err
		}
	}
	for i := range files {
		if g.rows[i] == nil {
			continue
		}
		w, err := into(i)
		if err != nil {
			return out, err
		}
		out[i].Found = true
		if out[i].Lacks, err = g.copyTo(w, i); err != nil {
			return out, err
		}
	}
	return out, c.src.gone
}

// gathering is one call of Gather.
type gathering struct {
	*check
	files []Sought
	kinds []int       // of sectors, by file
	rows  [][]fileRow // by file; nil: not found
	// extents says that all rows are known before the disc is read.
	extents bool
	seen    *optical.Map // of the sectors that were read
}

// fileRow is a row of a file's bytes and where it lies among the sectors of its kind.
type fileRow struct{ at, length, from int64 }

// byName finds the files of data in the trees of the disc.
func (g *gathering) byName() error {
	var left []int
	for i := range g.files {
		if g.kinds[i] == ofData {
			left = append(left, i)
		}
	}
	if len(left) == 0 {
		return nil
	}
	list, flaws := views(g.src.reader(false), g.contents)
	for _, err := range flaws {
		if broken(err) {
			return err
		}
	}
	for _, v := range list {
		t, err := v.read(g.ctx)
		if err != nil && broken(err) {
			return err
		}
		if err != nil || len(left) == 0 {
			continue
		}
		var wanted []File
		for _, i := range left {
			wanted = append(wanted, g.files[i].File)
		}
		p := pair(wanted, t.files)
		left = slices.DeleteFunc(left, func(i int) bool {
			j := p.of[0]
			p.of = p.of[1:]
			if j < 0 || t.files[j].Size != g.files[i].Size {
				return false
			}
			g.rows[i] = rowsOf(t.files[j])
			return true
		})
	}
	g.extents = len(left) == 0
	return nil
}

func rowsOf(f discfs.File) []fileRow {
	out := []fileRow{}
	at := int64(0)
	for _, e := range f.Extents {
		if e.LBA != discfs.Hole {
			out = append(out, fileRow{at, e.Bytes, e.LBA*discfs.SectorSize + e.Skip})
		}
		at += e.Bytes
	}
	return out
}

// read reads the sectors that are needed.
func (g *gathering) read() error {
	var only []optical.Range
	if g.extents {
		for _, rows := range g.rows {
			for _, r := range rows {
				first := r.from / discfs.SectorSize
				only = append(only, optical.Range{LBA: first, Count: (r.from+r.length+discfs.SectorSize-1)/discfs.SectorSize - first})
			}
		}
	}
	for _, a := range g.contents.Areas() {
		if slices.Contains(g.kinds, kind(a.Audio)) && (a.Audio || !g.extents) {
			only = append(only, optical.Range{LBA: a.LBA, Count: a.Count})
		}
	}
	slices.SortFunc(only, func(a, b optical.Range) int { return int(a.LBA - b.LBA) })
	co := optical.CheckOptions{Fresh: g.o.Fresh, Only: append([]optical.Range{}, only...), Map: g.seen, Now: g.o.Now, Stall: g.o.Stall}
	if g.o.Progress != nil {
		needed := int64(0)
		for _, r := range only {
			needed += r.Count
		}
		co.Progress = func(p optical.Progress) { // of what is needed
			p.Counts.Sectors, p.Counts.Untried = needed, needed-(p.Counts.Sectors-p.Counts.Untried)
			g.o.Progress(p)
		}
	}
	if g.src.spool != nil {
		co.Data, co.Audio = g.src.writer(false), g.src.writer(true)
	}
	res, err := g.d.Check(g.ctx, co)
	g.seen = res.Map
	if err != nil && !errors.Is(err, optical.ErrStalled) {
		return err
	}
	g.src.known, g.src.only = true, err != nil && g.src.spool != nil
	for r := range res.Map.Runs() {
		if r.State == optical.Failed || r.State == optical.Unreadable {
			g.src.bad.fill(r.LBA, r.LBA+r.Count)
		}
	}
	return nil
}

// another says that a file which was found by its name has no block of what was burned: it
// is another one, and isn't found so.
func (g *gathering) another() (found bool, err error) {
	buf := make([]byte, digest.BlockSize)
	for i, f := range g.files {
		if g.kinds[i] != ofData || g.rows[i] == nil || len(f.Blocks) == 0 {
			continue
		}
		in, read, same := g.linear(i), 0, 0
		for n := 0; n < len(f.Blocks) && same == 0; n++ {
			b := buf[:min(digest.BlockSize, f.Size-int64(n)*digest.BlockSize)]
			got, err := in.ReadAt(b, int64(n)*digest.BlockSize)
			switch {
			case broken(err):
				return found, err
			case got < len(b):
				continue
			case crc32.Checksum(b, castagnoli) == f.Blocks[n]:
				same++
			}
			read++
		}
		if read > 0 && same == 0 {
			g.rows[i], found = nil, true
		}
	}
	return found, nil
}

// linear gives a file's bytes by its rows.
func (g *gathering) linear(i int) io.ReaderAt {
	return rowReader{g.rows[i], g.src.reader(g.kinds[i] == ofSound)}
}

type rowReader struct {
	rows []fileRow
	in   io.ReaderAt
}

func (r rowReader) ReadAt(p []byte, off int64) (n int, err error) {
	for _, x := range r.rows {
		at := off + int64(n)
		if n == len(p) || at < x.at {
			break
		}
		if at >= x.at+x.length {
			continue
		}
		got, err := r.in.ReadAt(p[n:min(int64(len(p)), int64(n)+x.at+x.length-at)], x.from+at-x.at)
		if n += got; err != nil && err != io.EOF {
			return n, err
		}
	}
	if n < len(p) {
		err = io.ErrUnexpectedEOF
	}
	return n, err
}

// block is a block of 64 KiB of a file.
type block struct{ file, at int64 }

// byBlocks finds the files of a kind that weren't found yet by where blocks of theirs lie.
func (g *gathering) byBlocks(k int) error {
	for _, swap := range []bool{false, true} {
		sums := map[uint32][]block{}
		seen := map[int64]map[uint32]bool{}
		for i, f := range g.files {
			if g.kinds[i] != k || g.rows[i] != nil || k == ofSound && f.HighFirst != swap || k == ofData && swap {
				continue
			}
			from, to := int64(0), f.Size
			if k == ofSound {
				from, to = f.SamplesAt, f.SamplesAt+f.SamplesLength
			}
			seen[int64(i)] = map[uint32]bool{silentBlock: true} // silence is everywhere
			for n, sum := range f.Blocks {
				at := int64(n) * digest.BlockSize
				if at < from || at+digest.BlockSize > to || seen[int64(i)][sum] {
					continue
				}
				seen[int64(i)][sum] = true
				sums[sum] = append(sums[sum], block{int64(i), at})
			}
		}
		if len(sums) == 0 {
			continue
		}
		votes, err := g.find(k, sums, swap)
		if err != nil {
			return err
		}
		for i, where := range votes {
			best, most := int64(0), 0
			for start, n := range where {
				if n > most {
					best, most = start, n
				}
			}
			// One block alone may have another's sum by chance.
			if most < min(2, len(seen[i])-1) {
				continue
			}
			f := g.files[i]
			if k == ofData {
				g.rows[i] = []fileRow{{0, f.Size, best}}
			} else {
				g.rows[i] = []fileRow{{f.SamplesAt, f.SamplesLength, best + f.SamplesAt}}
			}
		}
	}
	return nil
}

// mostVotes bounds the places that are noted of one file.
const mostVotes = 1 << 18

// find goes over all sectors of a kind, and says for each file how many of its blocks lie
// where it would begin at some byte of them.
func (g *gathering) find(k int, sums map[uint32][]block, swap bool) (map[int64]map[int64]int, error) {
	out := map[int64]map[int64]int{}
	for _, s := range sums {
		for _, b := range s {
			out[b.file] = map[int64]int{}
		}
	}
	roll := newRolling(sums)
	part, size := g.src.parts[k], sizes[k]
	at, in := part.first*size, g.src.reader(k == ofSound)
	buf := make([]byte, 64*size)
	for end := part.end * size; at < end; {
		if err := g.ctx.Err(); err != nil {
			return nil, context.Cause(g.ctx)
		}
		b := buf[:min(int64(len(buf)), end-at)]
		n, err := in.ReadAt(b, at)
		if broken(err) {
			return nil, err
		}
		n -= n % int(size)
		if swap {
			for i := 0; i < n; i += 2 {
				b[i], b[i+1] = b[i+1], b[i]
			}
		}
		roll.write(b[:n], func(sum uint32, end int64) {
			start := at + end - digest.BlockSize
			for _, x := range sums[sum] {
				begins := start - x.at
				fits := begins%discfs.SectorSize == 0
				if k == ofSound {
					fits = (begins+g.files[x.file].SamplesAt)%cdda.SampleBytes == 0
				}
				if fits && len(out[x.file]) < mostVotes {
					out[x.file][begins]++
				}
			}
		})
		if at += int64(n); n < len(b) {
			at += size // it can't be read: no block lies across it
			roll.reset()
		}
	}
	return out, nil
}

// copyTo writes what can be read of a file, and gives the rest.
func (g *gathering) copyTo(w io.WriterAt, i int) (lacks []fixity.Range, err error) {
	f, k := g.files[i], g.kinds[i]
	in, part, size := g.src.reader(k == ofSound), g.src.parts[k], sizes[k]
	buf := make([]byte, 64*size)
	lack := func(from, to int64) {
		if from < to {
			lacks = appendRange(lacks, fixity.Range{Offset: from, Length: to - from})
		}
	}
	done := int64(0) // bytes of the file that were dealt with
	for _, r := range g.rows[i] {
		lack(done, r.at)
		for off := int64(0); off < r.length; {
			if g.ctx.Err() != nil {
				return nil, context.Cause(g.ctx)
			}
			at, b := r.from+off, buf[:min(int64(len(buf)), r.length-off)]
			n := 0
			switch begin, end := part.first*size, part.end*size; {
			case k == ofSound && at < begin:
				n = int(min(int64(len(b)), begin-at))
				clear(b[:n])
			case k == ofSound && at >= end:
				n = len(b)
				clear(b)
			default:
				n, err = in.ReadAt(b[:min(int64(len(b)), max(end-at, 0))], at)
			}
			if broken(err) {
				return nil, fmt.Errorf("read the disc: %w", err)
			}
			if f.HighFirst {
				n -= n % 2
				for j := 0; j < n; j += 2 {
					b[j], b[j+1] = b[j+1], b[j]
				}
			}
			if _, err := w.WriteAt(b[:n], r.at+off); err != nil {
				return nil, err
			}
			if off += int64(n); n > 0 || off == r.length {
				continue // what comes next may be read yet
			}
			next := min(r.length, off+size-(r.from+off)%size)
			lack(r.at+off, r.at+next)
			off = next
		}
		done = r.at + r.length
	}
	lack(done, f.Size)
	return lacks, nil
}
