package burned

import (
	"cmp"
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

// IdentifySectors is the most sectors that Identify reads, but for the directories of a
// data disc with so many files that they take more.
const IdentifySectors = 50

// probes is how many files of a disc Identify looks into, at 64 KiB in the middle: files
// of other discs may have their sizes, and names that begin alike. Where those are other
// bytes it looks at two places more: they may be damaged.
const probes = 2

// DirectorySectors is the most sectors that Identify reads of a data disc.
const DirectorySectors = 4000

// Known is a disc that this one may be.
type Known struct {
	ID    int64 // the caller's
	Kind  optical.Kind
	TOC   string // optical.Contents.ID as it was seen at an earlier check; "" if it never was
	Files []File
	// Blocks gives the Blocks of a file by its index, when they are needed; nil: they are
	// in Files.
	Blocks   func(file int) ([]uint32, error)
	Baseline *Baseline

	found int // files that a tree has
}

// How a disc was recognised.
type How string

// Ways to recognise a disc, the surest first.
const (
	BySound   How = "sound"   // stretches of the sources lie on it
	ByFiles   How = "files"   // all files have the names and sizes that were burned
	ByTOC     How = "toc"     // its table of contents
	ByLengths How = "lengths" // its tracks are as long as the sources
	BySome    How = "some"    // half of the files or more have the names and sizes
)

var surest = []How{BySound, ByFiles, ByTOC, ByLengths, BySome}

// Match is a known disc that this one may be.
type Match struct {
	ID   int64
	Sure bool // by its contents; its table of contents may be another disc's as well
	How  How
}

// Identify says which of the known discs this may be, the likeliest first. Twins
// can't be told apart: each is given. It reads IdentifySectors at most; what can't be
// said with them isn't. An error is of the drive, of ctx or of a source.
func Identify(ctx context.Context, d *optical.Disc, known []Known) ([]Match, error) {
	out, all, err := some(ctx, d, known, IdentifySectors)
	if err == nil && !all && d.Contents().Kind == optical.Data && len(known) > 0 {
		out, _, err = some(ctx, d, known, DirectorySectors)
	}
	return out, err
}

// some identifies a disc with so many sectors; all says that they were enough.
func some(ctx context.Context, d *optical.Disc, known []Known, sectors int) (out []Match, all bool, err error) {
	x := &identify{ctx: ctx, contents: d.Contents(), left: sectors}
	x.data = &few{x: x, r: d.Data(ctx), size: discfs.SectorSize, kept: map[int64][]byte{}}
	x.audio = &few{x: x, r: d.Audio(ctx), size: cdda.SectorBytes, kept: map[int64][]byte{}}
	most := 0 // files of one that is sure
	files := map[int64]int{}
	for _, k := range known {
		m, err := x.match(&k)
		if err != nil {
			return nil, false, fmt.Errorf("identify disc: %w", err)
		}
		if m.How != "" {
			out = append(out, m)
		}
		if m.How == ByFiles && m.Sure {
			files[m.ID] = k.found
			most = max(most, k.found)
		}
	}
	// One that has some of this disc's files is another disc.
	out = slices.DeleteFunc(out, func(m Match) bool { return m.How == ByFiles && m.Sure && files[m.ID] < most })
	slices.SortStableFunc(out, func(a, b Match) int { return slices.Index(surest, a.How) - slices.Index(surest, b.How) })
	return out, !x.short, nil
}

type identify struct {
	ctx         context.Context // of that call
	contents    optical.Contents
	left        int
	short       bool // there were too few
	looked      bool // into files: there are more sectors left for that
	data, audio *few
	trees       []*tree
	seen        bool    // the views are known
	views       []view  // that weren't read yet
	at          []int64 // places of the sound that were read; nil: none was tried
}

func (x *identify) match(k *Known) (Match, error) {
	m := Match{ID: k.ID}
	c := &check{contents: x.contents, w: Want{Kind: k.Kind}}
	if !c.kindFits() {
		return m, nil
	}
	if k.TOC != "" && k.TOC == x.contents.ID() {
		m.How = ByTOC
	}
	if x.contents.Kind != optical.Audio && k.Kind != optical.Audio {
		if err := x.byFiles(k, &m); err != nil {
			return m, err
		}
	}
	if x.contents.Kind != optical.Data && k.Kind != optical.Data && !m.Sure {
		if err := x.bySound(*k, &m); err != nil {
			return m, err
		}
	}
	return m, nil
}

// byFiles compares names and sizes, and looks into some of the files.
func (x *identify) byFiles(k *Known, m *Match) error {
	wanted, sums := k.Files, k.Blocks
	if sums == nil {
		sums = func(i int) ([]uint32, error) { return wanted[i].Blocks, nil }
	}
	if len(wanted) == 0 && k.Baseline != nil {
		for _, b := range k.Baseline.Files {
			wanted = append(wanted, File{Name: b.Path, Size: b.Size})
			sums = func(int) ([]uint32, error) { return nil, nil }
		}
	}
	if k.Kind == optical.Mixed {
		wanted = slices.DeleteFunc(slices.Clone(wanted), func(f File) bool { return f.Audio || f.Sound != nil })
		sums = func(i int) ([]uint32, error) { return wanted[i].Blocks, nil }
	}
	if len(wanted) == 0 {
		return nil
	}
	var best pairing
	var in *tree
	for i := 0; best.same < len(wanted); i++ {
		t, err := x.tree(i)
		if err != nil {
			return err
		}
		if t == nil {
			break
		}
		if p := pair(wanted, t.files); p.better(best) {
			best, in = p, t
		}
	}
	if best.same == len(wanted) {
		k.found = best.same
		same, other, err := x.holds(in, best, sums)
		switch {
		case err != nil:
			return err
		case same, !other && !best.cut:
			m.How, m.Sure = ByFiles, true
			return nil
		case best.cut:
			return nil // what is left of its names says nothing
		}
	}
	switch {
	case m.How == "" && 2*best.same >= len(wanted):
		m.How = BySome
	}
	return nil
}

// holds looks into the largest files of a tree that are paired with wanted ones: whether
// one holds what was burned, and one something else.
func (x *identify) holds(t *tree, p pairing, sums func(int) ([]uint32, error)) (same, other bool, err error) {
	if !x.looked {
		x.looked = true
		x.left += 3 * probes * (digest.BlockSize/discfs.SectorSize + 1)
	}
	order := make([]int, len(p.of))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(t.files[p.of[b]].Size, t.files[p.of[a]].Size), cmp.Compare(p.of[a], p.of[b]))
	})
	b := make([]byte, digest.BlockSize)
	for _, i := range order[:min(len(order), probes)] {
		f := t.files[p.of[i]]
		blocks, err := sums(i)
		if err != nil {
			return false, false, err
		}
		if f.Size == 0 || len(blocks) == 0 {
			continue
		}
		n := int64(len(blocks))
		for _, at := range slices.Compact([]int64{n / 2, n / 4, 3 * n / 4}) {
			b := b[:max(0, min(digest.BlockSize, f.Size-at*digest.BlockSize))]
			got, err := t.Reader(f).ReadAt(b, at*digest.BlockSize)
			switch {
			case got < len(b) && broken(err):
				return false, false, err
			case got < len(b) || len(b) == 0:
				continue
			case crc32.Checksum(b, castagnoli) == blocks[at]:
				return true, other, nil
			}
			other = true
		}
	}
	return false, other, nil
}

