package burned

import (
	"errors"
	"slices"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
)

// round looks for the files that are still wanted in one view.
func (d *dataCheck) round(x *choice, main bool) error {
	t := x.tree
	p := x.pair
	if !main { // it was paired with what was left
		p = d.repair(x)
	}
	sums := map[fixity.Digest][]int{} // of files that were read whole -> the tree's files
	kept := make([]bool, len(t.files))
	for k, j := range p.of {
		i := d.want[k]
		if j < 0 || d.r.Files[i].At != "" {
			continue
		}
		kept[j] = true
		r, err := d.readFile(t, t.files[j])
		if err != nil {
			return err
		}
		h, err := d.judge(t, t.files[j], k, r)
		if err != nil {
			return err
		}
		d.r.Files[i] = h
		if len(r.bad) == 0 && h.State != fixity.Intact {
			for _, s := range r.sums.Digests {
				sums[s] = append(sums[s], j)
			}
		}
	}
	if err := d.byDigest(t, p, kept, sums); err != nil {
		return err
	}
	for k, i := range d.want {
		h := &d.r.Files[i]
		h.Name = d.wanted[k].Name
		if h.At == "" {
			if h.State, h.Cause = fixity.Missing, ""; d.notFound {
				h.State, h.Cause = fixity.Unreadable, CauseNotFound
			}
		}
	}
	if main {
		for j, f := range t.files {
			if kept[j] {
				continue
			}
			if d.r.ExtraAll++; len(d.r.Extra) < MaxRuns {
				d.r.Extra = append(d.r.Extra, f.Path)
			}
		}
	}
	d.lose()
	d.attribute(t, discfs.OfFile, discfs.OfStructure)
	return nil
}

// repair pairs the files that are still wanted anew: the choice knows those alone.
func (d *dataCheck) repair(x *choice) pairing {
	p := pairing{of: make([]int, len(d.wanted)), sure: make([]bool, len(d.wanted))}
	n := 0
	for k, i := range d.want {
		p.of[k] = -1
		if d.r.Files[i].At == "" {
			p.of[k], p.sure[k] = x.pair.of[n], x.pair.sure[n]
			n++
		}
	}
	return p
}

func (d *dataCheck) baseOf(k int) *BaseFile {
	if d.base == nil {
		return nil
	}
	return &d.base[k]
}

// byDigest looks for wanted files that weren't found, or were found altered, under
// other names: among files of the same size. sums are the tree's files that were read
// whole and are another file than their name says.
func (d *dataCheck) byDigest(t *tree, p pairing, kept []bool, sums map[fixity.Digest][]int) error {
	var open []int // of the wanted
	sizes := map[int64]bool{}
	any := false // of a size that isn't known
	for k, i := range d.want {
		h := d.r.Files[i]
		if !best(d.wanted[k]).IsZero() && (h.At == "" || h.State == fixity.Altered && p.of[k] >= 0) {
			open = append(open, k)
			sizes[d.wanted[k].Size] = true
			any = any || d.wanted[k].Size < 0
		}
	}
	if len(open) == 0 {
		return nil
	}
	for j, f := range t.files {
		if kept[j] || !any && !sizes[f.Size] {
			continue
		}
		r, err := d.readFile(t, f)
		if err != nil {
			return err
		}
		if len(r.bad) > 0 {
			continue
		}
		for _, s := range r.sums.Digests {
			sums[s] = append(sums[s], j)
		}
	}
	found := map[int]int{} // wanted -> the tree's file
	for _, k := range open {
		s := best(d.wanted[k])
		if len(sums[s]) == 0 {
			continue
		}
		found[k] = sums[s][0]
		sums[s] = sums[s][1:] // it is no other one's as well
		if j := p.of[k]; j >= 0 && d.r.Files[d.want[k]].At == t.files[j].Path {
			kept[j] = false // what has its name is another wanted file, or nobody's
		}
	}
	for _, k := range open {
		j, ok := found[k]
		if !ok {
			continue
		}
		kept[j] = true
		if by := slices.Index(p.of, j); by >= 0 && by != k {
			if _, moved := found[by]; moved { // two that have each other's names, or more
				d.wrongDirectory("the name %q leads to what was burned as %q", t.files[j].Path, d.wanted[k].Name)
			}
		}
		d.r.Files[d.want[k]] = Held{Name: d.wanted[k].Name, State: fixity.Intact, At: t.files[j].Path, LBA: lba(t.files[j]), Cause: CauseRenamed}
	}
	return nil
}

func isNone(err error) bool { return errors.Is(err, discfs.ErrNone) }
