package deciding

import (
	"context"
	"errors"
	"fmt"
	"path"
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

// Pair is a file under care and the one that takes its place, SET/PATH each.
type Pair struct {
	Old string `json:"old"`
	New string `json:"new"`
}

// ReplaceOrder says which files took the places of others with the same samples.
type ReplaceOrder struct {
	Pairs  []Pair `json:"pairs"`
	Reason string `json:"reason"`
	// SawAll is the mark of all of them as the person was shown; "" takes them as they are.
	SawAll string `json:"saw,omitempty"`
	// Done is told how many pairs were compared; may be nil.
	Done func(done, of int) `json:"-"`

	two *second
}

// Replace says that files have taken the places of others with the same samples (a FLAC for
// a WAVE). Of each a copy is read in full and held against the file's version; only then its
// samples are believed and compared, sample for sample. Then the old files are retired, in
// one transaction. It is refused if the samples of a pair differ, if no copy that can be read
// is the version, if either isn't whole, or if the new one isn't under care.
func (e Acts) Replace(ctx context.Context, o ReplaceOrder) ([]Replaced, error) {
	seen, err := e.seePairs(ctx, o.Pairs)
	if err != nil {
		return nil, err
	}
	if o.SawAll != "" && o.SawAll != ledger.MarkOfSeen(seen) {
		return nil, fmt.Errorf("these files, or their copies, are not as they were shown: %w", fixity.ErrChangedMeanwhile)
	}
	var out []Replaced
	var samples []fixity.Digest
	for i, p := range o.Pairs {
		old, now := seen[2*i], seen[2*i+1]
		if old.File.ID == now.File.ID {
			return nil, fmt.Errorf("%q can't take its own place: %w", p.Old, fixity.ErrRefused)
		}
		was, err := e.soundOfVersion(ctx, old)
		if err != nil {
			return nil, err
		}
		is, err := e.soundOfVersion(ctx, now)
		if err != nil {
			return nil, err
		}
		if !sound.Alike(was, is) {
			return nil, fmt.Errorf("%q doesn't hold the same samples as %q; all stays as it is: %w", p.New, p.Old, fixity.ErrRefused)
		}
		samples = append(samples, was.Samples)
		out = append(out, Replaced{FileRef{old.File.Set, ledger.DisplayPath(old.File.Path)}, FileRef{now.File.Set, ledger.DisplayPath(now.File.Path)}, was.Samples.String()})
		if o.Done != nil {
			o.Done(i+1, len(o.Pairs))
		}
	}
	if err := e.actBy(ctx, o.two, seen, func(t *ledger.Tx) error {
		for i := range o.Pairs {
			if err := t.Files.Replace(seen[2*i].File, seen[2*i+1].File, samples[i], e.By, o.Reason); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return nil, err
	}
	return out, manifests.Of(e.Archive).MakeUpSaying(ctx)
}

// seePairs reads what is known of pairs: of each the old file, then the new one.
func (e Acts) seePairs(ctx context.Context, pairs []Pair) (out []ledger.Seen, err error) {
	if len(pairs) == 0 {
		return nil, fmt.Errorf("no file is named that takes another's place: %w", fixity.ErrRefused)
	}
	named := map[int64]bool{}
	for _, pair := range pairs {
		for _, p := range []string{pair.Old, pair.New} {
			set, path, err := e.SplitSetPath(p)
			if err != nil {
				return nil, err
			}
			var s ledger.Seen
			if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
				f, err := t.Files.At(set, path)
				if err == nil {
					s, err = t.SeeFile(f.ID)
				}
				return err
			}); err != nil {
				return nil, fmt.Errorf("%q is not under care (take it in first): %w", p, err)
			}
			if named[s.File.ID] && len(pairs) > 1 {
				return nil, fmt.Errorf("%q is named twice: %w", p, fixity.ErrRefused)
			}
			named[s.File.ID] = true
			out = append(out, s)
		}
	}
	return out, nil
}

// Migration is what a migration of a folder would be.
type Migration struct {
	Pairs  []Pair
	Alone  []FileRef // that have no file to take their place
	Differ []Pair    // whose samples are known to differ
	Saw    string    // the mark of all pairs
}

// PlanMigration pairs files of one ending with those of another that have the same name
// beside them, from what the ledger knows alone: nothing is read. The order to replace them
// proves each pair.
func (e Acts) PlanMigration(ctx context.Context, under, from, to string) (m Migration, err error) {
	from, to = strings.ToLower(strings.Trim(from, ". ")), strings.ToLower(strings.Trim(to, ". "))
	if from == "" || to == "" || from == to {
		return m, fmt.Errorf("name two endings, such as wav and flac: %w", fixity.ErrRefused)
	}
	fs, err := e.filesAt(ctx, []string{under})
	if err != nil {
		return m, err
	}
	stem := func(p, ending string) (string, bool) {
		ext := strings.TrimPrefix(path.Ext(p), ".")
		return strings.TrimSuffix(p, "."+ext), strings.EqualFold(ext, ending)
	}
	with := map[string][]ledger.Seen{}
	for _, s := range fs {
		if name, ok := stem(s.File.Path, to); ok {
			with[s.File.Set+"/"+name] = append(with[s.File.Set+"/"+name], s)
		}
	}
	var seen []ledger.Seen
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, s := range fs {
			name, ok := stem(s.File.Path, from)
			if !ok {
				continue
			}
			others := with[s.File.Set+"/"+name]
			if len(others) != 1 {
				m.Alone = append(m.Alone, FileRef{s.File.Set, ledger.DisplayPath(s.File.Path)})
				continue
			}
			p := Pair{s.File.Set + "/" + s.File.Path, others[0].File.Set + "/" + others[0].File.Path}
			var sounds [2]sound.Sound
			for i, x := range []ledger.File{s.File, others[0].File} {
				known, err := t.Files.Sound(x.ID, x.Version)
				if err != nil && !errors.Is(err, fixity.ErrNotFound) {
					return err
				}
				sounds[i], _ = hearing.Recorded(known)
			}
			if !sounds[0].Samples.IsZero() && !sounds[1].Samples.IsZero() && !sound.Alike(sounds[0], sounds[1]) {
				m.Differ = append(m.Differ, p)
				continue
			}
			m.Pairs, seen = append(m.Pairs, p), append(seen, s, others[0])
		}
		return nil
	})
	m.Saw = ledger.MarkOfSeen(seen)
	return m, err
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