// tree reads the directories of one view after the other, each once, as long as there are
// sectors left to read: a tree may be damaged, and the next lead to all files. nil: there
// are no more.
func (x *identify) tree(i int) (*tree, error) {
	if !x.seen {
		x.seen = true
		list, errs := views(x.data, x.contents)
		for _, err := range errs {
			if broken(err) {
				return nil, err
			}
		}
		x.views = list
	}
	for i >= len(x.trees) && len(x.views) > 0 {
		v := x.views[0]
		x.views = x.views[1:]
		t, err := v.read(x.ctx)
		if err == nil && t.err != nil && broken(t.err) {
			err = t.err
		}
		switch {
		case err == nil:
			x.trees = append(x.trees, t)
		case broken(err):
			return nil, err
		}
	}
	if i >= len(x.trees) {
		return nil, nil
	}
	return x.trees[i], nil
}

// bySound compares lengths, and then stretches of the sound.
func (x *identify) bySound(k Known, m *Match) error {
	d := discOf(x.contents, x.audio, nil)
	if x.contents.Kind == optical.Mixed && k.Kind != optical.Audio {
		k.Files = slices.DeleteFunc(slices.Clone(k.Files), func(f File) bool { return !f.Audio && f.Sound == nil })
	}
	var sources []cdda.Source
	fits := len(d.Tracks) == len(k.Files) && len(k.Files) > 0
	for i, f := range k.Files {
		n := f.Samples
		if s := f.Sound; s != nil {
			sources = append(sources, *s)
			if n = s.Samples; s.Format.Rate != 0 && s.Format.Rate != cdda.Rate {
				n = n * cdda.Rate / int64(s.Format.Rate)
			}
		}
		if !fits || n == 0 {
			fits = false
			continue
		}
		// A track ends with a whole sector, and perhaps with the pause before the next;
		// a length from a ledger is rounded.
		got := trackEnd(d, i) - d.Tracks[i].LBA
		want := (n + cdda.SectorSamples - 1) / cdda.SectorSamples
		fits = got >= want-1 && got <= want+cdda.Pause+1
	}
	if b := k.Baseline; len(k.Files) == 0 && b != nil && b.Sound != nil {
		fits = b.Sound.First == d.First && b.Sound.Sectors == d.Sectors
	}
	if m.How == "" && fits {
		m.How = ByLengths
	}
	if m.How == "" && len(sources) == 0 {
		return nil
	}
	var g cdda.Glance
	var err error
	switch {
	case len(k.Files) == 0 && k.Baseline != nil && k.Baseline.Sound != nil && fits:
		g, err = cdda.LookBaseline(x.ctx, d, *k.Baseline.Sound, places(d))
	case len(sources) == len(k.Files) && len(sources) > 0:
		if err := x.listen(d); err != nil {
			return err
		}
		g, err = cdda.Look(x.ctx, d, sources, x.at)
	default:
		return nil
	}
	switch {
	case errors.Is(err, errEnough) || errors.Is(err, fixity.ErrUnreadable) && !broken(err):
		return nil
	case err != nil:
		return err
	case g.Sure():
		m.How, m.Sure = BySound, true
	case g.Against():
		m.How = "" // its length is a chance, or its table of contents
	}
	return nil
}

