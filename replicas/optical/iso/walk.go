package iso

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
)

// Tree reads a view's directories. Directories that can't be read, or make no
// sense, are told by the tree's Files behind all that could be seen; an error
// comes only from ctx, for a view that isn't there, and as discfs.ErrTooMuch.
//
// The directories of the other views count as structure in each. What only an
// earlier session's volume uses counts as free in a later one's.
func (m *Image) Tree(ctx context.Context, v discfs.View) (*discfs.Tree, error) {
	views := m.Views()
	if !slices.Contains(views, v) {
		return nil, fmt.Errorf("view %q: %w", v, discfs.ErrNone)
	}
	b := discfs.NewBuilder(m.r, m.size)
	m.structures(b)
	if err := m.walk(ctx, b, v, false); err != nil {
		return nil, fmt.Errorf("read the %s tree: %w", v, err)
	}
	for _, other := range views {
		if other == v || other == discfs.Plain {
			continue // Rock Ridge's directories are the plain ones
		}
		if err := m.walk(ctx, b, other, true); err != nil {
			return nil, fmt.Errorf("read the %s tree: %w", other, err)
		}
	}
	if v == discfs.Joliet && !m.rockRidge && m.lost == nil {
		if err := m.walk(ctx, b, discfs.Plain, true); err != nil {
			return nil, fmt.Errorf("read the %s tree: %w", discfs.Plain, err)
		}
	}
	return b.Tree(), nil
}

// structures marks what belongs to the volume as a whole.
func (m *Image) structures(b *discfs.Builder) {
	b.Structure(m.session, systemArea+m.descriptors, "")
	volumes := []*volume{&m.primary}
	if m.joliet != nil {
		volumes = append(volumes, m.joliet)
	}
	for _, v := range volumes {
		n := (v.table + discfs.SectorSize - 1) / discfs.SectorSize
		for _, at := range v.tables {
			if at != 0 {
				b.Structure(at, n, "")
			}
		}
	}
	if m.boot != 0 {
		b.Structure(m.boot, 1, "")
	}
}

// walker goes through the directories of one view.
type walker struct {
	m     *Image
	ctx   context.Context // of the Tree call that this walk is
	b     *discfs.Builder
	view  discfs.View
	quiet bool           // structure only: files and problems are another view's
	seen  map[int64]bool // sectors of directories
	held  int            // names of the directories on the way from the root
	areas areas
}

func (m *Image) walk(ctx context.Context, b *discfs.Builder, v discfs.View, quiet bool) error {
	w := &walker{m: m, ctx: ctx, b: b, view: v, quiet: quiet, seen: map[int64]bool{}, areas: areas{m: m, b: b}}
	root := m.primary.root
	if v == discfs.Joliet {
		root = m.joliet.root
	}
	return w.dir("", root.lba+root.xattr, root.size, 0)
}

func (w *walker) problem(err error) {
	if !w.quiet {
		w.b.Problem(err)
	}
}

// item is a name of a directory before its path is settled.
type item struct {
	name    string
	version int
	folder  bool
	lba     int64 // of a folder
	size    int64
	file    discfs.File
	xattr   discfs.Extent
	err     error
}

// dir takes one directory, then those below it. Its errors end the walk.
func (w *walker) dir(path string, lba, size int64, depth int) error {
	if depth > discfs.MaxDepth {
		return fmt.Errorf("directories %d deep: %w", depth, discfs.ErrTooMuch)
	}
	if err := w.b.Directory(size); err != nil {
		return err
	}
	items, err := w.items(path, lba, size)
	if err != nil {
		return err
	}
	w.held += len(items)
	defer func() { w.held -= len(items) }()
	best := map[string]int{}
	for _, it := range items {
		best[it.name] = max(best[it.name], it.version)
	}
	for _, it := range items {
		if it.version < best[it.name] {
			it.name = fmt.Sprintf("%s;%d", it.name, it.version)
		}
		p, err := discfs.Join(path, it.name)
		switch {
		case errors.Is(err, discfs.ErrTooMuch):
			return err
		case err == nil:
			err = it.err
		}
		if err != nil {
			w.problem(fmt.Errorf("%q in directory %q: %w", it.name, path, err))
			continue
		}
		w.b.Structure(it.xattr.LBA, it.xattr.Blocks(), p)
		if it.folder {
			if err := w.dir(p, it.lba, it.size, depth+1); err != nil {
				return err
			}
			continue
		}
		if w.quiet {
			continue
		}
		it.file.Path = p
		if err := w.b.Add(it.file); err != nil {
			if errors.Is(err, discfs.ErrTooMuch) {
				return err
			}
			w.problem(err)
		}
	}
	return nil
}

