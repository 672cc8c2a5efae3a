package acts

import (
	"context"
	"errors"
	"io"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/damage"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
)

// maxExamined bounds how many altered copies are compared with an intact one after
// an audit: each costs reading two files once more, and a mass change is no damage
// to be looked at file by file.
const maxExamined = 20

// examineFresh compares the copies that were seen to be altered since a time with an
// intact copy beside them, byte by byte, where one can be read: the ranges are then
// exact, and a changed description is told from changed sound. The newest come first: of
// many, they are what the next letter tells. What couldn't be compared costs no reading,
// and takes no other's turn.
func (e Acts) examineFresh(ctx context.Context, order, since time.Time) error {
	var fs []ledger.Finding
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Findings.Open("")
		for _, f := range all {
			if f.Subject == fixity.OfFile && f.Kind == fixity.Kind(fixity.Altered) && !f.Seen.Before(since) && !f.Facts.Tells(fixity.Compared) && f.Incident == 0 && e.ListableStore(f.Store) {
				fs = append(fs, f)
			}
		}
		return err
	}); err != nil {
		return err
	}
	if err := e.carriedOver(ctx, order); err != nil {
		return err
	}
	read := 0
	for _, f := range slices.Backward(fs) {
		if read == maxExamined {
			break
		}
		compared, err := e.examine(ctx, f, e.Share != nil)
		if compared {
			read++
		}
		if context.Cause(ctx) != nil {
			return context.Cause(ctx)
		}
		if err != nil {
			// What the block sums said stands.
			e.Sayf("finding %d: %s in %s could not be compared with an intact copy: %v", f.ID, ledger.DisplayPath(f.Path), f.Store, err)
		}
	}
	return nil
}

// CompareHere compares a finding's copy with an intact one that this host reaches, too. Errors
// wrap fixity.ErrAway if it doesn't reach both.
func (e Acts) CompareHere(ctx context.Context, finding int64) error {
	var f ledger.Finding
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { f, err = t.Findings.Get(finding); return err }); err != nil || !f.Open() || f.Facts.Tells(fixity.Compared) {
		return err
	}
	_, err := e.examine(ctx, f, false)
	return err
}

// examine finds out whose bytes a copy holds, and compares it with an intact one where
// that can be read: here, or else, if others may, on a host that shares the ledger. It says
// whether it began to compare them.
func (e Acts) examine(ctx context.Context, f ledger.Finding, others bool) (compared bool, err error) {
	var seen ledger.Seen
	var whose []fixity.Fact
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if seen, err = t.SeeFinding(f.ID); err != nil {
			return err
		}
		whose, err = whoseBytes(t, f, seen.Copies)
		return err
	}); err != nil {
		return false, err
	}
	if !seen.Finding.Open() || seen.Finding.Kind != f.Kind {
		return false, nil
	}
	copies := seen.Copies
	var bad *ledger.Copy
	var good []ledger.Copy // the best first
	for i, c := range copies {
		switch {
		case c.Store == f.Store && c.Carrier == f.Carrier:
			bad = &copies[i]
		case c.State == fixity.Intact && e.ListableStore(c.Store):
			good = append(good, c)
		}
	}
	slices.SortStableFunc(good, func(a, b ledger.Copy) int { return repair.Better(e.Rules, a, b) })
	x := comparison{dmg: damage.Damage{Anatomy: f.Anatomy, Ranges: f.Ranges, More: f.RangesMore}}
	switch {
	case bad == nil, len(good) == 0 && whose == nil:
		return false, nil // no intact copy can be read beside it
	case len(good) > 0:
		for _, g := range good {
			if x, err = e.compare(ctx, g, *bad); !errors.Is(err, fixity.ErrAway) {
				break
			}
		}
		if errors.Is(err, fixity.ErrAway) && others {
			return true, e.compareElsewhere(ctx, f, good)
		}
		if err != nil {
			return true, err
		}
		if x.dmg.None() {
			return true, errors.New("it is the same as the intact copy now: audit again")
		}
	}
	return len(good) > 0, e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if err := t.Still(seen); errors.Is(err, fixity.ErrChangedMeanwhile) {
			return nil // the next audit compares what is there then
		} else if err != nil {
			return err
		}
		now, err := t.Findings.Get(f.ID)
		if err != nil {
			return err
		}
		return t.Findings.Examined(now, x.dmg.Anatomy, x.dmg.Ranges, x.dmg.More, slices.Concat(now.Facts.Seen, x.facts, whose), e.By)
	})
}

// compareElsewhere has a finding's copy compared with one of some intact ones by another host.
func (e Acts) compareElsewhere(ctx context.Context, f ledger.Finding, good []ledger.Copy) error {
	var in []string
	for _, g := range good {
		in = append(in, g.Store)
	}
	if err := e.Share.Compare(ctx, f.ID, f.Store, in); err != nil {
		return err
	}
	return e.Ledger.View(ctx, func(t *ledger.Tx) error {
		now, err := t.Findings.Get(f.ID)
		if err == nil && now.Open() && !now.Facts.Tells(fixity.Compared) {
			err = errors.New("another host was asked for it, and its log says why not")
		}
		return err
	})
}

