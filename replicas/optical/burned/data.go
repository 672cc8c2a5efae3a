package burned

import (
	"fmt"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
)

// data holds the files of a disc against those wanted, which are indices of the
// report's Files.
func (c *check) data(want []int) (Verdict, error) {
	d := &dataCheck{check: c, want: want, open: newBits(c.contents.LeadOut), told: newBits(c.contents.LeadOut)}
	d.lose()
	for _, i := range want {
		d.wanted = append(d.wanted, c.w.Files[i])
	}
	return d.run()
}

// dataCheck is the part of a check that is about files.
type dataCheck struct {
	*check
	want   []int // indices in the report
	wanted []File
	base   []BaseFile // what wanted was made of; nil: of what was burned
	open   bits       // bad sectors that aren't attributed yet
	told   bits       // bad sectors that were met
	algs   []fixity.Algorithm

	differ []differing // by the index of wanted: what differs in a file that is altered

	unrelated int // altered files that have nothing in common with the wanted
	notFound  bool
	buf       []byte
}

// lose takes bad sectors of data that are new: the map's, and later those that could be
// read in the check and can't be again.
func (d *dataCheck) lose() {
	for _, a := range d.contents.Areas() {
		if a.Audio {
			continue
		}
		for i := range d.src.bad.all(a.LBA, a.LBA+a.Count) {
			if !d.told.has(i) {
				d.told.set(i)
				d.open.set(i)
			}
		}
	}
}

func (d *dataCheck) run() (Verdict, error) {
	if len(d.wanted) == 0 && d.w.Baseline != nil && d.w.Baseline.Files != nil {
		if err := d.fromBaseline(); err != nil {
			return "", err
		}
	}
	list, flaws := views(d.src.reader(false), d.contents)
	d.r.Problems = append(d.r.Problems, flaws...)
	for _, err := range flaws {
		d.notFound = d.notFound || !isNone(err)
		if broken(err) {
			return "", err
		}
	}
	if len(list) == 0 {
		return d.nothing(), nil
	}
	best, errs, err := choose(d.ctx, list, d.wanted)
	if err != nil {
		return "", err
	}
	d.r.Problems = append(d.r.Problems, errs...)
	d.notFound = d.notFound || len(errs) > 0
	if best == nil {
		return d.nothing(), nil
	}
	d.r.View, d.r.Session = best.tree.name, best.tree.session
	if len(d.wanted) == 0 {
		return d.first(list, best.tree)
	}
	d.algs = algorithms(d.wanted)
	used := map[int64]bool{}
	for x := best; x != nil; {
		used[x.tree.session] = true
		if x.tree.err != nil {
			d.notFound = true
			d.r.Problems = append(d.r.Problems, x.tree.err)
		}
		if err := d.round(x, x == best); err != nil {
			return "", err
		}
		if x, err = d.elsewhere(list, used); err != nil {
			return "", err
		}
	}
	if err := d.byOtherViews(list, best, append(flaws, errs...)); err != nil {
		return "", err
	}
	if err := d.attributeRest(list, best.tree); err != nil {
		return "", err
	}
	d.listDiffering()
	return d.verdict(), nil
}

// elsewhere gives the best view of a session that wasn't looked at yet, if it holds a
// file that is still wanted. nil: none does.
func (d *dataCheck) elsewhere(list []view, used map[int64]bool) (*choice, error) {
	var wanted []File
	for k, i := range d.want {
		if d.r.Files[i].At == "" {
			wanted = append(wanted, d.wanted[k])
		}
	}
	var others []view
	for _, v := range list {
		if !used[v.session] {
			others = append(others, v)
		}
	}
	if len(wanted) == 0 || len(others) == 0 {
		return nil, nil
	}
	x, _, err := choose(d.ctx, others, wanted)
	if err != nil || x == nil || x.pair.same == 0 {
		return nil, err
	}
	return x, nil
}

// nothing is the verdict on a disc without a file system that can be read.
func (d *dataCheck) nothing() Verdict {
	d.lose()
	lost := d.notFound
	for lba := range d.open.all(0, d.contents.LeadOut) {
		if !d.contents.RunOut(lba) {
			lost = true
			d.badSector(lba, "", nil)
		}
	}
	for _, i := range d.want {
		h := &d.r.Files[i]
		if h.Cause = CauseOther; lost {
			h.State, h.Cause = fixity.Unreadable, CauseNotFound
		}
	}
	if lost {
		return fixity.DiscUnreadable
	}
	d.r.Problems = append(d.r.Problems, fmt.Errorf("no file system that is known: %w", discfs.ErrNone))
	if len(d.want) == 0 {
		return fixity.DiscSaysNothing
	}
	return fixity.DiscOther
}

// verdict sums up what was found of the wanted files.
func (d *dataCheck) verdict() Verdict {
	count := map[fixity.State]int{}
	for _, i := range d.want {
		count[d.r.Files[i].State]++
	}
	bad := d.r.UnreadableAll > 0
	other := count[fixity.Intact]+count[fixity.Unreadable]+count[fixity.Unsteady] == 0 && d.unrelated == count[fixity.Altered] && d.r.NotCompared == 0
	switch {
	case other && !d.notFound:
		for _, i := range d.want {
			h := &d.r.Files[i] // its bytes aren't this file's damaged ones
			*h = Held{Name: h.Name, At: h.At, LBA: h.LBA, Cause: CauseOther}
		}
		d.r.Differing, d.r.DifferingRest, d.r.DifferingAll, d.r.InBlocks = nil, nil, 0, false
		return fixity.DiscOther
	case count[fixity.Altered] > 0:
		return fixity.DiscAltered
	case count[fixity.Unreadable] > 0 || bad:
		return fixity.DiscUnreadable
	case count[fixity.Unsteady] > 0:
		return fixity.DiscUnsteady
	case count[fixity.Missing] > 0:
		return fixity.DiscMissing
	case d.r.NotCompared > 0:
		return fixity.DiscNotCompared
	}
	return fixity.DiscIntact
}
