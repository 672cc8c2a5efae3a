package acts

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"firmus/fixity"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// FileRef names a file under care.
type FileRef struct {
	Set  string `json:"set"`
	Path string `json:"path"`
}

// filesAt are the files under care at or below the given SET/PATHs.
func (e *Env) filesAt(ctx context.Context, paths []string) ([]ledger.File, error) {
	var out []ledger.File
	seen := map[int64]bool{}
	for _, p := range paths {
		set, path, err := e.splitSetPath(p)
		if err != nil {
			return nil, err
		}
		var fs []ledger.File
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
			fs, err = t.FilesUnder(set, path)
			return err
		}); err != nil {
			return nil, err
		}
		if len(fs) == 0 {
			return nil, fmt.Errorf("no file is under care at %q: %w", p, fixity.ErrNotFound)
		}
		for _, f := range fs {
			if !seen[f.ID] {
				out = append(out, f)
			}
			seen[f.ID] = true
		}
	}
	return out, nil
}

// Finish ends the editing window of access files: from now on a change waits for a
// sign-off. One that is finished already stays so.
func (e *Env) Finish(ctx context.Context, paths []string, reason string) ([]FileRef, error) {
	fs, err := e.filesAt(ctx, paths)
	if err != nil {
		return nil, err
	}
	var done []FileRef
	for _, f := range fs {
		if set, _ := e.Rules.Set(f.Set); set.Role != fixity.Access {
			return nil, fmt.Errorf("%s/%s is a master: it was frozen when it was taken in: %w", f.Set, ledger.DisplayPath(f.Path), fixity.ErrRefused)
		}
	}
	err = e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		for _, f := range fs {
			if f.Finished {
				continue
			}
			if err := t.Finish(f, e.By, reason); err != nil {
				return fmt.Errorf("finish %q: %w", f.Path, err)
			}
			done = append(done, FileRef{f.Set, ledger.DisplayPath(f.Path)})
		}
		return nil
	})
	return done, err
}

// RetirePlan says what retiring would do.
type RetirePlan struct {
	Files []FileRef `json:"files"`
	// LastBytes are those whose bytes no other file under care has.
	LastBytes []FileRef `json:"last_bytes"`
	// OneLeft and NoneLeft are, when a store is retired, the files that would have
	// just one independent store, or none, that was shown to hold them.
	OneLeft  []FileRef `json:"one_left"`
	NoneLeft []FileRef `json:"none_left"`
	Done     bool      `json:"done"`
}

// Retire ends the care of files on purpose: they are expected nowhere any more, and
// nothing is deleted. With dryRun it only says what would be retired.
func (e *Env) Retire(ctx context.Context, paths []string, reason string, dryRun bool) (RetirePlan, error) {
	plan := RetirePlan{Files: []FileRef{}, LastBytes: []FileRef{}, OneLeft: []FileRef{}, NoneLeft: []FileRef{}}
	if reason == "" && !dryRun {
		return plan, fmt.Errorf("retiring needs a reason (--reason): %w", fixity.ErrRefused)
	}
	fs, err := e.filesAt(ctx, paths)
	if err != nil {
		return plan, err
	}
	going := map[int64]bool{}
	for _, f := range fs {
		going[f.ID] = true
	}
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, f := range fs {
			ref := FileRef{f.Set, ledger.DisplayPath(f.Path)}
			plan.Files = append(plan.Files, ref)
			last, err := lastBytes(t, f, going)
			if err != nil {
				return err
			}
			if last {
				plan.LastBytes = append(plan.LastBytes, ref)
			}
		}
		return nil
	}); err != nil || dryRun {
		return plan, err
	}
	touched := map[string]map[string]bool{}
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		for _, f := range fs {
			if err := t.RetireFile(f, e.By, reason); err != nil {
				return fmt.Errorf("retire %q: %w", f.Path, err)
			}
			touch(touched, f)
		}
		return nil
	}); err != nil {
		return plan, err
	}
	plan.Done = true
	return plan, e.rewriteManifests(ctx, touched)
}

func touch(m map[string]map[string]bool, f ledger.File) {
	if m[f.Set] == nil {
		m[f.Set] = map[string]bool{}
	}
	m[f.Set][ledger.Top(f.Path)] = true
}

// lastBytes says that no file under care, but those going, has the bytes of f.
func lastBytes(t *ledger.Tx, f ledger.File, going map[int64]bool) (bool, error) {
	vs, err := t.Versions(f.ID)
	if err != nil {
		return false, err
	}
	for _, v := range vs {
		if v.N != f.Version {
			continue
		}
		hs, err := t.ByDigest(v.BLAKE3)
		if err != nil {
			return false, err
		}
		for _, h := range hs {
			if h.Current && !going[h.File.ID] {
				return false, nil
			}
		}
	}
	return true, nil
}