// whoseBytes says of which other file the bytes in a finding's copy are, and whether that
// one has this one's; nothing if they are of none, or if that was told.
func whoseBytes(t *ledger.Tx, f ledger.Finding, copies []ledger.Copy) ([]fixity.Fact, error) {
	i := slices.IndexFunc(copies, func(c ledger.Copy) bool { return c.Store == f.Store && c.Carrier == f.Carrier && !c.Wrong.IsZero() })
	if i < 0 || f.Facts.Tells(fixity.BytesOf, fixity.Exchanged) {
		return nil, nil
	}
	all, err := Theirs(t, f, copies[i].Wrong)
	all = slices.DeleteFunc(all, func(x Other) bool { return x.Double })
	if err != nil || len(all) == 0 {
		return nil, err
	}
	one := all[max(0, slices.IndexFunc(all, func(x Other) bool { return x.Exchanged }))]
	x := fixity.Fact{Is: fixity.BytesOf, Set: one.File.Set, Places: []fixity.Path{fixity.Path(one.File.Path)}}
	if one.Exchanged {
		x.Is = fixity.Exchanged
	}
	return []fixity.Fact{x}, nil
}

// Other is another file that has certain bytes, or had them.
type Other struct {
	File      ledger.File
	Double    bool // it has or had the bytes of the finding's file, too
	Exchanged bool // its copy in the finding's store has them now
}

// Theirs are the files besides a finding's that have the bytes with a digest, or had them;
// those of which it is the version come first. Nobody's is what has no bytes at all.
func Theirs(t *ledger.Tx, f ledger.Finding, b3 fixity.Digest) (out []Other, err error) {
	same, err := t.Files.ByDigest(b3)
	if err != nil || !slices.ContainsFunc(same, func(h ledger.Holds) bool { return h.File.ID != f.File }) {
		return nil, err
	}
	now, err := t.Files.Get(f.File)
	if err != nil {
		return nil, err
	}
	double := map[int64]bool{}
	if now.Version > 0 {
		v, err := t.Files.Version(f.File, now.Version)
		if err != nil {
			return nil, err
		}
		mine, err := t.Files.ByDigest(v.BLAKE3)
		if err != nil {
			return nil, err
		}
		for _, h := range mine {
			double[h.File.ID] = true
		}
	}
	known := map[int64]bool{f.File: true}
	for _, h := range same {
		if known[h.File.ID] {
			continue
		}
		known[h.File.ID] = true
		if v, err := t.Files.Version(h.File.ID, h.Version); err != nil {
			return nil, err
		} else if v.Size == 0 {
			return nil, nil
		}
		x := Other{File: h.File, Double: double[h.File.ID]}
		if now.Version > 0 {
			if x.Exchanged, err = holdsInstead(t, f, h.File.ID); err != nil {
				return nil, err
			}
		}
		out = append(out, x)
	}
	return out, nil
}

// holdsInstead says that another file's copy in the store of a finding was shown to hold
// the bytes of the finding's file.
func holdsInstead(t *ledger.Tx, f ledger.Finding, other int64) (bool, error) {
	now, err := t.Files.Get(f.File)
	if err != nil {
		return false, err
	}
	v, err := t.Files.Version(f.File, now.Version)
	if err != nil {
		return false, err
	}
	copies, err := t.Copies.Of(other)
	return slices.ContainsFunc(copies, func(c ledger.Copy) bool {
		return c.Store == f.Store && c.Carrier == f.Carrier && c.Wrong == v.BLAKE3
	}), err
}

// comparison is what reading an intact and a damaged copy side by side showed.
type comparison struct {
	dmg   damage.Damage
	facts []fixity.Fact
}

func (e Acts) compare(ctx context.Context, good, bad ledger.Copy) (x comparison, err error) {
	err = e.Stores().Use(ctx, bad.Store, archive.Soon, func(ctx context.Context, b *stores.Used) error {
		if err := needs(b, []string{bad.Set}); err != nil {
			return err
		}
		return e.Stores().Use(ctx, good.Store, archive.Soon, func(ctx context.Context, g *stores.Used) (err error) {
			if err := needs(g, []string{good.Set}); err != nil {
				return err
			}
			x, err = compareIn(ctx, g, good, b, bad)
			return err
		})
	})
	return x, err
}

