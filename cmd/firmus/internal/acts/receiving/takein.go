package receiving

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// arrival is a new file with what each store holds of it.
type arrival struct {
	path     string
	held     []heldIn
	vouched  bool
	twice    bool          // where it arrives it was read twice, alike
	listed   bool          // checksums came with it
	differs  bool          // from one of them
	disputed []fixity.Fact // why; none if nothing disagrees
	sound    ledger.Sound
}

type heldIn struct {
	store  string
	at     string // its path there, which may be spelled in another way
	taken  audit.Taken
	lasts  time.Duration // its sound; 0: not known, or nobody asked
	sameAs string        // the store whose file this is under a second name; it vouches for nothing
}

// told is what a store held when the file was taken in.
func (h heldIn) told() fixity.Fact {
	return fixity.Fact{Is: fixity.Held, Store: h.store, Bytes: h.taken.Sums.Size, Date: h.taken.Entry.ModTime.UTC(), For: h.lasts}
}

// Digests are those of every version. Others are computed where a list beside the files, a
// bag or a service asks for them.
var Digests = []fixity.Algorithm{fixity.BLAKE3, fixity.SHA256}

// taken judges a new file that was read, and adds it to the batch.
func (in *intake) taken(ctx context.Context, r *newFile) error {
	x := arrival{path: r.path}
	for _, g := range r.got {
		switch {
		case g.err == nil:
			x.held = append(x.held, g.heldIn)
		case context.Cause(ctx) != nil:
			return context.Cause(ctx)
		case g.store == r.arrivals && errors.Is(g.err, fixity.ErrAway):
			return g.err
		case !slices.Contains(in.here[g.store], in.set): // it went, as was said
		default:
			in.res.Trouble = append(in.res.Trouble, fmt.Sprintf("store %s: %q was not read: %v", g.store, g.at, g.err))
			if g.store == r.arrivals {
				return nil // not taken in
			}
			if errors.Is(g.err, fixity.ErrAway) {
				delete(in.here, g.store) // it went: the rest is taken in without it
			}
		}
	}
	x.sound = r.sound
	if err := in.ownOnly(ctx, &x); err != nil {
		return err
	}
	x.judge(r.provided, r.arrivals)
	lacking, err := in.lacking(&x)
	if err != nil {
		return err
	}
	if x.disputed != nil || lacking && !x.vouched {
		if keeps, err := in.again(ctx, &x, r); err != nil || !keeps {
			return err
		}
	}
	in.batch = append(in.batch, x)
	if len(in.batch) >= batchFiles || in.e.Now().Sub(in.last).Abs() >= intakeAfter {
		return in.commit(ctx)
	}
	return nil
}

// lacking says that a new file is no whole recording, by what was read of it.
func (in *intake) lacking(x *arrival) (bool, error) {
	set, _ := in.e.Rules.Set(in.set)
	t, heard, err := x.sound.Transfer(set.Role, x.path, x.held[0].taken.Sums.Size)
	return heard && len(care.Unfinished(t)) > 0, err
}

// again reads once more what disagrees, or is no whole recording by one reading alone: one wrong
// reading is no other version, and no broken transfer either. A store that
// gives other bytes this time says nothing of the file, and is left out; if it is the one where
// the file arrives, the file isn't taken in (keeps is false), and a later intake tries it again.
// Whoever decides must know how long each side is, too.
func (in *intake) again(ctx context.Context, x *arrival, r *newFile) (keeps bool, err error) {
	aud, _ := in.auditor(nil)
	var steady []heldIn
	for _, h := range x.held {
		again, s, err := hearing.Take(ctx, aud, h.store, in.set, h.at, in.o.Cache, fixity.BLAKE3)
		switch {
		case context.Cause(ctx) != nil:
			return false, context.Cause(ctx)
		case err == nil && again.Digest(fixity.BLAKE3) != h.taken.Digest(fixity.BLAKE3):
			in.res.Trouble = append(in.res.Trouble, fmt.Sprintf("store %s: %q gave other bytes when it was read once more. Unless somebody saved it just now, check cable, port and hub", h.store, h.at))
			if h.store == r.arrivals {
				return false, nil
			}
			continue
		case h.store == r.arrivals:
			h.lasts, x.twice = x.sound.Duration, err == nil && in.o.Cache != fixity.Allowed
		case err == nil:
			h.lasts = s.Duration
		}
		steady = append(steady, h)
	}
	if len(steady) < len(x.held) {
		*x = arrival{path: x.path, held: steady, sound: x.sound, twice: x.twice}
		x.judge(r.provided, r.arrivals)
	}
	return true, nil
}