// items reads the records of a directory. A record never crosses the end of a
// sector (ECMA-119, section 6.8.1.1), so one bad sector costs its own names only.
func (w *walker) items(path string, lba, size int64) ([]item, error) {
	var items []item
	open := false // the last item waits for further extents
	for s := lba; s < lba+(size+discfs.SectorSize-1)/discfs.SectorSize; s++ {
		if err := w.ctx.Err(); err != nil {
			return nil, err
		}
		if w.seen[s] {
			w.problem(fmt.Errorf("directory %q: sector %d is another directory's, or a loop", path, s))
			return items, nil
		}
		w.seen[s] = true
		w.b.Structure(s, 1, path)
		b, err := w.m.sector(s)
		if err != nil {
			w.problem(fmt.Errorf("directory %q: %w", path, err))
			continue
		}
		for len(b) > 0 && b[0] != 0 {
			n := int(b[0])
			if n > len(b) {
				w.problem(fmt.Errorf("directory %q: record beyond the end of sector %d", path, s))
				break
			}
			r, err := parse(b[:n])
			if err != nil {
				w.problem(fmt.Errorf("directory %q, sector %d: %w", path, s, err))
				break
			}
			b = b[n:]
			if r.self() {
				continue
			}
			it, ok := w.item(path, r)
			if !ok {
				continue
			}
			if k := len(items) - 1; open && items[k].name == it.name && items[k].version == it.version {
				items[k].join(it)
			} else {
				if open {
					items[k].err = errors.New("further extents of the file are lacking")
				}
				items = append(items, it)
			}
			if w.held+len(items) > discfs.MaxFiles {
				return nil, discfs.ErrTooMuch
			}
			open = r.flags&flagMulti != 0 && !it.folder
		}
	}
	if open {
		items[len(items)-1].err = errors.New("further extents of the file are lacking")
	}
	return items, nil
}

// join adds a further extent: ECMA-119, section 6.5.1.
func (it *item) join(next item) {
	it.file.Size += next.file.Size
	it.file.Extents = append(it.file.Extents, next.file.Extents...)
	if it.err == nil {
		it.err = next.err
	}
}

// item makes one of a record; false if the record stands for nothing of its own.
func (w *walker) item(path string, r record) (item, bool) {
	it := item{folder: r.flags&flagDirectory != 0, lba: r.lba + r.xattr, size: r.size}
	if w.view == discfs.Joliet {
		it.name, it.version = plain(ucs2(r.id), false)
	} else {
		it.name, it.version = plain(string(r.id), true)
	}
	it.xattr = discfs.Extent{LBA: r.lba, Bytes: r.xattr * discfs.SectorSize}
	if r.flags&flagAssociated != 0 {
		w.b.Structure(r.lba, r.xattr+(r.size+discfs.SectorSize-1)/discfs.SectorSize, path)
		return it, false
	}
	u := unix{when: r.when}
	if w.view == discfs.RockRidge {
		if !w.rockRidge(&it, &u, r) {
			return it, false
		}
	}
	it.file.Type, it.file.ModTime = u.kind, u.when
	switch {
	case it.err != nil || it.folder || u.kind != fixity.File:
	case r.unit != 0 || r.gap != 0:
		it.err = errors.New("the file is interleaved")
	case r.volume > 1:
		it.err = fmt.Errorf("the file lies on volume %d of a set", r.volume)
	case r.size > 0:
		it.file.Size = r.size
		it.file.Extents = []discfs.Extent{{LBA: it.lba, Bytes: r.size}}
	}
	return it, true
}

// rockRidge puts what the system use fields say into an item.
func (w *walker) rockRidge(it *item, u *unix, r record) bool {
	if len(r.system) > w.m.skip {
		it.err = w.areas.fields(r.system[w.m.skip:], u.field)
	}
	if u.relocated {
		return false
	}
	if u.named {
		it.name, it.version = u.name, 0
	}
	if u.strange != "" && it.err == nil {
		it.err = errors.New("the file is " + u.strange)
	}
	if u.child == 0 || it.err != nil {
		return true
	}
	// A relocated directory's size is in its own "." record: RRIP section 4.1.5.
	it.folder, it.lba = true, u.child
	b, err := w.m.sector(u.child)
	if err != nil {
		it.err = err
		return true
	}
	self, err := parse(b[:min(int(b[0]), len(b))])
	if err == nil && (!self.self() || self.id[0] != 0 || self.lba != u.child) {
		err = fmt.Errorf("no directory begins at sector %d", u.child)
	}
	it.size, it.err = self.size, err
	return true
}