func compareIn(ctx context.Context, inGood *stores.Used, good ledger.Copy, inBad *stores.Used, bad ledger.Copy) (comparison, error) {
	g, err := OpenCopy(ctx, inGood, good)
	if err != nil {
		return comparison{}, err
	}
	defer g.Close()
	b, err := OpenCopy(ctx, inBad, bad)
	if err != nil {
		return comparison{}, err
	}
	defer b.Close()
	tapG, tapB := essence.NewTap(g.size), essence.NewTap(b.size)
	defer tapG.Close()
	defer tapB.Close()
	dmg, err := damage.FromBytes(ctx, io.TeeReader(g, tapG), io.TeeReader(b, tapB), g.size, b.size)
	if err != nil {
		return comparison{}, err
	}
	differ := fixity.Fact{Is: fixity.Compared, Store: good.Store, Bytes: dmg.Bytes}
	if dmg.Anatomy == fixity.Flipped {
		differ.Bits = dmg.Bits
	}
	out := comparison{dmg: dmg, facts: []fixity.Fact{differ}}
	sg, _, err1 := tapG.Sound()
	sb, _, err2 := tapB.Sound()
	if err1 != nil || err2 != nil || sg.Format == sound.Opaque {
		return out, nil
	}
	if damage.DescriptionOnly(damage.Sound{Layout: hearing.Layout(sg), Samples: sg.Samples}, damage.Sound{Layout: hearing.Layout(sb), Samples: sb.Samples}) {
		// Bytes hung on the end, or lost there, are told as such all the same.
		if dmg.Anatomy != fixity.Grown && dmg.Anatomy != fixity.CutShort {
			out.dmg.Anatomy = fixity.DescriptionOnly
		}
		out.facts = append(out.facts, fixity.Fact{Is: fixity.SoundSame})
	}
	return out, nil
}

type openedCopy struct {
	fixity.Reader
	size int64
}

func OpenCopy(ctx context.Context, u *stores.Used, c ledger.Copy) (openedCopy, error) {
	root, err := u.Root(c.Set, fixity.Bypassed)
	if err != nil {
		return openedCopy{}, err
	}
	x, err := root.Stat(ctx, c.At)
	if err != nil {
		return openedCopy{}, err
	}
	r, err := root.Open(ctx, x, 0)
	return openedCopy{r, x.Size}, err
}

// Damage is where in a recording a finding's damage lies.
type Damage struct {
	Spans    []damage.Span
	Duration time.Duration
}

// Hurt gives the stretches of DamageOf, for a stave.
func (e Acts) Hurt(ctx context.Context) func(ledger.Finding) ([]damage.Span, error) {
	return func(f ledger.Finding) ([]damage.Span, error) {
		d, _, err := e.DamageOf(ctx, f)
		return d.Spans, err
	}
}

// DamageOf says when in the recording a finding's ranges are heard, if the file's
// sound is known.
func (e Acts) DamageOf(ctx context.Context, f ledger.Finding) (Damage, bool, error) {
	if f.File == 0 || len(f.Ranges) == 0 {
		return Damage{}, false, nil
	}
	var s ledger.Sound
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		file, err := t.Files.Get(f.File)
		if err != nil || file.Version == 0 {
			return err
		}
		s, err = t.Files.Sound(f.File, file.Version)
		return err
	}); err != nil {
		return Damage{}, false, err
	}
	layout, ok := hearing.LayoutOf(s)
	if !ok {
		return Damage{}, false, nil
	}
	return Damage{damage.Times(f.Ranges, layout), s.Duration}, true, nil
}

// carriedOver tells of new findings in stores that follow one another that they are
// one act: a wrong hand in the one was carried over to the other.
func (e Acts) carriedOver(ctx context.Context, order time.Time) error {
	if !slices.ContainsFunc(e.Rules.Stores, func(s care.Store) bool { return s.Follows != "" }) {
		return nil
	}
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		all, err := t.Findings.Open("")
		if err != nil {
			return err
		}
		byFile := map[int64][]ledger.Finding{}
		for _, f := range all {
			if f.File != 0 {
				byFile[f.File] = append(byFile[f.File], f)
			}
		}
		for _, fs := range byFile {
			for _, f := range fs {
				for _, o := range fs {
					if !e.Rules.InStep(f.Store, o.Store) || o.Kind != f.Kind || f.Seen.Before(order) || f.Facts.Tells(fixity.InStep) {
						continue
					}
					same, err := e.sameWrong(t, f, o)
					if err != nil {
						return err
					}
					if !same {
						continue
					}
					f.Facts.Seen = append(f.Facts.Seen, fixity.Fact{Is: fixity.InStep, Store: o.Store})
					if err := t.Findings.Retell(f); err != nil {
						return err
					}
				}
			}
		}
		return nil
	})
}

// sameWrong says that two stores hold the same wrong bytes of a file, or both lack it.
func (e Acts) sameWrong(t *ledger.Tx, a, b ledger.Finding) (bool, error) {
	copies, err := t.Copies.Of(a.File)
	if err != nil {
		return false, err
	}
	wrong := map[string]fixity.Digest{}
	for _, c := range copies {
		wrong[c.Store] = c.Wrong
	}
	return wrong[a.Store] == wrong[b.Store], nil
}
