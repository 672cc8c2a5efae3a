package main

import (
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/demo"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// shelf burns discs, so to speak, registers them and reads them for the first time.
func (d *demonstration) shelf(ctx context.Context) error {
	c := d.c
	var err error
	if d.discs, err = demo.Burn(d.dir, time.Now()); err != nil {
		return err
	}
	c.step("Two discs are burned, each twice: twins A and B. Without a drive they are images.\n   Each is registered, and read as soon as it is burned")
	for _, x := range d.discs {
		o := registering.Order{Number: x.Number, Twin: x.Twin, Kind: x.Kind, Box: x.Box, Blank: x.Blank, Burned: x.Burned, Files: x.Files}
		if _, err := d.app.Discs.Add(ctx, o); err != nil {
			return err
		}
		c.tell("  firmus disc add %s --twin %s --kind %s --box %s --burned %s %s\n", x.Number, x.Twin, x.Kind, x.Box, x.Burned, strings.Join(x.Files, " "))
	}
	found, err := d.readDiscs(ctx, "")
	d.must(len(found) == 0, "%s on discs that were just burned", fixity.Count(len(found), "finding"))
	return err
}

// readDiscs checks every disc and gives the open findings about them. A disc that
// nothing was done to must be intact: that nothing is found on it is not enough.
func (d *demonstration) readDiscs(ctx context.Context, title string) ([]ledger.Finding, error) {
	if title != "" {
		d.c.step("%s", title)
	}
	var all []ledger.Finding
	for _, x := range d.discs {
		d.c.tell("  firmus disc check %s --written \"%s\" --image %s\n", x.Number, x.Name(), x.Image)
		r, err := d.app.Discs.Check(ctx, checking.Order{Number: x.Number, Written: x.Name(), Fresh: len(d.onDiscs) == 0,
			At: discs.At{Image: filepath.Join(d.dir, filepath.FromSlash(x.Image))}})
		if err != nil {
			return nil, fmt.Errorf("check disc %s: %w", x.Name(), err)
		}
		d.c.tell("      %s\n", discInWords(r))
		on := r.On()
		for _, p := range r.Places() {
			d.c.tell("      %s", discs.Where(p))
			for _, i := range on(p) {
				d.c.tell(", of %s/%s", r.Files[i].Set, report.Show(r.Files[i].Path))
			}
			d.c.tell("\n")
		}
		if r.Together != "" {
			d.c.tell("      together with %s it is complete\n", r.Together)
		}
		d.must(r.Report.Verdict == fixity.DiscIntact || len(d.onDiscs[x.Name()]) > 0, "disc %s is %s", x.Name(), r.Report.Verdict)
		all = append(all, r.Findings...)
	}
	return all, nil
}

// discInWords says in a line what a check came to.
func discInWords(r discs.Check) string {
	s := strings.ToUpper(string(r.Report.Verdict)) + ": " + fixity.Means("disc", string(r.Report.Verdict))
	s += fmt.Sprintf(" (%s", fixity.Count(r.Counts().Sectors, "sector"))
	if h := r.Report.Sound; h != nil && h.Located && h.Offset > 0 {
		s += fmt.Sprintf("; %s early, which is the drive's way", fixity.Count(int64(h.Offset), "sample"))
	} else if h != nil && h.Located && h.Offset < 0 {
		s += fmt.Sprintf("; %s late, which is the drive's way", fixity.Count(int64(-h.Offset), "sample"))
	}
	return s + ")"
}

// compare holds the findings against what was planted, those on each disc by
// themselves: twins have the same files.
func (d *demonstration) compare(planted []demo.Planted, found []ledger.Finding) (lacking []demo.Planted, extra []fixity.Finding) {
	by := map[string][]fixity.Finding{"": nil}
	for name := range d.onDiscs {
		by[name] = nil
	}
	for _, f := range found {
		by[f.Disc] = append(by[f.Disc], f.Finding)
	}
	for _, name := range slices.Sorted(maps.Keys(by)) {
		want := d.onDiscs[name]
		if name == "" {
			want = planted
		}
		l, e := demo.Compare(want, by[name])
		lacking, extra = append(lacking, l...), append(extra, e...)
	}
	return lacking, extra
}

// storyOf is what had happened to the copy that a finding is about; "" if nothing was
// planted there.
func (d *demonstration) storyOf(f ledger.Finding, planted []demo.Planted) string {
	if f.Disc != "" {
		planted = d.onDiscs[f.Disc]
	}
	for _, p := range planted {
		if p.Store == f.Store && p.Set == f.Set && p.Path == f.Path {
			return p.Story
		}
	}
	return ""
}
