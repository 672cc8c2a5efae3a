package discfs

import (
	"fmt"
	"io"
	"iter"
	"sort"

	"firmus/fixity"
)

// Tree is one view of a disc. It can be used by several goroutines if the reader
// under it can.
type Tree struct {
	r     io.ReaderAt
	size  int64
	files []File
	index *index
	err   error
}

// Files gives the files by the bytes of their paths. The sequence ends with one
// error, and a File to be ignored, unless all of the tree could be seen: it wraps
// fixity.ErrIncomplete and what was wrong. What could be seen has been given
// before it.
func (t *Tree) Files() iter.Seq2[File, error] {
	return func(yield func(File, error) bool) {
		for _, f := range t.files {
			if !yield(f, nil) {
				return
			}
		}
		if t.err != nil {
			yield(File{}, t.err)
		}
	}
}

// Find gives the file at a path.
func (t *Tree) Find(path string) (File, bool) {
	i := sort.Search(len(t.files), func(i int) bool { return t.files[i].Path >= path })
	if i == len(t.files) || t.files[i].Path != path {
		return File{}, false
	}
	return t.files[i], true
}

// Reader gives the bytes of a file. An error of the disc is given with the sector
// that the read began in; bytes that should lie behind the disc's end give
// fixity.ErrUnreadable. What was read before the error is right.
func (t *Tree) Reader(f File) *io.SectionReader {
	x := &extents{r: t.r, size: t.size, list: f.Extents, ends: make([]int64, len(f.Extents))}
	at := int64(0)
	for i, e := range f.Extents {
		at += e.Bytes
		x.ends[i] = at
	}
	return io.NewSectionReader(x, 0, at)
}

// extents is a file's bytes; ends are the offsets behind each extent.
type extents struct {
	r    io.ReaderAt
	size int64
	list []Extent
	ends []int64
}

func (x *extents) ReadAt(p []byte, off int64) (int, error) {
	i := sort.Search(len(x.ends), func(i int) bool { return x.ends[i] > off })
	n := 0
	for ; n < len(p) && i < len(x.list); i++ {
		e := x.list[i]
		in := off + int64(n) - (x.ends[i] - e.Bytes)
		q := p[n:min(len(p), n+int(min(e.Bytes-in, int64(len(p)-n))))]
		if e.LBA == Hole {
			clear(q)
			n += len(q)
			continue
		}
		k, err := ReadAt(x.r, x.size, q, e.LBA*SectorSize+e.Skip+in)
		n += k
		if err != nil {
			return n, err
		}
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// ReadAt fills p from a disc of size bytes. What lies behind the disc's end is
// fixity.ErrUnreadable, never io.EOF: on a disc that is cut short a file's end is
// lacking, it isn't shorter.
func ReadAt(r io.ReaderAt, size int64, p []byte, off int64) (int, error) {
	want := len(p)
	if rest := size - off; int64(len(p)) > rest {
		p = p[:max(rest, 0)]
	}
	n := 0
	var err error
	if len(p) > 0 {
		n, err = r.ReadAt(p, off)
	}
	switch {
	case n == want:
		return n, nil
	case n == len(p) || err == io.EOF:
		return n, fmt.Errorf("sector %d lies behind the disc's end: %w", (off+int64(n))/SectorSize, fixity.ErrUnreadable)
	case err == nil:
		err = io.ErrNoProgress
	}
	return n, fmt.Errorf("read from sector %d: %w", off/SectorSize, err)
}
