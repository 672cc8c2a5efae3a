package acts

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// maxExamined bounds how many altered copies are compared with an intact one after
// an audit: each costs reading two files once more, and a mass change is no damage
// to be looked at file by file.
const maxExamined = 20

// compared begins what an examination adds to a finding's detail; a finding that has
// it is not examined again while its bytes stay the same.
const compared = "compared byte by byte with the copy in "

// examineFresh compares the copies that were found altered since an order with an
// intact copy beside them, byte by byte, where one can be read: the ranges are then
// exact, and a changed description is told from changed sound.
func (e *Env) examineFresh(ctx context.Context, order time.Time) error {
	var fs []ledger.Finding
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.OpenFindings("")
		for _, f := range all {
			if f.Subject == fixity.OfFile && f.Kind == fixity.Kind(fixity.Altered) && !f.Seen.Before(order) && !strings.Contains(f.Detail, compared) && f.Incident == 0 && len(f.IntactIn) > 0 && e.listableStore(f.Store) {
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
	for i, f := range fs {
		if i == maxExamined {
			break
		}
		err := e.examine(ctx, f)
		if context.Cause(ctx) != nil {
			return context.Cause(ctx)
		}
		if err != nil {
			// What the block sums said stands.
			e.say("finding %d: %s in %s could not be compared with an intact copy: %v", f.ID, ledger.DisplayPath(f.Path), f.Store, err)
		}
	}
	return nil
}

func (e *Env) examine(ctx context.Context, f ledger.Finding) error {
	var copies []ledger.Copy
	var same []ledger.Holds
	swapped := false
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if copies, err = t.Copies(f.File); err != nil {
			return err
		}
		for _, c := range copies {
			if c.Store == f.Store && !c.Wrong.IsZero() {
				same, err = t.ByDigest(c.Wrong)
			}
		}
		if err == nil && len(same) > 0 {
			swapped, err = holdsInstead(t, f, same[0].File.ID)
		}
		return err
	}); err != nil {
		return err
	}
	var bad, good *ledger.Copy
	for i, c := range copies {
		switch {
		case c.Store == f.Store && c.Carrier == f.Carrier:
			bad = &copies[i]
		case good == nil && c.State == fixity.Intact && e.listableStore(c.Store):
			good = &copies[i]
		}
	}
	if bad == nil || good == nil {
		return nil // no intact copy can be read beside it
	}
	x, err := e.compare(ctx, *good, *bad)
	if err != nil {
		return err
	}
	if x.dmg.None() {
		return errors.New("it is the same as the intact copy now: audit again")
	}
	if swapped {
		x.detail += fmt.Sprintf("; exchanged with %q: each has the bytes of the other", ledger.DisplayPath(same[0].File.Path))
	} else if len(same) > 0 {
		x.detail += fmt.Sprintf("; these are the bytes of %s/%s", same[0].File.Set, ledger.DisplayPath(same[0].File.Path))
	}
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		now, err := t.Finding(f.ID)
		if err != nil || !now.Open() || now.Kind != f.Kind {
			return err
		}
		return t.Examined(now, x.dmg.Anatomy, x.dmg.Ranges, x.dmg.More, f.Detail+"; "+x.detail, e.By)
	})
}

// holdsInstead says that another file's copy in the store of a finding was shown to hold
// the bytes of the finding's file.
func holdsInstead(t *ledger.Tx, f ledger.Finding, other int64) (bool, error) {
	now, err := t.File(f.File)
	if err != nil {
		return false, err
	}
	v, err := t.Version(f.File, now.Version)
	if err != nil {
		return false, err
	}
	copies, err := t.Copies(other)
	return slices.ContainsFunc(copies, func(c ledger.Copy) bool {
		return c.Store == f.Store && c.Carrier == f.Carrier && c.Wrong == v.BLAKE3
	}), err
}

// comparison is what reading an intact and a damaged copy side by side showed.
type comparison struct {
	dmg    damage.Damage
	detail string
}

