package acts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// arrival is a new file with what each store holds of it.
type arrival struct {
	path     string
	held     []heldIn
	vouched  bool
	disputed string // why; "" if nothing disagrees
	sound    ledger.Sound
}

type heldIn struct {
	store  string
	taken  audit.Taken
	sameAs string // the store whose file this is under a second name; it vouches for nothing
}

var intakeDigests = []fixity.Algorithm{fixity.BLAKE3, fixity.SHA256, fixity.MD5}

// one reads a new file wherever it is and adds it to the batch.
func (in *intake) one(ctx context.Context, arrivals, path string) error {
	provided, err := in.providedFor(ctx, arrivals, path)
	if err != nil {
		return err
	}
	algs := slices.Clone(intakeDigests)
	for _, p := range provided {
		if !slices.Contains(algs, p.Digest.Algorithm) {
			algs = append(algs, p.Digest.Algorithm)
		}
	}
	x := arrival{path: path}
	aud := in.e.auditor()
	for _, s := range in.e.Rules.Stores {
		if !slices.Contains(in.here[s.Name], in.set) {
			continue
		}
		if s.Name != arrivals {
			// Only what the listing showed there is read.
			err := in.e.Ledger.View(ctx, func(t *ledger.Tx) error { _, err := t.StrayAt(s.Name, in.set, path); return err })
			if errors.Is(err, fixity.ErrNotFound) {
				continue
			}
			if err != nil {
				return err
			}
		}
		var taken audit.Taken
		if s.Name == arrivals {
			taken, x.sound, err = in.e.takeHearing(ctx, s.Name, in.set, path, in.o.Cache, algs...)
		} else {
			taken, err = aud.Take(ctx, s.Name, in.set, path, in.o.Cache, algs...)
		}
		switch {
		case err == nil:
			x.held = append(x.held, heldIn{store: s.Name, taken: taken})
		case context.Cause(ctx) != nil:
			return context.Cause(ctx)
		case s.Name == arrivals && errors.Is(err, fixity.ErrAway):
			return err
		default:
			in.res.Trouble = append(in.res.Trouble, fmt.Sprintf("store %s: %q was not read: %v", s.Name, path, err))
			if s.Name == arrivals {
				return nil // not taken in
			}
		}
	}
	if err := in.ownOnly(ctx, &x); err != nil {
		return err
	}
	x.judge(provided, arrivals)
	in.batch = append(in.batch, x)
	if len(in.batch) >= intakeFiles || in.e.Now().Sub(in.last).Abs() >= intakeAfter {
		return in.commit(ctx)
	}
	return nil
}

// ownOnly finds out which of the files that were read are one file under two names.
func (in *intake) ownOnly(ctx context.Context, x *arrival) error {
	for i := range x.held {
		b, err := in.e.Root(x.held[i].store, in.set, in.o.Cache)
		if err != nil {
			return err
		}
		for _, h := range x.held[:i] {
			a, err := in.e.Root(h.store, in.set, in.o.Cache)
			if err != nil {
				return err
			}
			same, err := sameFile(ctx, a, x.path, b, x.path)
			if err != nil {
				return err
			}
			if same && h.sameAs == "" {
				x.held[i].sameAs = h.store
			}
		}
	}
	return nil
}

// judge compares what the stores hold with each other and with the lists that
// came with the files.
func (x *arrival) judge(provided []ProvidedDigest, arrivals string) {
	for _, h := range x.held[1:] {
		switch {
		case h.taken.Digest(fixity.BLAKE3) != x.held[0].taken.Digest(fixity.BLAKE3):
			x.disputed = fmt.Sprintf("%s and %s hold different bytes", x.held[0].store, h.store)
		case h.sameAs == "":
			x.vouched = true
		}
	}
	for _, p := range provided {
		for _, h := range x.held {
			switch got := h.taken.Digest(p.Digest.Algorithm); {
			case h.store != arrivals:
			case got != p.Digest:
				x.disputed = fmt.Sprintf("%s gives another digest than the bytes in %s have", p.Source, h.store)
			default:
				x.vouched = true
			}
		}
	}
	x.vouched = x.vouched && x.disputed == ""
}

// providedFor are the checksums that came with a file. Lists are read once a folder.
func (in *intake) providedFor(ctx context.Context, arrivals, path string) ([]ProvidedDigest, error) {
	top := ledger.Top(path)
	if key := in.set + "/" + top; in.listsOf != key && in.e.Provided != nil {
		root, err := in.e.Root(arrivals, in.set, in.o.Cache)
		if err != nil {
			return nil, err
		}
		if in.lists, err = in.e.Provided(ctx, root, top); err != nil {
			return nil, err
		}
		in.listsOf = key
		in.res.Warnings = append(in.res.Warnings, in.lists.Warnings...)
	}
	return in.lists.Digests[path], nil
}

// results are the readings of a batch as the record keeps them.
func results(batch []arrival) []ledger.Reading {
	var out []ledger.Reading
	for _, x := range batch {
		for _, h := range x.held {
			o := fixity.ReadIntact
			if x.disputed != "" {
				o = fixity.ReadDiffers
			}
			out = append(out, ledger.Reading{Store: h.store, Path: x.path, Cache: h.taken.Cache, Outcome: o, At: h.taken.At})
		}
	}
	return out
}

// takeIn writes one new file: its version if nothing disagrees, and a copy for
// each store that should hold it.
func (e *Env) takeIn(t *ledger.Tx, set string, x arrival, audit int64) error {
	first := x.held[0].taken
	for _, h := range x.held {
		if rule, _ := e.Rules.Store(h.store); rule.Arrivals {
			first = h.taken
		}
	}
	var v ledger.Version
	if x.disputed == "" {
		v = ledger.VersionOf(first.Sums.Size, first.Sums.Digests, first.Sums.Blocks, e.By, "taken in")
		v.Sound = &x.sound
	}
	changed := first.Entry.ModTime
	if changed.After(t.Now()) {
		changed = t.Now()
	}
	f, err := t.AddFile(set, x.path, e.By, changed, x.vouched, v)
	if err != nil {
		return err
	}
	if err := t.JudgeTransfer(f.ID, audit, e.By); err != nil {
		return err
	}
	for _, s := range e.Rules.Stores {
		if !s.Holds(set) || !e.listable(s.Kind) {
			continue
		}
		if err := t.DropStray(s.Name, set, x.path); err != nil {
			return err
		}
		if err := t.PutCopy(ledger.Copy{}, newCopy(f, s, t.Now(), x)); err != nil {
			return err
		}
	}
	if x.disputed == "" {
		return nil
	}
	for _, h := range x.held {
		if err := t.JudgeDisputed(f.ID, audit, e.By, h.store, x.disputed); err != nil {
			return err
		}
	}
	return nil
}

// newCopy is what a store holds of a file that is taken in.
func newCopy(f ledger.File, s policy.Store, now time.Time, x arrival) ledger.Copy {
	e, same := care.TakenIn{}, ""
	for _, h := range x.held {
		if h.store != s.Name {
			continue
		}
		same = h.sameAs
		e = care.TakenIn{Found: true, Version: f.Version, Size: h.taken.Sums.Size, ModTime: h.taken.Entry.ModTime.UnixNano(), At: h.taken.At, Cache: h.taken.Cache}
		if x.disputed != "" {
			e.Version, e.Digest = 0, h.taken.Digest(fixity.BLAKE3)
		}
	}
	c, _ := care.After(ledger.Copy{Store: s.Name, Set: f.Set, At: f.Path, File: f.ID, SameAs: same}, e, care.Rules{Now: now, Store: s})
	return c
}
