package acts

import (
	"context"
	"fmt"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// whichDisc settles which registered discs this one may be. other says that it is
// certainly another than the one that was meant; then nothing more of it needs reading.
func (e *Env) whichDisc(ctx context.Context, d OpenedDisc, cand []ledger.Disc, o DiscCheckOrder, src *sources, out *CheckedDisc) ([]ledger.Disc, bool, error) {
	if len(cand) > 0 && kindFits(cand[0].Kind, out.About.Kind) && (cand[0].TOC == "" || cand[0].TOC == out.About.ID) {
		return cand, false, nil
	}
	found, sure, err := e.identify(ctx, d, out.About, src)
	if err != nil {
		return cand, false, err
	}
	if len(cand) == 0 {
		if len(found) == 0 {
			return nil, false, nil
		}
		var same error
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) error { same = sameContents(t, found); return nil }); err != nil {
			return nil, false, err
		}
		if same != nil {
			return nil, false, same
		}
		out.Proved = found
		return found, false, nil
	}
	overlap := slices.ContainsFunc(found, func(f ledger.Disc) bool {
		return slices.ContainsFunc(cand, func(c ledger.Disc) bool { return c.ID == f.ID })
	})
	if overlap || !sure && kindFits(cand[0].Kind, out.About.Kind) {
		return cand, false, nil
	}
	out.Proved = found
	e.proposeSwap(out, cand)
	return cand, true, nil
}

// identify says which registered discs a disc may be, and whether its contents show it.
func (e *Env) identify(ctx context.Context, d OpenedDisc, about DiscAbout, src *sources) (found []ledger.Disc, sure bool, err error) {
	var all []ledger.Disc
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { all, err = t.Discs(); return err }); err != nil {
		return nil, false, err
	}
	some, err := e.mayBe(ctx, all, about)
	if err != nil {
		return nil, false, err
	}
	if found, sure, err = e.among(ctx, d, some, src); err != nil || sure || about.Kind != ledger.DataDisc {
		return found, sure, err
	}
	// All data discs of one size have one table of contents.
	var rest []ledger.Disc
	for _, x := range all {
		if kindFits(x.Kind, about.Kind) && !slices.ContainsFunc(some, func(s ledger.Disc) bool { return s.ID == x.ID }) {
			rest = append(rest, x)
		}
	}
	if other, sure, err := e.among(ctx, d, rest, src); err != nil || sure {
		return other, sure, err
	}
	return found, sure, nil
}

// among says which of some registered discs a disc may be.
func (e *Env) among(ctx context.Context, d OpenedDisc, some []ledger.Disc, src *sources) (found []ledger.Disc, sure bool, err error) {
	byID := map[int64]ledger.Disc{}
	var known []KnownDisc
	for _, x := range some {
		w, _, err := e.wanted(ctx, x, src)
		if err != nil {
			return nil, false, err
		}
		byID[x.ID] = x
		known = append(known, KnownDisc{Disc: x.ID, Kind: x.Kind, TOC: x.TOC, Files: w.Files, Baseline: x.Baseline})
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
		if x, ok := byID[m.Disc]; ok && (m.Sure || !sure) {
			found = append(found, x)
		}
	}
	return found, sure, nil
}

// mayBe are the registered discs that are worth looking at: those with this table of
// contents if there are any, else those of its kind and, of sound, about its length.
// Opening what all discs of a shelf were burned from would take minutes.
func (e *Env) mayBe(ctx context.Context, all []ledger.Disc, about DiscAbout) ([]ledger.Disc, error) {
	var kind, exact, long []ledger.Disc
	for _, d := range all {
		if !kindFits(d.Kind, about.Kind) {
			continue
		}
		kind = append(kind, d)
		if d.TOC == about.ID {
			exact = append(exact, d)
		}
	}
	if len(exact) > 0 {
		return exact, nil
	}
	if about.Kind != ledger.AudioDisc {
		return kind, nil
	}
	total := int64(0)
	for _, t := range about.Tracks {
		total += t.Sectors * sectorSamples
	}
	for _, d := range kind {
		w, _, err := e.wanted(ctx, d, nil)
		if err != nil {
			return nil, err
		}
		sum, unknown := int64(0), len(w.Files) == 0
		for _, f := range w.Files {
			sum += f.Samples
			unknown = unknown || f.Samples == 0
		}
		// A pause before each track, and a disc that is cut short, are let pass.
		if unknown || total >= sum/2 && total <= sum+int64(len(about.Tracks)+1)*3*44100 {
			long = append(long, d)
		}
	}
	return long, nil
}