// places are where the sound is looked at: the middle of the longest track first, in
// two or three tracks if there are so many.
func places(d cdda.Disc) (list []int64) {
	const most = IdentifySectors / (cdda.GlanceSectors + 1)
	n := min(most, max(1, int(d.Sectors/(2*cdda.GlanceSectors))))
	for k := range int64(n) {
		list = append(list, d.First+d.Sectors*(2*k+1)/(2*int64(n)))
	}
	return list
}

// listen reads the sound around the places once. Where a sector can't be read another
// place is taken, as long as there are sectors left to read.
func (x *identify) listen(d cdda.Disc) error {
	if x.at != nil {
		return nil
	}
	x.at = []int64{}
	b := make([]byte, cdda.GlanceSectors*cdda.SectorBytes)
	for _, p := range places(d) {
		for _, p := range []int64{p, p + 2*cdda.GlanceSectors} {
			first := max(p-cdda.GlanceSectors/2, d.First)
			n := min(cdda.GlanceSectors, d.First+d.Sectors-first)
			if n <= 0 {
				continue
			}
			_, err := d.PCM.ReadAt(b[:n*cdda.SectorBytes], (first-d.First)*cdda.SectorBytes)
			if err == nil {
				x.at = append(x.at, p)
				break
			}
			if broken(err) || !errors.Is(err, fixity.ErrUnreadable) {
				return err
			}
		}
	}
	return nil
}

var errEnough = fmt.Errorf("more sectors than are read to identify a disc: %w", fixity.ErrUnreadable)

// few reads sectors as long as there are some left to read, and keeps them.
type few struct {
	x    *identify
	r    io.ReaderAt
	size int64
	kept map[int64][]byte
}

func (f *few) ReadAt(p []byte, off int64) (int, error) {
	n := 0
	for n < len(p) {
		lba := (off + int64(n)) / f.size
		b, err := f.sector(lba, (off+int64(len(p))-1)/f.size)
		if err != nil {
			return n, err
		}
		n += copy(p[n:], b[(off+int64(n))-lba*f.size:])
	}
	return n, nil
}

// sector gives one, and reads those up to last that aren't kept together with it.
func (f *few) sector(lba, last int64) ([]byte, error) {
	if b, ok := f.kept[lba]; ok {
		return b, nil
	}
	count := int64(1)
	for lba+count <= last && f.kept[lba+count] == nil {
		count++
	}
	if count+1 > int64(f.x.left) { // a reader looks one further
		f.x.short = true
		return nil, errEnough
	}
	f.x.left -= int(count) + 1
	b := make([]byte, count*f.size)
	n, err := f.r.ReadAt(b, lba*f.size)
	if err != nil { // the row was tried, then each up to the bad one, and that twice more
		f.x.left -= n/int(f.size) + 2
	}
	for i := int64(0); (i+1)*f.size <= int64(n); i++ {
		f.kept[lba+i] = b[i*f.size : (i+1)*f.size]
	}
	if s, ok := f.kept[lba]; ok {
		return s, nil
	}
	if err == nil {
		err = io.ErrUnexpectedEOF
	}
	return nil, err
}
