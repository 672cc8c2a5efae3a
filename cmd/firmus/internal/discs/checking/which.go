package checking

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
)

// whichDisc settles which registered discs this one may be. other says that it is
// certainly another than the one that was meant; then nothing more of it needs reading.
// sure says that its contents show it, or that a person named it.
func (e Desk) whichDisc(ctx context.Context, d discs.Opened, cand []ledger.Disc, src *sources, out *discs.Check) (found []ledger.Disc, other, sure bool, err error) {
	if len(cand) > 0 && discs.KindFits(cand[0].Kind, out.About.Kind) && slices.ContainsFunc(cand, func(c ledger.Disc) bool { return c.TOC == "" || c.TOC == out.About.ID() }) {
		return cand, false, true, nil
	}
	found, sure, err = e.identify(ctx, d, out.About, src)
	if err != nil {
		return cand, false, false, err
	}
	if len(cand) == 0 {
		err := e.Ledger.View(ctx, func(t *ledger.Tx) error { return registering.SameContents(t, found) })
		if err != nil {
			return nil, false, false, err
		}
		return found, false, sure, nil
	}
	overlap := slices.ContainsFunc(found, func(f ledger.Disc) bool {
		return slices.ContainsFunc(cand, func(c ledger.Disc) bool { return c.ID == f.ID })
	})
	if overlap || !sure && discs.KindFits(cand[0].Kind, out.About.Kind) {
		return cand, false, true, nil
	}
	out.Proved = found
	e.proposeSwap(out, cand)
	return cand, true, true, nil
}

// insteadOf settles which disc was put in where one was asked for: that one, unless its
// contents show that it is another, which it is then instead. Its first sectors tell.
func (e Desk) insteadOf(ctx context.Context, d discs.Opened, asked []ledger.Disc, src *sources, out *discs.Check) (found []ledger.Disc, instead, sure bool, err error) {
	found, sure, err = e.identify(ctx, d, out.About, src)
	if err != nil {
		return asked, false, false, err
	}
	overlap := slices.ContainsFunc(found, func(f ledger.Disc) bool {
		return slices.ContainsFunc(asked, func(c ledger.Disc) bool { return c.ID == f.ID })
	})
	switch {
	case overlap, !sure && len(asked) > 0 && discs.KindFits(asked[0].Kind, out.About.Kind):
		return asked, false, true, nil
	case !sure:
		return nil, true, false, nil // a disc of another kind, which nobody registered
	}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error { return registering.SameContents(t, found) })
	return found, true, sure, err
}

// identify says which registered discs a disc may be, and whether its contents show it.
// Contents and tables of contents can't tell twins apart: where one of them is found, so
// are all that may be this disc as well.
func (e Desk) identify(ctx context.Context, d discs.Opened, about optical.Contents, src *sources) (found []ledger.Disc, sure bool, err error) {
	all, err := e.All(ctx)
	if err != nil {
		return nil, false, err
	}
	told := map[int64]bool{} // discs that another table of contents shows not to be this one
	if about.Drive != "" {
		err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { told, err = t.Discs.KnownByTOC(); return err })
		if err != nil {
			return nil, false, err
		}
	}
	seen, rest, err := e.mayBe(ctx, all, told, about)
	if err != nil {
		return nil, false, err
	}
	if found, sure, err = e.among(ctx, d, seen, src); err != nil {
		return nil, false, err
	}
	if !sure {
		more, sureOfMore, err := e.among(ctx, d, rest, src)
		if err != nil {
			return nil, false, err
		}
		if sureOfMore {
			found, sure = nil, true
		}
		for _, x := range more {
			if sure || !told[x.ID] {
				found = append(found, x)
			}
		}
	}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		found, err = withTwins(t, found, all, told, about)
		return err
	})
	return found, sure, err
}

