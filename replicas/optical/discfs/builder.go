package discfs

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"firmus/fixity"
)

// Bounds of a tree. Beyond them an image is refused rather than held in memory: a
// full tree takes some 300 MiB. A DVD with more files than this has not been met.
const (
	MaxFiles       = 250_000
	MaxExtents     = 1_000_000
	MaxPathBytes   = 4096     // of one path, as PATH_MAX of Linux
	MaxDepth       = 255      // directories on one path
	MaxAllPaths    = 64 << 20 // bytes of all paths together
	MaxDirectories = 64 << 20 // bytes of all directories together
	maxWork        = 1 << 24  // see Spend
	maxProblems    = 100
	maxLBA         = 1 << 33 // beyond what 32 bits and a partition's start can say
)

var (
	// ErrNone: no file system of the kind lies there. It doesn't mean that the
	// disc is empty, or that it is sound.
	ErrNone = errors.New("no such file system")
	// ErrTooMuch: an image exceeds the bounds of a tree.
	ErrTooMuch = errors.New("more than is taken from a disc")
)

// Builder gathers a tree. Its methods keep the bounds; after ErrTooMuch the walk
// should end.
type Builder struct {
	r        io.ReaderAt
	size     int64
	files    []File
	spans    []span
	extents  int
	paths    int
	dirBytes int64
	work     int64
	problems []error
	more     int
}

// NewBuilder begins a tree of a disc of size bytes that is read through r.
func NewBuilder(r io.ReaderAt, size int64) *Builder {
	return &Builder{r: r, size: size}
}

// Join gives the path of a name in a directory ("" is the root), and an error if
// the name can't be one of a file: empty, "." or "..", with a slash or NUL in it,
// or when the path would be too long.
func Join(dir, name string) (string, error) {
	if name == "" || name == "." || name == ".." || strings.ContainsAny(name, "/\x00") {
		return "", fmt.Errorf("%q in %q can't be a name", name, dir)
	}
	if len(dir)+1+len(name) > MaxPathBytes {
		return "", fmt.Errorf("path of %d bytes in %.80q…: %w", len(dir)+1+len(name), dir, ErrTooMuch)
	}
	if dir == "" {
		return name, nil
	}
	return dir + "/" + name, nil
}

// Add takes one file. It is refused, and ErrTooMuch or another error given, when
// its extents overlap each other or don't add up to its size: no writer makes such
// a file, and reading it might never end.
func (b *Builder) Add(f File) error {
	b.extents += len(f.Extents)
	b.paths += len(f.Path)
	if len(b.files) >= MaxFiles || b.extents > MaxExtents || b.paths > MaxAllPaths {
		return ErrTooMuch
	}
	if err := b.sane(f); err != nil {
		return fmt.Errorf("%q: %w", f.Path, err)
	}
	b.files = append(b.files, f)
	return nil
}

func (b *Builder) sane(f File) error {
	var sum, holes int64
	for _, e := range f.Extents {
		if e.Bytes <= 0 || e.Skip < 0 || e.Skip >= SectorSize || (e.LBA < 0 && e.LBA != Hole) || e.LBA > maxLBA {
			return fmt.Errorf("bad extent %+v", e)
		}
		if e.LBA == Hole {
			holes += e.Bytes
		}
		sum += e.Bytes
		if sum < 0 {
			return errors.New("sizes overflow")
		}
	}
	if sum != f.Size {
		return fmt.Errorf("%d bytes in extents, %d by its size", sum, f.Size)
	}
	if holes > b.size {
		return fmt.Errorf("%d bytes that were never recorded, on a disc of %d", holes, b.size)
	}
	if len(f.Extents) < 2 {
		return nil
	}
	sorted := slices.Clone(f.Extents)
	slices.SortFunc(sorted, func(a, b Extent) int {
		return cmp.Compare(a.LBA*SectorSize+a.Skip, b.LBA*SectorSize+b.Skip)
	})
	for i, e := range sorted[1:] {
		p := sorted[i]
		if p.LBA != Hole && p.LBA*SectorSize+p.Skip+p.Bytes > e.LBA*SectorSize+e.Skip {
			return fmt.Errorf("extents overlap at sector %d", e.LBA)
		}
	}
	return nil
}

// Directory counts bytes of directories. It gives ErrTooMuch beyond the bound.
func (b *Builder) Directory(bytes int64) error {
	b.dirBytes += bytes
	if b.dirBytes > MaxDirectories {
		return fmt.Errorf("%d bytes of directories: %w", b.dirBytes, ErrTooMuch)
	}
	return nil
}

// Spend counts work that no bound of the tree limits, in units of some nanoseconds:
// structures that many files of a hostile image may share. It gives ErrTooMuch when
// a second or so of it is spent.
func (b *Builder) Spend(units int64) error {
	b.work += units
	if b.work > maxWork {
		return fmt.Errorf("structures that are read again and again: %w", ErrTooMuch)
	}
	return nil
}

// Structure says that count sectors from lba on hold structure of the file
// system: of the file or directory at path, or of the whole when path is "".
func (b *Builder) Structure(lba, count int64, path string) {
	if count <= 0 || lba < 0 {
		return
	}
	// Consecutive structures of one path are one span, so a descriptor sequence
	// isn't one a sector.
	if n := len(b.spans); n > 0 {
		if s := &b.spans[n-1]; s.path == path && s.end == lba {
			s.end = lba + count
			return
		}
	}
	if len(b.spans) < MaxExtents {
		b.spans = append(b.spans, span{start: lba, end: lba + count, path: path, structure: true})
	}
}

// Problem notes why the tree is not all of the disc's. The first hundred are kept.
func (b *Builder) Problem(err error) {
	if len(b.problems) < maxProblems {
		b.problems = append(b.problems, err)
	} else {
		b.more++
	}
}

// Tree ends the building. Two files of one path are a problem: the second is left
// out.
func (b *Builder) Tree() *Tree {
	slices.SortStableFunc(b.files, func(x, y File) int { return strings.Compare(x.Path, y.Path) })
	files := b.files[:0]
	for _, f := range b.files {
		if n := len(files); n > 0 && files[n-1].Path == f.Path {
			b.Problem(fmt.Errorf("%q is there twice", f.Path))
			continue
		}
		files = append(files, f)
	}
	t := &Tree{r: b.r, size: b.size, files: files}
	spans := b.spans
	for _, f := range files {
		at := int64(0)
		for _, e := range f.Extents {
			if e.LBA != Hole {
				spans = append(spans, span{start: e.LBA, end: e.LBA + e.Blocks(), path: f.Path, offset: at - e.Skip})
			}
			at += e.Bytes
		}
	}
	t.index = newIndex(spans)
	if len(b.problems) > 0 {
		if b.more > 0 {
			b.problems = append(b.problems, fmt.Errorf("and %d more", b.more))
		}
		t.err = fmt.Errorf("%w: %w", fixity.ErrIncomplete, errors.Join(b.problems...))
	}
	b.files, b.spans = nil, nil
	return t
}