// spelled is where a store shows the file of a path of the arrivals store: there, or under
// the same name in another Unicode form or case, if only one thing in either store has it.
// It is "" if it lies nowhere.
func (in *intake) spelled(ctx context.Context, store, arrivals, path string) (string, error) {
	if in.there[store][path] {
		return path, nil
	}
	there, err := in.spellings(ctx, store)
	if err != nil {
		return "", err
	}
	at := there[ledger.Fold(path)]
	if at == "" {
		return "", nil
	}
	own, err := in.spellings(ctx, arrivals)
	if err != nil || own[ledger.Fold(path)] != path {
		return "", err
	}
	return at, nil
}

// spellings are the strays of a store in the set by their names without form and case; "" is
// in the place of names that several have. They are asked for once an intake and set.
func (in *intake) spellings(ctx context.Context, store string) (map[string]string, error) {
	key := store + "/" + in.set
	if m, ok := in.folds[key]; ok {
		return m, nil
	}
	m := map[string]string{}
	for top, after := "", ""; ; {
		var page []ledger.Stray
		if err := in.e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
			page, err = t.Strays.Each(store, in.set, top, after, 1000)
			return err
		}); err != nil {
			return nil, err
		}
		for _, s := range page {
			top, after = ledger.Top(s.Path), s.Path
			f := ledger.Fold(s.Path)
			if _, twice := m[f]; twice {
				m[f] = ""
			} else {
				m[f] = s.Path
			}
		}
		if len(page) < 1000 {
			break
		}
	}
	if in.folds == nil {
		in.folds = map[string]map[string]string{}
	}
	in.folds[key] = m
	return m, nil
}

// ownOnly finds out which of the files that were read are one file under two names.
func (in *intake) ownOnly(ctx context.Context, x *arrival) error {
	for i := range x.held {
		b, err := in.used[x.held[i].store].Root(in.set, in.o.Cache)
		if err != nil {
			return err
		}
		for _, h := range x.held[:i] {
			a, err := in.used[h.store].Root(in.set, in.o.Cache)
			if err != nil {
				return err
			}
			same, err := archive.SameFile(ctx, a, h.at, b, x.held[i].at)
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
			x.disputed = []fixity.Fact{{Is: fixity.StoresDiffer, Store: x.held[0].store, Other: h.store}}
		case h.sameAs == "":
			x.vouched = true
		}
	}
	for _, p := range provided {
		for _, h := range x.held {
			if h.store != arrivals {
				continue
			}
			x.listed = true
			switch got := h.taken.Digest(p.Digest.Algorithm); {
			case got != p.Digest:
				x.differs = true
				x.disputed = []fixity.Fact{{Is: fixity.ListDiffers, Store: h.store, Said: []string{p.Source}}}
			default:
				x.vouched = true
			}
		}
	}
	x.vouched = x.vouched && x.disputed == nil
}

// providedFor are the checksums that came with a file. Lists are read once a folder.
func (in *intake) providedFor(ctx context.Context, arrivals, path string) ([]ProvidedDigest, error) {
	top := ledger.Top(path)
	if key := in.set + "/" + top; in.listsOf != key {
		root, err := in.used[arrivals].Root(in.set, in.o.Cache)
		if err != nil {
			return nil, err
		}
		if in.lists, err = readProvided(ctx, root, top); err != nil {
			return nil, err
		}
		in.listsOf = key
		in.res.Warnings = append(in.res.Warnings, in.lists.Warnings...)
	}
	return in.lists.Digests[path], nil
}

