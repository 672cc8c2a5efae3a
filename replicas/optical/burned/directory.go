package burned

import (
	"fmt"
	"strings"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
)

// called are the trees as people read of them.
var called = map[discfs.View]string{discfs.RockRidge: "Rock Ridge", discfs.UDF: "UDF", discfs.Joliet: "Joliet", discfs.Plain: "ISO 9660"}

// wrongDirectory notes what is wrong with the disc's directory, once.
func (d *dataCheck) wrongDirectory(format string, args ...any) {
	s := fmt.Sprintf(format, args...)
	for _, x := range d.r.Directory {
		if x == s {
			return
		}
	}
	switch n := len(d.r.Directory); {
	case n < MostDirectory-1:
		d.r.Directory = append(d.r.Directory, s)
	case n == MostDirectory-1:
		d.r.Directory = append(d.r.Directory, "and more of the kind")
	}
}

// byOtherViews looks for the files that a tree didn't lead to, or led to other bytes,
// in the other trees of its session: one that leads to the right bytes is enough. Then
// it says where the trees contradict each other. flaws are why a tree can't be used.
func (d *dataCheck) byOtherViews(list []view, used *choice, flaws []error) error {
	var others []*choice
	for _, v := range list {
		if v.session != used.tree.session || v.name == used.tree.name {
			continue
		}
		t, err := v.read(d.ctx)
		switch {
		case err != nil && broken(err):
			return err
		case err != nil:
			flaws = append(flaws, err)
		default:
			others = append(others, &choice{tree: t, pair: pair(d.wanted, t.files)})
		}
	}
	for k, i := range d.want {
		if h := &d.r.Files[i]; h.State == fixity.Intact || h.State == fixity.Unsteady || h.Cause == CauseNotCompared || best(d.wanted[k]).IsZero() {
			continue
		}
		for _, x := range append([]*choice{used}, others...) {
			ok, err := d.leadsTo(x, used, k)
			if err != nil {
				return err
			}
			if ok {
				break
			}
		}
	}
	any := false
	for k, i := range d.want {
		if d.r.Files[i].State != fixity.Intact {
			continue
		}
		any = true
		d.contradicted(k, i, append([]*choice{used}, others...))
	}
	if !any {
		return nil // nothing shows that a tree ought to lead anywhere
	}
	for _, err := range flaws {
		if !isNone(err) {
			d.wrongDirectory("%v", err)
		}
	}
	for _, x := range append([]*choice{used}, others...) {
		switch {
		case x.tree.err != nil:
			d.wrongDirectory("%s: %v", called[x.tree.name], x.tree.err)
		case len(x.tree.files) == 0:
			d.wrongDirectory("by %s no file is on it", called[x.tree.name])
		}
	}
	return nil
}

// leadsTo reads a wanted file by the name that it has in a tree, and where its record has
// a wrong size, by the size that it should have. true: those are its bytes. What was read
// before isn't read again.
func (d *dataCheck) leadsTo(x, before *choice, k int) (bool, error) {
	j := x.pair.of[k]
	if j < 0 {
		return false, nil
	}
	f, w := x.tree.files[j], d.wanted[k]
	g, other := resized(f, w.Size)
	if w.Size >= 0 && g.Size != w.Size {
		return false, nil
	}
	if b := before.pair.of[k]; !other && b >= 0 && lba(before.tree.files[b]) == lba(f) && before.tree.files[b].Size == f.Size {
		return false, nil
	}
	r, err := d.readFile(x.tree, g)
	if err != nil {
		return false, err
	}
	if got, _ := r.sums.Get(best(w).Algorithm); len(r.bad) > 0 || got != best(w) {
		return false, nil
	}
	if g.Size < f.Size { // a file that grew has its new bytes behind the old ones
		more, err := d.goesOn(x.tree, f, g)
		if err != nil || more {
			return false, err
		}
	}
	h := &d.r.Files[d.want[k]]
	*h = Held{Name: h.Name, State: fixity.Intact, At: f.Path, LBA: lba(f)}
	if other {
		d.wrongDirectory("by %s %q has %d bytes, and not %d", called[x.tree.name], f.Path, f.Size, w.Size)
	}
	return true, nil
}

