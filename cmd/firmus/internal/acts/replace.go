package acts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/cmd/firmus/internal/acts/manifests"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// Replaced is what Replace did.
type Replaced struct {
	Old     FileRef `json:"old"`
	New     FileRef `json:"new"`
	Samples string  `json:"samples"` // the digest that both share
}

// Replace says that newPath has taken the place of oldPath with the same samples (a
// FLAC for a WAVE). Of each a copy is read in full and held against the file's
// version; only then its samples are believed and compared, sample for sample. Then
// the old file is retired. It is refused if the samples differ, if no copy that can be
// read is the version, if either isn't whole, or if the new one isn't under care.
func (e Acts) Replace(ctx context.Context, oldPath, newPath, reason string) (Replaced, error) {
	if reason == "" {
		reason = "replaced, same samples"
	}
	var seen [2]ledger.Seen
	var sounds [2]sound.Sound
	for i, p := range []string{oldPath, newPath} {
		set, path, err := e.SplitSetPath(p)
		if err != nil {
			return Replaced{}, err
		}
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
			f, err := t.Files.At(set, path)
			if err == nil {
				seen[i], err = t.SeeFile(f.ID)
			}
			return err
		}); err != nil {
			return Replaced{}, fmt.Errorf("%q is not under care (take it in first): %w", p, err)
		}
		if sounds[i], err = e.soundOfVersion(ctx, seen[i]); err != nil {
			return Replaced{}, err
		}
	}
	old, now := seen[0].File, seen[1].File
	if old.ID == now.ID {
		return Replaced{}, fmt.Errorf("%q can't take its own place: %w", oldPath, fixity.ErrRefused)
	}
	if !sound.Alike(sounds[0], sounds[1]) {
		return Replaced{}, fmt.Errorf("%q doesn't hold the same samples as %q; both stay as they are: %w", newPath, oldPath, fixity.ErrRefused)
	}
	out := Replaced{FileRef{old.Set, ledger.DisplayPath(old.Path)}, FileRef{now.Set, ledger.DisplayPath(now.Path)}, sounds[0].Samples.String()}
	if err := e.Act(ctx, seen[:], func(t *ledger.Tx) error {
		return t.Files.Replace(old, now, sounds[0].Samples, e.By, reason)
	}); err != nil {
		return Replaced{}, err
	}
	return out, manifests.Of(e.Archive).MakeUpSaying(ctx)
}

// soundOfVersion is the sound of a file's version. It reads copies that are known to
// be intact, in arrivals first, until one has the version's BLAKE3 from its first byte
// to its last. One that hasn't is said, and what it holds is not believed.
func (e Acts) soundOfVersion(ctx context.Context, s ledger.Seen) (sound.Sound, error) {
	f := s.File
	what := fmt.Sprintf("%s/%s", f.Set, ledger.DisplayPath(f.Path))
	want, err := e.versionOf(ctx, f)
	if err != nil {
		return sound.Sound{}, fmt.Errorf("%s: no version of it has authority yet; decide that first: %w", what, err)
	}
	arrivals, _ := e.Rules.Arrivals(f.Set)
	copies := slices.Clone(s.Copies)
	slices.SortStableFunc(copies, func(a, b ledger.Copy) int {
		return archive.First(a.Store == arrivals.Name, b.Store == arrivals.Name)
	})
	var wrong []string
	var last error
	for _, c := range copies {
		if c.State != fixity.Intact && c.State != fixity.Editing || c.Carrier != 0 || !e.ListableStore(c.Store) {
			continue
		}
		x, notes, got, err := e.hear(ctx, c)
		switch {
		case context.Cause(ctx) != nil:
			return x, context.Cause(ctx)
		case err != nil:
			last = fmt.Errorf("%s: %w", e.PlaceOf(c), err)
		case got != want.BLAKE3:
			wrong = append(wrong, e.PlaceOf(c))
		case sound.Judge(notes) == sound.Broken:
			return x, fmt.Errorf("%s is not whole: %s: %w", e.PlaceOf(c), whyBroken(notes), fixity.ErrRefused)
		case x.Samples.IsZero():
			return x, fmt.Errorf("%s: its samples can't be told: %w", e.PlaceOf(c), fixity.ErrRefused)
		default:
			for _, w := range wrong {
				e.Sayf("%s doesn't hold the bytes of version %d; %s does, and was used. To look at it, %s", w, f.Version, e.PlaceOf(c), e.Words.ToReadOnly("", f.Set, f.Path))
			}
			return x, nil
		}
	}
	switch {
	case len(wrong) > 0:
		return sound.Sound{}, errors.Join(fmt.Errorf("%s: what was read at %s is not version %d, and no other intact copy could be read; nothing was changed. Look at them first: %s: %w",
			what, strings.Join(wrong, " and at "), f.Version, e.Words.ToReadOnly("", f.Set, f.Path), fixity.ErrRefused), last)
	case last != nil:
		return sound.Sound{}, last
	}
	return sound.Sound{}, fmt.Errorf("no intact copy of %s is known: %w", what, fixity.ErrRefused)
}

// versionOf is a file's current version.
func (e Acts) versionOf(ctx context.Context, f ledger.File) (v ledger.Version, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		v, err = t.Files.Version(f.ID, f.Version)
		return err
	})
	return v, err
}

// hear reads a copy in full, past the cache, and says what sound its bytes hold and
// which bytes they are.
func (e Acts) hear(ctx context.Context, c ledger.Copy) (s sound.Sound, notes []sound.Note, d fixity.Digest, err error) {
	err = e.UseBeside(ctx, c.Store, func(ctx context.Context, u *stores.Used) error {
		taken, heard, err := hearing.Take(ctx, e.Auditor(u), c.Store, c.Set, c.At, fixity.Bypassed, fixity.BLAKE3)
		s, _ = hearing.Recorded(heard)
		notes, d = heard.Notes, taken.Digest(fixity.BLAKE3)
		return err
	})
	return s, notes, d, err
}

// whyBroken is the first note that says that a file isn't whole, in words.
func whyBroken(notes []sound.Note) string {
	for _, n := range notes {
		if m := n.Meaning(); m.Weight == sound.Breaks {
			return m.Means
		}
	}
	return ""
}