// Replaced is what Replace did.
type Replaced struct {
	Old     FileRef `json:"old"`
	New     FileRef `json:"new"`
	Samples string  `json:"samples"` // the digest that both share
}

// Replace says that newPath has taken the place of oldPath with the same samples (a
// FLAC for a WAVE): both are read, decoded and compared, sample for sample. Then the
// old one is retired. It is refused if they differ, if either isn't whole, or if the
// new one isn't under care.
func (e *Env) Replace(ctx context.Context, oldPath, newPath, reason string) (Replaced, error) {
	if reason == "" {
		reason = "replaced, same samples"
	}
	var files [2]ledger.File
	var sounds [2]sound.Sound
	for i, p := range []string{oldPath, newPath} {
		set, path, err := e.splitSetPath(p)
		if err != nil {
			return Replaced{}, err
		}
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) error { files[i], err = t.FileAt(set, path); return err }); err != nil {
			return Replaced{}, fmt.Errorf("%q is not under care (take it in first): %w", p, err)
		}
		if sounds[i], err = e.readSound(ctx, files[i]); err != nil {
			return Replaced{}, err
		}
	}
	if !sound.Alike(sounds[0], sounds[1]) {
		return Replaced{}, fmt.Errorf("%q doesn't hold the same samples as %q; both stay as they are: %w", newPath, oldPath, fixity.ErrRefused)
	}
	out := Replaced{FileRef{files[0].Set, ledger.DisplayPath(files[0].Path)}, FileRef{files[1].Set, ledger.DisplayPath(files[1].Path)}, sounds[0].Samples.String()}
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		return t.ReplaceFile(files[0], files[1], sounds[0].Samples, e.By, reason)
	}); err != nil {
		return Replaced{}, err
	}
	touched := map[string]map[string]bool{}
	touch(touched, files[0])
	return out, e.rewriteManifests(ctx, touched)
}

// readSound reads and decodes an intact copy of a file, from arrivals if it is there.
func (e *Env) readSound(ctx context.Context, f ledger.File) (sound.Sound, error) {
	var copies []ledger.Copy
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { copies, err = t.Copies(f.ID); return err }); err != nil {
		return sound.Sound{}, err
	}
	arrivals, _ := e.Rules.Arrivals(f.Set)
	slices.SortStableFunc(copies, func(a, b ledger.Copy) int {
		return b2i(b.Store == arrivals.Name) - b2i(a.Store == arrivals.Name)
	})
	var last error
	for _, c := range copies {
		if c.State != fixity.Intact || !e.listableStore(c.Store) {
			continue
		}
		s, err := e.soundOf(ctx, c)
		if err == nil {
			return s, nil
		}
		last = err
	}
	if last == nil {
		last = fmt.Errorf("no intact copy of %s/%s is known: %w", f.Set, ledger.DisplayPath(f.Path), fixity.ErrRefused)
	}
	return sound.Sound{}, last
}

func (e *Env) soundOf(ctx context.Context, c ledger.Copy) (sound.Sound, error) {
	what := fmt.Sprintf("%s/%s in %s", c.Set, ledger.DisplayPath(c.At), c.Store)
	root, err := e.Root(c.Store, c.Set, fixity.Bypassed)
	if err != nil {
		return sound.Sound{}, err
	}
	x, err := root.Stat(ctx, c.At)
	if err != nil {
		return sound.Sound{}, fmt.Errorf("%s: %w", what, err)
	}
	r, err := root.Open(ctx, x, 0)
	if err != nil {
		return sound.Sound{}, fmt.Errorf("%s: %w", what, err)
	}
	defer r.Close()
	s, notes, err := essence.Read(r, x.Size)
	if err != nil {
		return s, fmt.Errorf("%s: %w", what, err)
	}
	if sound.Judge(notes) == sound.Broken {
		return s, fmt.Errorf("%s is not whole: %v: %w", what, notes[0], fixity.ErrRefused)
	}
	if s.Samples.IsZero() {
		return s, fmt.Errorf("%s: its samples can't be told: %w", what, fixity.ErrRefused)
	}
	return s, nil
}