// resized is a file of one row of sectors with another size; false if it has that size,
// or lies in several.
func resized(f discfs.File, size int64) (discfs.File, bool) {
	if size < 0 || f.Size == size || len(f.Extents) != 1 || f.Extents[0].LBA == discfs.Hole {
		return f, false
	}
	g := f
	g.Size, g.Extents = size, []discfs.Extent{f.Extents[0]}
	g.Extents[0].Bytes = size
	return g, true
}

// goesOn says that a file has bytes of its own behind where a shorter one ends: in the
// last sector, which a writer fills with zeros, or in sectors that are no other's.
func (d *dataCheck) goesOn(t *tree, f, shorter discfs.File) (bool, error) {
	end := (shorter.Size + discfs.SectorSize - 1) / discfs.SectorSize * discfs.SectorSize
	tail := make([]byte, min(end, f.Size)-shorter.Size)
	if n, err := t.Reader(f).ReadAt(tail, shorter.Size); n < len(tail) {
		if broken(err) {
			return false, err
		}
		return true, nil // not shown
	}
	if strings.Trim(string(tail), "\x00") != "" {
		return true, nil
	}
	if f.Size <= end {
		return false, nil
	}
	next := f.Extents[0].LBA + shorter.Extents[0].Blocks()
	for _, g := range t.files {
		for _, e := range g.Extents {
			if g.Path != f.Path && e.LBA <= next && next < e.LBA+e.Blocks() {
				return false, nil
			}
		}
	}
	return next < dataEnd(d.contents), nil
}

// largest is the size from which on ISO 9660 needs several records for a file: writers
// that may not use them put a wrong one there.
const largest = 1 << 32

// contradicted says which trees lead a wanted file's name elsewhere than to where its
// bytes were found, or those bytes to another name.
func (d *dataCheck) contradicted(k, i int, all []*choice) {
	h, w := &d.r.Files[i], d.wanted[k]
	if h.LBA < 0 || w.Size <= 0 || w.Size >= largest {
		return
	}
	for _, x := range all {
		name := called[x.tree.name]
		if j := x.pair.of[k]; j >= 0 {
			f := x.tree.files[j]
			switch at := lba(f); {
			case !x.pair.sure[k]:
				// What is left of its name may be another file's.
			case h.Cause == CauseRenamed && f.Path != h.At:
				// Its bytes were found by themselves; what its name leads to was told.
			case d.burnedAs(f, k) != "":
				d.wrongDirectory("the name %q leads to what was burned as %q", f.Path, d.burnedAs(f, k))
			case f.Size != w.Size:
				d.wrongDirectory("by %s %q has %d bytes, and not %d", name, f.Path, f.Size, w.Size)
			case at != h.LBA && !d.sameBytes(x.tree, f, w):
				d.wrongDirectory("by %s %q lies at sector %d, and its bytes at sector %d", name, f.Path, at, h.LBA)
			}
			continue
		}
		if x.tree.name == discfs.Plain {
			continue // writers may make anything of a name there
		}
		for _, f := range x.tree.files {
			if lba(f) == h.LBA && f.Size == w.Size && !sameName(f.Path, h.At) && !sameName(f.Path, w.Name) {
				d.wrongDirectory("by %s %q is called %q", name, w.Name, f.Path)
				break
			}
		}
	}
}

// sameName says that two names may be one that a writer changed: it may leave out or
// replace what isn't ASCII, and cut a name before its ending or with it.
func sameName(a, b string) bool {
	x, y := bare(a), bare(b)
	const cutAt = 20
	return x == y || min(len(x), len(y)) >= cutAt && (strings.HasPrefix(x, y) || strings.HasPrefix(y, x))
}

// burnedAs is the wanted file other than k whose bytes lie where a file of a tree does;
// "" if none is.
func (d *dataCheck) burnedAs(f discfs.File, k int) string {
	at := lba(f)
	for m, i := range d.want {
		h := d.r.Files[i]
		if h.LBA == at && at >= 0 && d.wanted[m].Size == f.Size && h.State == fixity.Intact {
			if m == k || h.LBA == d.r.Files[d.want[k]].LBA {
				return ""
			}
			return h.Name
		}
	}
	return ""
}

// sameBytes says that a file holds what another was to hold: writers may put the same
// bytes on a disc twice.
func (d *dataCheck) sameBytes(t *tree, f discfs.File, w File) bool {
	r, err := d.readFile(t, f)
	if err != nil || len(r.bad) > 0 {
		return false
	}
	got, _ := r.sums.Get(best(w).Algorithm)
	return got == best(w)
}
