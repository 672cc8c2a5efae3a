package burned

import (
	"slices"

	"firmus/replicas/optical/discfs"
)

// attribute says of bad sectors what they are part of in a tree. Those that are part
// of none of the kinds stay open.
func (d *dataCheck) attribute(t *tree, kinds ...discfs.Kind) {
	left := newBits(d.contents.LeadOut)
	for lba := range d.open.all(0, d.contents.LeadOut) {
		kind, of := t.Attribute(lba)
		if !slices.Contains(kinds, kind) {
			left.set(lba)
			continue
		}
		if kind == discfs.OfStructure {
			d.r.Structure++
		}
		d.badSector(lba, kind, of)
	}
	d.open = left
}

// badSector adds one to the report, with what lies there.
func (d *dataCheck) badSector(lba int64, kind discfs.Kind, of []discfs.Place) {
	path := func(of []discfs.Place) string {
		if len(of) == 0 {
			return ""
		}
		return of[0].Path
	}
	if k := len(d.r.Unreadable) - 1; k >= 0 {
		p := &d.r.Unreadable[k]
		if p.LBA+p.Count == lba && p.Kind == kind && len(p.Of) == len(of) && path(p.Of) == path(of) {
			p.Count++
			d.r.UnreadableAll++
			return
		}
	}
	d.unreadable(Sectors{LBA: lba, Count: 1, Kind: kind, Of: of})
}

// attributeRest deals with bad sectors that no view that was used says anything of.
func (d *dataCheck) attributeRest(list []view, used *tree) error {
	for _, v := range list {
		if !d.open.any() {
			return nil
		}
		// Another view of the same session has structures of its own. What an earlier
		// session had and the last left out is nobody's any more.
		if v.session != used.session || v.name == used.name {
			continue
		}
		t, err := v.read(d.ctx)
		if err != nil {
			if broken(err) {
				return err
			}
			continue
		}
		d.attribute(t, discfs.OfStructure)
	}
	for lba := range d.open.all(0, d.contents.LeadOut) {
		if d.contents.RunOut(lba) {
			continue
		}
		d.r.Free++
		d.badSector(lba, discfs.OfNothing, nil)
	}
	return nil
}