// withTwins adds to discs that one may be those that were burned of the same, as long as
// no other table of contents was seen of them in a drive.
func withTwins(t *ledger.Tx, found, all []ledger.Disc, told map[int64]bool, about optical.Contents) ([]ledger.Disc, error) {
	var out []ledger.Disc
	files := map[int64][]ledger.DiscFile{}
	for _, x := range found {
		fs, err := t.Discs.FilesOn(x.ID)
		if err != nil {
			return nil, err
		}
		files[x.ID] = fs
	}
	for _, x := range all {
		if _, ok := files[x.ID]; ok {
			out = append(out, x)
			continue
		}
		fs, err := t.Discs.FilesOn(x.ID)
		if err != nil {
			return nil, err
		}
		if told[x.ID] && x.TOC != about.ID() {
			continue
		}
		if slices.ContainsFunc(found, func(f ledger.Disc) bool {
			return f.Kind == x.Kind && discs.Same(files[f.ID], fs) && (len(fs) > 0 || f.Number == x.Number && f.Part == x.Part)
		}) {
			out = append(out, x)
		}
	}
	return out, nil
}

// among says which of some registered discs a disc may be.
func (e Desk) among(ctx context.Context, d discs.Opened, some []ledger.Disc, src *sources) (found []ledger.Disc, sure bool, err error) {
	byID := map[int64]ledger.Disc{}
	var known []burned.Known
	for _, x := range some {
		of := src
		if x.Kind == ledger.DataDisc {
			of = nil // the block sums of all discs are too many
		}
		w, files, err := e.wanted(ctx, x, of)
		if err != nil {
			return nil, false, err
		}
		k := burned.Known{ID: x.ID, Kind: w.Kind, TOC: x.TOC, Files: w.Files, Baseline: w.Baseline}
		if x.Kind == ledger.DataDisc {
			k.Blocks = func(i int) (sums []uint32, err error) {
				err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
					if sums, err = t.Files.Blocks(files[i].ID, files[i].Version); errors.Is(err, fixity.ErrNotFound) {
						return nil
					}
					return err
				})
				return sums, err
			}
		}
		byID[x.ID] = x
		known = append(known, k)
	}
	if len(known) == 0 {
		return nil, false, nil
	}
	ms, err := d.Identify(ctx, known)
	if err != nil {
		return nil, false, err
	}
	for _, m := range ms {
		sure = sure || m.Sure
	}
	for _, m := range ms {
		if x, ok := byID[m.ID]; ok && (m.Sure || !sure) {
			found = append(found, x)
		}
	}
	return found, sure, nil
}

// mayBe are the registered discs of its kind: seen, of which this table of contents was
// seen, and the rest. Of sound those are of about its length, and never seen: opening what
// all discs were burned from would take minutes. All data discs of one size have one table
// of contents, so none of those is left out.
func (e Desk) mayBe(ctx context.Context, all []ledger.Disc, told map[int64]bool, about optical.Contents) (seen, rest []ledger.Disc, err error) {
	for _, d := range all {
		switch {
		case !discs.KindFits(d.Kind, about.Kind):
		case d.TOC == about.ID():
			seen = append(seen, d)
		case !told[d.ID] || about.Kind != optical.Audio:
			rest = append(rest, d)
		}
	}
	if about.Kind != optical.Audio {
		return seen, rest, nil
	}
	var long []ledger.Disc
	total := int64(0)
	for _, t := range about.Tracks {
		total += t.Sectors * cdda.SectorSamples
	}
	for _, d := range rest {
		w, _, err := e.wanted(ctx, d, nil)
		if err != nil {
			return nil, nil, err
		}
		sum, unknown := int64(0), len(w.Files) == 0
		for _, f := range w.Files {
			sum += f.Samples
			unknown = unknown || f.Samples == 0
		}
		// A pause before each track, and a disc that is cut short, are let pass.
		if unknown || total >= sum/2 && total <= sum+int64(len(about.Tracks)+1)*3*cdda.Rate {
			long = append(long, d)
		}
	}
	return seen, long, nil
}

// proposeOther says which disc this may be, where it isn't the one that was meant.
func (e Desk) proposeOther(ctx context.Context, d discs.Opened, src *sources, out *discs.Check) error {
	if len(out.Proved) == 0 {
		found, sure, err := e.identify(ctx, d, out.About, src)
		if err != nil {
			return err
		}
		if sure {
			out.Proved = found
		}
	}
	if out.Disc.Number != "" {
		e.proposeSwap(out, []ledger.Disc{out.Disc})
	}
	if len(out.Proved) == 0 && out.About.Kind == optical.Audio {
		var err error
		if out.Fits, err = e.fits(ctx, out.About); err != nil {
			return err
		}
	}
	return nil
}