func (e *Env) listableStore(name string) bool {
	s, ok := e.Rules.Store(name)
	return ok && e.listable(s.Kind)
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// forgetBatch is how many files a transaction of ForgetStore works through.
const forgetBatch = 500

// RetireStore ends the use of a store: nothing is expected there any more. With
// dryRun it says what would be left with one copy, or with none.
func (e *Env) RetireStore(ctx context.Context, name, reason string, dryRun bool) (RetirePlan, error) {
	plan := RetirePlan{Files: []FileRef{}, LastBytes: []FileRef{}, OneLeft: []FileRef{}, NoneLeft: []FileRef{}}
	known, err := e.knownStore(ctx, name)
	if err != nil {
		return plan, err
	}
	if known.Kind == opticalKind {
		return plan, fmt.Errorf("store %s is a shelf of discs: they are retired one by one (firmus disc retire NUMBER): %w", name, fixity.ErrRefused)
	}
	if s, _ := e.Rules.Store(name); s.Arrivals && !dryRun {
		return plan, fmt.Errorf("new files arrive in %s: name another arrivals store in the configuration first: %w", name, fixity.ErrRefused)
	}
	if reason == "" && !dryRun {
		return plan, fmt.Errorf("retiring needs a reason (--reason): %w", fixity.ErrRefused)
	}
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, set := range e.Rules.Sets {
			for after := ""; ; {
				var page []ledger.File
				if err := t.Files(set.Name, after, 1000, func(f ledger.File) error { page = append(page, f); return nil }); err != nil {
					return err
				}
				for _, f := range page {
					after = f.Path
					left, here, err := e.leftWithout(t, f, name)
					if err != nil {
						return err
					}
					ref := FileRef{f.Set, ledger.DisplayPath(f.Path)}
					switch {
					case !here:
					case left == 0:
						plan.NoneLeft = append(plan.NoneLeft, ref)
					case left == 1:
						plan.OneLeft = append(plan.OneLeft, ref)
					}
				}
				if len(page) < 1000 {
					break
				}
			}
		}
		return nil
	}); err != nil || dryRun {
		return plan, err
	}
	if n := len(plan.NoneLeft); n > 0 {
		return plan, fmt.Errorf("%d files would be left without any copy that was shown to be intact, %s/%s among them: copy them elsewhere and audit first: %w",
			n, plan.NoneLeft[0].Set, plan.NoneLeft[0].Path, fixity.ErrRefused)
	}
	plan.Done = true
	return plan, e.endStore(ctx, name, true, reason)
}

// leftWithout counts the independent stores that would still be known to hold a
// file without one of them, and says whether that one is expected to.
func (e *Env) leftWithout(t *ledger.Tx, f ledger.File, store string) (left int, here bool, err error) {
	copies, err := t.Copies(f.ID)
	if err != nil {
		return 0, false, err
	}
	var holding []string
	for _, c := range copies {
		if c.Store == store {
			here = true
		} else if f.Version > 0 && c.Held == f.Version && policy.HoldsVersion(c.State) {
			holding = append(holding, c.Store)
		}
	}
	return e.Rules.CountIndependent(holding), here, nil
}

// ReplaceStore says that new folders (another drive) are the store from now on: all
// of it is awaited there, and counts only when it has been read.
func (e *Env) ReplaceStore(ctx context.Context, name, reason string) error {
	s, ok := e.Rules.Store(name)
	if !ok {
		return fmt.Errorf("store %q is not in the configuration: %w", name, fixity.ErrRefused)
	}
	if s.Kind == opticalKind {
		return fmt.Errorf("store %s is a shelf of discs: a disc is retired and another registered in its place (firmus disc retire, firmus disc add): %w", name, fixity.ErrRefused)
	}
	if reason == "" {
		return fmt.Errorf("replacing a store needs a reason (--reason): %w", fixity.ErrRefused)
	}
	if s.Arrivals {
		// Masters would be awaited where they come from; adopt says the same without that.
		return fmt.Errorf("new files arrive in %s: copy it to the new drive, point the configuration there, and say \"firmus store adopt %s\"; the next full audit reads it all: %w", name, name, fixity.ErrRefused)
	}
	for _, set := range s.Sets {
		root, err := e.Root(name, set, fixity.Bypassed)
		if err != nil {
			return err
		}
		if _, err := root.Identify(ctx); err != nil {
			return fmt.Errorf("store %s, set %s at %s: %w", name, set, e.Where(name, set), err)
		}
	}
	if err := e.endStore(ctx, name, false, reason); err != nil {
		return err
	}
	_, err := e.AdoptStore(ctx, name, reason)
	return err
}

func (e *Env) endStore(ctx context.Context, name string, retire bool, reason string) error {
	if err := e.noteStores(ctx); err != nil {
		return err
	}
	unlock, err := e.lock(ctx, name, 0)
	if err != nil {
		return err
	}
	defer unlock()
	for after := int64(0); ; {
		var last int64
		if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) (err error) {
			last, err = t.ForgetStore(name, retire, after, forgetBatch, e.By, reason)
			return err
		}); err != nil {
			return err
		}
		if last == 0 {
			break
		}
		after = last
	}
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.EndStore(name, retire, e.By, reason) })
}

func (e *Env) knownStore(ctx context.Context, name string) (ledger.Store, error) {
	s, err := e.known(ctx, name)
	if errors.Is(err, fixity.ErrNotFound) {
		err = fmt.Errorf("store %q is not known: %w", name, fixity.ErrNotFound)
	}
	return s, err
}
