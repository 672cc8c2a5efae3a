package udf

import (
	"context"
	"errors"
	"fmt"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
)

// vrs is the sectors from a session's start to behind the volume recognition
// sequence, three descriptors from sector 16 on (ECMA-167, section 2/8.3).
const vrs = 19

// Tree reads the directories. Those that can't be read, or make no sense, are told
// by the tree's Files behind all that could be seen; an error comes only from ctx,
// for a view other than discfs.UDF, and as discfs.ErrTooMuch.
func (m *Image) Tree(ctx context.Context, v discfs.View) (*discfs.Tree, error) {
	if v != discfs.UDF {
		return nil, fmt.Errorf("view %q: %w", v, discfs.ErrNone)
	}
	b := discfs.NewBuilder(m.r, m.size)
	b.Structure(m.session, vrs, "")
	for _, x := range m.marks {
		b.Structure(x.lba, x.count, "")
	}
	w := &walker{m: m, ctx: ctx, b: b, seen: map[int64]bool{}}
	e, err := m.entry(m.root, b, "")
	switch {
	case err != nil:
		b.Problem(fmt.Errorf("the root: %w", err))
	case e.kind != kindDirectory:
		b.Problem(errors.New("the root is no directory"))
	default:
		if err := w.dir("", e, 0); err != nil {
			return nil, fmt.Errorf("read the %s tree: %w", v, err)
		}
	}
	return b.Tree(), nil
}

type walker struct {
	m    *Image
	ctx  context.Context // of the Tree call that this walk is
	b    *discfs.Builder
	seen map[int64]bool // sectors of directories' entries
	held int            // names of the directories on the way from the root
	bad  int            // identifiers that looked like one and weren't
}

// noSpace is the file in which volumes of revision 1.50 keep the blocks that can't
// be used: UDF 1.50, section 2.3.13. It is no one's file.
const noSpace = "Non-Allocatable Space"

const (
	maxIdentifier = blockSize // bytes: UDF 2.01, section 2.3.4
	maxBad        = 10_000    // each costs a CRC
)

// identifier is what a file identifier descriptor says: ECMA-167, section 4/14.4.
type identifier struct {
	name   string
	icb    longAD
	hidden bool
}

// Characteristics of a file identifier: section 4/14.4.3.
const (
	isHidden  = 1 << 0
	isDeleted = 1 << 2
	isParent  = 1 << 3
)

// dir takes one directory, then those below it. Its errors end the walk.
func (w *walker) dir(path string, e *entry, depth int) error {
	if depth > discfs.MaxDepth {
		return fmt.Errorf("directories %d deep: %w", depth, discfs.ErrTooMuch)
	}
	if w.seen[e.lba] {
		w.b.Problem(fmt.Errorf("directory %q: sector %d is another directory's entry, or a loop", path, e.lba))
		return nil
	}
	w.seen[e.lba] = true
	if err := w.b.Directory(e.size); err != nil {
		return err
	}
	d, err := w.read(path, e)
	if err != nil {
		return err
	}
	list, err := w.identifiers(path, d)
	if err != nil {
		return err
	}
	w.held += len(list)
	defer func() { w.held -= len(list) }()
	for _, id := range list {
		if err := w.ctx.Err(); err != nil {
			return err
		}
		p, err := discfs.Join(path, id.name)
		if errors.Is(err, discfs.ErrTooMuch) {
			return err
		}
		if err != nil {
			w.b.Problem(err)
			continue
		}
		e, err := w.m.entry(id.icb, w.b, p)
		if errors.Is(err, discfs.ErrTooMuch) {
			return err
		}
		if err != nil {
			w.b.Problem(fmt.Errorf("%q: %w", p, err))
			continue
		}
		if e.kind == kindDirectory {
			if err := w.dir(p, e, depth+1); err != nil {
				return err
			}
			continue
		}
		if id.hidden && path == "" && id.name == noSpace {
			w.mark(p, e)
			continue
		}
		f := discfs.File{Path: p, ModTime: e.when, Type: fixity.Special}
		switch e.kind {
		case kindFile, kindRealTime:
			f.Type, f.Size, f.Extents = fixity.File, e.size, e.extents
		case kindLink:
			f.Type = fixity.Link
			w.mark(p, e)
		}
		if err := w.b.Add(f); err != nil {
			if errors.Is(err, discfs.ErrTooMuch) {
				return err
			}
			w.b.Problem(err)
		}
	}
	return nil
}

func (w *walker) mark(path string, e *entry) {
	for _, x := range e.extents {
		w.b.Structure(x.LBA, x.Blocks(), path)
	}
}

// read gives a directory's bytes, sector by sector so that a bad one costs its own
// names only: zeros are in its place.
func (w *walker) read(path string, e *entry) ([]byte, error) {
	w.mark(path, e)
	var d []byte
	for _, x := range e.extents {
		if x.LBA == discfs.Hole {
			w.b.Problem(fmt.Errorf("directory %q: a part was never recorded", path))
			break
		}
		for at := int64(0); at < x.Bytes; {
			if err := w.ctx.Err(); err != nil {
				return nil, err
			}
			k := min(blockSize-(x.Skip+at)%blockSize, x.Bytes-at)
			n := len(d)
			d = append(d, make([]byte, k)...)
			if _, err := discfs.ReadAt(w.m.r, w.m.size, d[n:], x.LBA*blockSize+x.Skip+at); err != nil {
				clear(d[n:])
				w.b.Problem(fmt.Errorf("directory %q: %w", path, err))
			}
			at += k
		}
	}
	return d, nil
}

// identifiers takes a directory apart. Behind one that makes no sense it goes on at
// the next that does: they begin at multiples of four bytes (section 4/14.4).
func (w *walker) identifiers(path string, d []byte) ([]identifier, error) {
	var list []identifier
	lost := false
	for at := 0; at+38 <= len(d); {
		n, id, err := identify(d[at:])
		if err != nil {
			if !lost {
				w.b.Problem(fmt.Errorf("directory %q at byte %d: %w", path, at, err))
			}
			lost = true
			if le.Uint16(d[at:]) == tagIdentifier {
				w.bad++
			}
			if w.bad > maxBad {
				return nil, fmt.Errorf("damaged entries of directories: %w", discfs.ErrTooMuch)
			}
			at += 4
			continue
		}
		lost = false
		at += n
		if id != nil {
			list = append(list, *id)
		}
		if w.held+len(list) > discfs.MaxFiles {
			return nil, discfs.ErrTooMuch
		}
	}
	return list, nil
}

// identify takes one descriptor and says how long it is; no identifier comes of
// one that was deleted or stands for the parent.
func identify(d []byte) (int, *identifier, error) {
	fi, iu := int(d[19]), int(le.Uint16(d[36:]))
	n := 38 + iu + fi
	if n > min(len(d), maxIdentifier) {
		return 0, nil, errors.New("file identifier is cut off")
	}
	if err := check(d, tagIdentifier); err != nil {
		return 0, nil, err
	}
	padded := (n + 3) &^ 3
	if d[18]&(isDeleted|isParent) != 0 {
		return padded, nil, nil
	}
	name, err := unicode(d[38+iu : n])
	if err != nil {
		return 0, nil, err
	}
	return padded, &identifier{name, longADAt(d[20:]), d[18]&isHidden != 0}, nil
}