// proposeSwap puts it in a sentence that a disc seems to be another than it was taken for.
func (e Desk) proposeSwap(out *discs.Check, cand []ledger.Disc) {
	others := slices.DeleteFunc(slices.Clone(out.Proved), func(p ledger.Disc) bool {
		return slices.ContainsFunc(cand, func(c ledger.Disc) bool { return c.ID == p.ID })
	})
	if len(others) == 0 {
		return
	}
	out.Swap = fmt.Sprintf("Its contents are those of %s, not of %s. Perhaps the two were swapped, in their boxes or when they were written on: look at %s too. The list of discs was not changed",
		discs.Names(others), discs.Names(cand), discs.Names(others))
}

// fits are the access files, or else the masters, whose lengths are those of a disc's
// tracks, in their order; none unless every track has one.
func (e Desk) fits(ctx context.Context, about optical.Contents) ([]ledger.File, error) {
	var lengths []time.Duration
	for _, t := range about.Tracks {
		if t.Data {
			return nil, nil
		}
		lengths = append(lengths, time.Duration(t.Sectors)*time.Second/75)
	}
	if len(lengths) == 0 {
		return nil, nil
	}
	var out []ledger.File
	err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, role := range []fixity.Role{fixity.Access, fixity.Master} {
			for _, set := range e.Rules.Sets {
				if set.Role != role || len(out) > 0 {
					continue
				}
				fs, err := t.Files.Durations(set.Name)
				if err != nil {
					return err
				}
				out = fitting(set.Name, fs, lengths)
			}
		}
		return nil
	})
	return out, err
}

// slack is how much longer than its file a track may be, and the pause before the next.
const slack = 3 * time.Second

// fitting finds, in path order, a row of files of which each has the length of a track;
// of several such rows the one that is closest.
func fitting(set string, fs []ledger.FileDuration, tracks []time.Duration) []ledger.File {
	best, at := time.Duration(-1), 0
	for i := 0; i+len(tracks) <= len(fs); i++ {
		off, ok := time.Duration(0), true
		for k, want := range tracks {
			d := want - fs[i+k].Duration
			if fs[i+k].Duration == 0 || d < -time.Second/75 || d > slack {
				ok = false
				break
			}
			off += d.Abs()
		}
		if ok && (best < 0 || off < best) {
			best, at = off, i
		}
	}
	if best < 0 {
		return nil
	}
	var out []ledger.File
	for k := range tracks {
		out = append(out, ledger.File{Set: set, Path: fs[at+k].Path})
	}
	return out
}

// Identified is what can be said of a disc without reading all of it.
type Identified struct {
	About   optical.Contents
	Found   []ledger.Disc // that it may be
	Sure    bool          // its contents show it; what twin it is they never show
	Fits    []ledger.File // access files whose lengths fit, where none is registered
	Meant   *ledger.Disc  // the one that was named
	Written string
	Swap    string // a sentence: it seems to be another than the one that was named
}

// Identify says which registered disc this is, from its table of contents, its label
// and some of its sectors. Nothing is recorded.
func (e Desk) Identify(ctx context.Context, o Order) (Identified, error) {
	out := Identified{Written: o.Written}
	cand, d, free, err := e.take(ctx, o)
	if err != nil {
		return out, err
	}
	defer free()
	out.About = d.Contents()
	src := newSources(e)
	defer src.Close()
	if out.Found, out.Sure, err = e.identify(ctx, d, out.About, src); err != nil {
		return out, err
	}
	if len(out.Found) == 0 && out.About.Kind == optical.Audio {
		if out.Fits, err = e.fits(ctx, out.About); err != nil {
			return out, err
		}
	}
	if len(cand) == 1 {
		out.Meant = &cand[0]
	}
	overlap := slices.ContainsFunc(out.Found, func(f ledger.Disc) bool {
		return slices.ContainsFunc(cand, func(c ledger.Disc) bool { return c.ID == f.ID })
	})
	if len(cand) > 0 && !overlap && out.Sure {
		x := discs.Check{Proved: out.Found}
		e.proposeSwap(&x, cand)
		out.Swap = x.Swap
	}
	return out, nil
}