// results are the readings of a batch as the record keeps them; files are theirs.
func results(batch []arrival, files []ledger.File) []ledger.IntakeReading {
	var out []ledger.IntakeReading
	for i, x := range batch {
		for _, h := range x.held {
			o := fixity.ReadIntact
			if x.disputed != nil {
				o = fixity.ReadDiffers
			}
			out = append(out, ledger.IntakeReading{Store: h.store, File: files[i].ID, Size: h.taken.Sums.Size, Cache: h.taken.Cache, Outcome: o, At: h.taken.At, Listed: x.listed, Differs: x.differs})
		}
	}
	return out
}

// takeIn writes new files: the version of each if nothing disagrees, and a copy for
// each store that should hold it.
func (e Acts) takeIn(t *ledger.Tx, set string, batch []arrival, audit int64) ([]ledger.File, error) {
	var news []ledger.NewFile
	for i := range batch {
		news = append(news, e.newFile(t, set, &batch[i]))
	}
	files, err := t.Files.AddAll(e.By, news)
	if err != nil {
		return nil, err
	}
	retired, err := t.Stores.Retired()
	if err != nil {
		return nil, err
	}
	var copies []ledger.Copy
	for _, s := range e.Rules.Stores {
		if !s.Holds(set) || !e.Listable(s.Kind) || slices.Contains(retired, s.Name) {
			continue
		}
		var known []string // strays until now
		for i, x := range batch {
			known = append(known, x.path)
			for _, h := range x.held {
				if h.store == s.Name && h.at != x.path {
					known = append(known, h.at)
				}
			}
			copies = append(copies, newCopy(files[i], s, t.Now(), x))
		}
		if err := t.Strays.DropAll(s.Name, set, known); err != nil {
			return nil, err
		}
	}
	if err := t.Copies.PutNew(copies); err != nil {
		return nil, err
	}
	for i, x := range batch {
		if err := t.Findings.JudgeNew(files[i], news[i].Version, audit, e.By); err != nil {
			return nil, err
		}
		if x.disputed == nil {
			continue
		}
		for _, h := range x.held {
			if err := t.Findings.JudgeDisputed(files[i].ID, audit, e.By, h.store, append(slices.Clip(x.disputed), h.told())); err != nil {
				return nil, err
			}
		}
	}
	return files, nil
}

func (e Acts) newFile(t *ledger.Tx, set string, x *arrival) ledger.NewFile {
	first := x.held[0].taken
	for _, h := range x.held {
		if rule, _ := e.Rules.Store(h.store); rule.Arrivals {
			first = h.taken
		}
	}
	f := ledger.NewFile{Set: set, Path: x.path, Changed: first.Entry.ModTime, Vouched: x.vouched}
	if f.Changed.After(t.Now()) {
		f.Changed = t.Now()
	}
	if x.disputed == nil {
		f.Version = ledger.VersionOf(first.Sums.Size, first.Sums.Digests, first.Sums.Blocks, e.By, "")
		f.Version.Sound = &x.sound
	}
	return f
}

// newCopy is what a store holds of a file that is taken in.
func newCopy(f ledger.File, s care.Store, now time.Time, x arrival) ledger.Copy {
	e, same, at := care.TakenIn{}, "", f.Path
	for _, h := range x.held {
		if h.store != s.Name {
			continue
		}
		same, at = h.sameAs, h.at
		e = care.TakenIn{Found: true, Version: f.Version, Size: h.taken.Sums.Size, ModTime: h.taken.Entry.ModTime.UnixNano(), InodeAt: h.taken.Entry.InodeAt(), At: h.taken.At, Cache: h.taken.Cache, Sole: s.Arrivals && !x.vouched && !x.twice}
		if x.disputed != nil {
			e.Version, e.Digest = 0, h.taken.Digest(fixity.BLAKE3)
		}
	}
	c, _ := care.After(ledger.Copy{Store: s.Name, Set: f.Set, At: at, File: f.ID, SameAs: same}, e, care.Given{Now: now, Store: s})
	return c
}