// kindFits says that a disc of a kind may have been registered as of another: one with
// sound and data is either.
func kindFits(registered, kind string) bool { return registered == kind || kind == mixedDisc }

// mixedDisc is the kind of a disc with sound and data.
const mixedDisc = "mixed"

// sectorSamples is how many samples of each channel a sector of sound has.
const sectorSamples = 588

// proposeOther says which disc this may be, where it isn't the one that was meant.
func (e *Env) proposeOther(ctx context.Context, d OpenedDisc, src *sources, out *CheckedDisc) error {
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
	if len(out.Proved) == 0 && out.About.Kind == ledger.AudioDisc {
		var err error
		if out.Fits, err = e.fits(ctx, out.About); err != nil {
			return err
		}
	}
	return nil
}

// proposeSwap puts it in a sentence that a disc seems to be another than it was taken for.
func (e *Env) proposeSwap(out *CheckedDisc, cand []ledger.Disc) {
	others := slices.DeleteFunc(slices.Clone(out.Proved), func(p ledger.Disc) bool {
		return slices.ContainsFunc(cand, func(c ledger.Disc) bool { return c.ID == p.ID })
	})
	if len(others) == 0 {
		return
	}
	out.Swap = fmt.Sprintf("Its contents are those of %s, not of %s. Perhaps the two were swapped, in their boxes or when they were written on: look at %s too. The list of discs was not changed",
		names(others), names(cand), names(others))
}

// fits are the access files, or else the masters, whose lengths are those of a disc's
// tracks, in their order; none unless every track has one.
func (e *Env) fits(ctx context.Context, about DiscAbout) ([]FileRef, error) {
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
	var out []FileRef
	err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, role := range []fixity.Role{fixity.Access, fixity.Master} {
			for _, set := range e.Rules.Sets {
				if set.Role != role || len(out) > 0 {
					continue
				}
				fs, err := t.Durations(set.Name)
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
func fitting(set string, fs []ledger.FileDuration, tracks []time.Duration) []FileRef {
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
	var out []FileRef
	for k := range tracks {
		out = append(out, FileRef{set, ledger.DisplayPath(fs[at+k].Path)})
	}
	return out
}

// IdentifiedDisc is what can be said of a disc without reading all of it.
type IdentifiedDisc struct {
	About   DiscAbout
	Found   []ledger.Disc // that it may be
	Sure    bool          // its contents show it; what twin it is they never show
	Fits    []FileRef     // access files whose lengths fit, where none is registered
	Meant   *ledger.Disc  // the one that was named
	Written string
	Swap    string // a sentence: it seems to be another than the one that was named
}

// IdentifyDisc says which registered disc this is, from its table of contents, its label
// and fifty sectors at most. Nothing is recorded.
func (e *Env) IdentifyDisc(ctx context.Context, o DiscCheckOrder) (IdentifiedDisc, error) {
	out := IdentifiedDisc{Written: o.Written}
	cand, d, free, err := e.takeDisc(ctx, o)
	if err != nil {
		return out, err
	}
	defer free()
	out.About = d.About()
	src := newSources(e)
	defer src.Close()
	if out.Found, out.Sure, err = e.identify(ctx, d, out.About, src); err != nil {
		return out, err
	}
	if len(out.Found) == 0 && out.About.Kind == ledger.AudioDisc {
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
		x := CheckedDisc{Proved: out.Found}
		e.proposeSwap(&x, cand)
		out.Swap = x.Swap
	}
	return out, nil
}

// layoutFits says that a version can go onto an audio disc as it is.
func layoutFits(s sound.Sound) bool {
	return s.Codec == sound.PCM && s.Rate == 44100 && s.Bits == 16 && s.Channels == 2
}
