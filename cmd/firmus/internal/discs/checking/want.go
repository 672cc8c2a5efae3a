package checking

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"

	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
)

// candidates are the registered discs that the order may mean: one, or twins of which
// none was named; none if no number was given.
func (e Desk) candidates(ctx context.Context, o Order) (cand []ledger.Disc, err error) {
	typed := o.Number
	if typed == "" {
		typed = o.Written
	}
	if typed == "" {
		return nil, nil
	}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Discs.All()
		if err != nil {
			return err
		}
		r, err := discs.Parse(typed, all)
		if err != nil {
			return err
		}
		if w, err := discs.Parse(o.Written, all); o.Written != "" && err == nil && w.Number == r.Number {
			// The number says which, and what is written says which of the twins.
			if r.Twin != "" && w.Twin != "" && r.Twin != w.Twin {
				return fmt.Errorf("you ask for %s, and say that %s is written on it: look at the disc, and name the one that is written there: %w", r.Name(), w.Name(), fixity.ErrRefused)
			}
			if r.Twin == "" {
				r.Twin = w.Twin
			}
			if r.Part == 0 {
				r.Part = w.Part
			}
		}
		if cand = r.Fits(all); len(cand) > 0 {
			return registering.SameContents(t, cand)
		}
		if o.Number == "" {
			return nil // written on a disc that nobody registered
		}
		return r.None(all)
	})
	return cand, err
}

// wanted is what was burned on a disc, with what it can be compared with; without src,
// what the ledger knows of it.
func (e Desk) wanted(ctx context.Context, d ledger.Disc, src *sources) (burned.Want, []discs.File, error) {
	w := burned.Want{Kind: optical.Kind(d.Kind)}
	if len(d.Baseline) > 0 {
		w.Baseline = &burned.Baseline{}
		if err := w.Baseline.UnmarshalBinary(d.Baseline); err != nil {
			return w, nil, fmt.Errorf("disc %s: what its first reading gave can't be read: %w", d.Name(), err)
		}
	}
	var files []discs.File
	var of []ledger.File
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		fs, err := t.Discs.FilesOn(d.ID)
		if err != nil {
			return err
		}
		for _, x := range fs {
			f, err := t.Files.Get(x.File)
			if err != nil {
				return err
			}
			vs, err := t.Files.Versions(f.ID)
			if err != nil {
				return err
			}
			wf := burned.File{Name: x.Name, Size: -1}
			df := discs.File{ID: f.ID, Set: f.Set, Path: f.Path, Version: x.Version, Retired: !f.Retired.IsZero(), Held: burned.Held{Name: x.Name, LBA: -1}}
			for _, v := range vs {
				if v.N != x.Version {
					continue
				}
				wf.Size = v.Size
				if v.N > 1 {
					df.SignedOff = v.At
				}
				for _, dg := range []fixity.Digest{v.BLAKE3, v.SHA256, v.MD5} {
					if !dg.IsZero() {
						wf.Digests = append(wf.Digests, dg)
					}
				}
				if src == nil {
					continue
				}
				if wf.Blocks, err = t.Files.Blocks(f.ID, v.N); err != nil && !errors.Is(err, fixity.ErrNotFound) {
					return err
				}
			}
			if d.Kind == ledger.AudioDisc {
				s, err := t.Files.Sound(f.ID, x.Version)
				if err != nil && !errors.Is(err, fixity.ErrNotFound) {
					return err
				}
				wf.Samples = int64(math.Round(s.Duration.Seconds() * cdda.Rate))
				if x, ok := hearing.Recorded(s); ok {
					df.Format = registering.FormatOf(x)
				}
			}
			w.Files = append(w.Files, wf)
			of = append(of, f)
			files = append(files, df)
		}
		return nil
	}); err != nil {
		return w, nil, err
	}
	if src == nil {
		return w, files, nil
	}
	if d.Kind != ledger.AudioDisc {
		for i, f := range of {
			w.Files[i].Copy = func() (io.ReaderAt, error) { return src.bytes(ctx, f, files[i].Version) }
		}
		return w, files, nil
	}
	for i, f := range of {
		snd, err := src.sound(ctx, f, files[i].Version)
		if err != nil {
			return w, files, err
		}
		w.Files[i].Sound = snd
		files[i].Store = src.copies[f.ID].Store
	}
	return w, files, nil
}
