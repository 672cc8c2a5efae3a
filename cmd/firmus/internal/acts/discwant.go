package acts

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// candidates are the registered discs that the order may mean: one, or twins of which
// none was named; none if no number was given.
func (e *Env) candidates(ctx context.Context, o DiscCheckOrder) (cand []ledger.Disc, err error) {
	typed := o.Number
	if typed == "" {
		typed = o.Written
	}
	if typed == "" {
		return nil, nil
	}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Discs()
		if err != nil {
			return err
		}
		r, err := parseRef(typed, prefixOf(all))
		if err != nil {
			return err
		}
		if w, err := parseRef(o.Written, prefixOf(all)); o.Written != "" && err == nil && w.number == r.number {
			// The number says which, and what is written says which of the twins.
			if r.twin == "" {
				r.twin = w.twin
			}
			if r.part == 0 {
				r.part = w.part
			}
		}
		for _, d := range all {
			if d.Number == r.number && (r.twin == "" || d.Twin == r.twin) && (r.part == 0 || d.Part == r.part) {
				cand = append(cand, d)
			}
		}
		if len(cand) == 0 {
			if o.Number == "" {
				return nil // written on a disc that nobody registered
			}
			_, err := findDisc(t, ledger.Disc{Number: r.number, Twin: r.twin, Part: r.part}.Name())
			return err
		}
		return sameContents(t, cand)
	})
	return cand, err
}

// sameContents refuses discs that hold different things: which one is meant must be said.
func sameContents(t *ledger.Tx, ds []ledger.Disc) error {
	var first []ledger.DiscFile
	for i, d := range ds {
		fs, err := t.DiscFiles(d.ID)
		if err != nil {
			return err
		}
		if i == 0 {
			first = fs
			continue
		}
		if d.Kind != ds[0].Kind || !slices.EqualFunc(first, fs, func(a, b ledger.DiscFile) bool { return a.File == b.File && a.Version == b.Version }) {
			return fmt.Errorf("there are %s, and they don't hold the same: say which, with all that is written on the disc: %w", names(ds), fixity.ErrRefused)
		}
	}
	return nil
}

// wanted is what was burned on a disc, with what it can be compared with; without src,
// what the ledger knows of it.
func (e *Env) wanted(ctx context.Context, d ledger.Disc, src *sources) (DiscWant, []CheckedFile, error) {
	w := DiscWant{Kind: d.Kind, Baseline: d.Baseline}
	var files []CheckedFile
	var burned []ledger.File
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		fs, err := t.DiscFiles(d.ID)
		if err != nil {
			return err
		}
		for _, x := range fs {
			f, err := t.File(x.File)
			if err != nil {
				return err
			}
			vs, err := t.Versions(f.ID)
			if err != nil {
				return err
			}
			wf := WantedFile{Name: x.Name, Size: -1}
			for _, v := range vs {
				if v.N != x.Version {
					continue
				}
				wf.Size = v.Size
				for _, dg := range []fixity.Digest{v.BLAKE3, v.SHA256, v.MD5} {
					if !dg.IsZero() {
						wf.Digests = append(wf.Digests, dg)
					}
				}
				if src == nil {
					continue
				}
				if wf.Blocks, err = t.Blocks(f.ID, v.N); err != nil && !errors.Is(err, fixity.ErrNotFound) {
					return err
				}
			}
			if d.Kind == ledger.AudioDisc {
				s, err := t.Sound(f.ID, x.Version)
				if err != nil && !errors.Is(err, fixity.ErrNotFound) {
					return err
				}
				wf.Samples = int64(math.Round(s.Duration.Seconds() * 44100))
			}
			w.Files = append(w.Files, wf)
			burned = append(burned, f)
			files = append(files, CheckedFile{File: f.ID, Set: f.Set, Path: f.Path, Version: x.Version, Name: x.Name, Retired: !f.Retired.IsZero(), DiscHolds: DiscHolds{LBA: -1}})
		}
		return nil
	}); err != nil {
		return w, nil, err
	}
	if d.Kind != ledger.AudioDisc || src == nil {
		return w, files, nil
	}
	for i, f := range burned {
		snd, err := src.sound(ctx, f, files[i].Version)
		if err != nil {
			return w, files, err
		}
		w.Files[i].Sound = snd
		files[i].Store = src.copies[f.ID].Store
	}
	return w, files, nil
}