func (e *Env) compare(ctx context.Context, good, bad ledger.Copy) (comparison, error) {
	g, err := e.openCopy(ctx, good)
	if err != nil {
		return comparison{}, err
	}
	defer g.Close()
	b, err := e.openCopy(ctx, bad)
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
	out := comparison{dmg: dmg, detail: fmt.Sprintf("%s%s: %d bytes differ", compared, good.Store, dmg.Bytes)}
	if dmg.Bits > 0 && dmg.Anatomy == fixity.Flipped {
		out.detail += fmt.Sprintf(", %d bits turned", dmg.Bits)
	}
	sg, _, err1 := tapG.Sound()
	sb, _, err2 := tapB.Sound()
	if err1 != nil || err2 != nil || sg.Format == sound.Opaque {
		return out, nil
	}
	if damage.DescriptionOnly(damage.Sound{Layout: layoutOf(sg), Samples: sg.Samples}, damage.Sound{Layout: layoutOf(sb), Samples: sb.Samples}) {
		// Bytes hung on the end, or lost there, are told as such all the same.
		if dmg.Anatomy != fixity.Grown && dmg.Anatomy != fixity.CutShort {
			out.dmg.Anatomy = fixity.DescriptionOnly
		}
		out.detail += "; the sound itself is the same, sample for sample"
	}
	return out, nil
}

type openedCopy struct {
	fixity.Reader
	size int64
}

func (e *Env) openCopy(ctx context.Context, c ledger.Copy) (openedCopy, error) {
	root, err := e.Root(c.Store, c.Set, fixity.Bypassed)
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

// DamageOf says when in the recording a finding's ranges are heard, if the file's
// sound is known.
func (e *Env) DamageOf(ctx context.Context, f ledger.Finding) (Damage, bool, error) {
	if f.File == 0 || len(f.Ranges) == 0 {
		return Damage{}, false, nil
	}
	var s ledger.Sound
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		file, err := t.File(f.File)
		if err != nil || file.Version == 0 {
			return err
		}
		s, err = t.Sound(f.File, file.Version)
		return err
	}); err != nil {
		return Damage{}, false, err
	}
	layout, ok := LayoutOf(s)
	if !ok {
		return Damage{}, false, nil
	}
	return Damage{damage.Times(f.Ranges, layout), s.Duration}, true, nil
}

// carried begins what a finding is told besides when the same befell a store that
// follows its own, or is followed by it.
const carried = "the same in "

// carriedOver tells of new findings in stores that follow one another that they are
// one act: a wrong hand in the one was carried over to the other.
func (e *Env) carriedOver(ctx context.Context, order time.Time) error {
	if !slices.ContainsFunc(e.Rules.Stores, func(s policy.Store) bool { return s.Follows != "" }) {
		return nil
	}
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		all, err := t.OpenFindings("")
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
					if !e.Rules.InStep(f.Store, o.Store) || o.Kind != f.Kind || f.Seen.Before(order) || strings.Contains(f.Detail, carried) {
						continue
					}
					same, err := e.sameWrong(t, f, o)
					if err != nil {
						return err
					}
					if !same {
						continue
					}
					f.Detail += "; " + carried + o.Store + ", which is kept in step with it: one act, carried over. Stop the program that does so before anything is put back"
					if err := t.Retell(f); err != nil {
						return err
					}
				}
			}
		}
		return nil
	})
}

// sameWrong says that two stores hold the same wrong bytes of a file, or both lack it.
func (e *Env) sameWrong(t *ledger.Tx, a, b ledger.Finding) (bool, error) {
	copies, err := t.Copies(a.File)
	if err != nil {
		return false, err
	}
	wrong := map[string]fixity.Digest{}
	for _, c := range copies {
		wrong[c.Store] = c.Wrong
	}
	return wrong[a.Store] == wrong[b.Store], nil
}
