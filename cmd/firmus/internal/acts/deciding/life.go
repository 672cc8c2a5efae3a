package deciding

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/manifests"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/spelling"
)

// FileRef names a file under care.
type FileRef struct {
	Set  string `json:"set"`
	Path string `json:"path"`
}

// filesAt are the files under care at or below the given SET/PATHs, with their copies.
// noneAt says that no file is under care at SET/PATH, and which item may be meant.
func (e Acts) noneAt(t *ledger.Tx, typed, path string) error {
	items, err := t.Files.Items()
	if err != nil {
		return err
	}
	first, _, _ := strings.Cut(path, "/")
	return fmt.Errorf("no file is under care at %q%s: %w", typed, spelling.Ask(first, items), fixity.ErrNotFound)
}

func (e Acts) filesAt(ctx context.Context, paths []string) ([]ledger.Seen, error) {
	var out []ledger.Seen
	seen := map[int64]bool{}
	for _, p := range paths {
		set, path, err := e.SplitSetPath(p)
		if err != nil {
			return nil, err
		}
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
			fs, err := t.Files.Under(set, path)
			if err == nil && len(fs) == 0 {
				err = e.noneAt(t, p, path)
			}
			for _, f := range fs {
				if seen[f.ID] {
					continue
				}
				seen[f.ID] = true
				s, err := t.SeeFile(f.ID)
				if err != nil {
					return err
				}
				out = append(out, s)
			}
			return err
		}); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Finish ends the editing window of access files: from now on a change waits for a
// sign-off. One that is finished already stays so.
func (e Acts) Finish(ctx context.Context, paths []string, reason string) ([]FileRef, error) {
	fs, err := e.filesAt(ctx, paths)
	if err != nil {
		return nil, err
	}
	var done []FileRef
	for _, s := range fs {
		f := s.File
		if set, _ := e.Rules.Set(f.Set); set.Role != fixity.Access {
			return nil, fmt.Errorf("%s/%s is a master: it was frozen when it was taken in: %w", f.Set, ledger.DisplayPath(f.Path), fixity.ErrRefused)
		}
	}
	err = e.Act(ctx, fs, func(t *ledger.Tx) error {
		for _, s := range fs {
			f := s.File
			if f.Finished {
				continue
			}
			if err := t.Files.Finish(f, e.By, reason); err != nil {
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
	// LastBytes are those of whose bytes no intact copy of another file under care is known.
	LastBytes []FileRef `json:"last_bytes"`
	// Relying are files that stay under care with open findings, whose bytes only those that
	// go still have.
	Relying []Relying `json:"relying"`
	// OneLeft and NoneLeft are, when a store is retired, the files that would have
	// just one independent store, or none, that was shown to hold them.
	OneLeft  []FileRef `json:"one_left"`
	NoneLeft []FileRef `json:"none_left"`
	Done     bool      `json:"done"`
	Saw      string    `json:"-"` // the mark of all files with their copies
}

// Relying is a file of which no copy is intact, while another file has its bytes.
type Relying struct {
	FileRef
	Findings []int64 `json:"findings"` // those that are open about it
}

// Ends says the same as long as the same last bytes would go.
func (p RetirePlan) Ends() string {
	h := sha256.New()
	fmt.Fprintf(h, "%q %v", p.LastBytes, p.Relying)
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// Shown is the mark of all that a person is shown of the plan.
func (p RetirePlan) Shown() string { return p.Saw + "." + p.Ends() }

// RetireOrder says which files are no longer to be kept.
type RetireOrder struct {
	Paths  []string `json:"paths,omitempty"` // SET/PATH each; a folder means all files below it
	Reason string   `json:"reason"`
	DryRun bool     `json:"-"` // only say what would be retired
	// SawAll is the mark of all files that the person was shown (RetirePlan.Saw); "" takes
	// what is there. Ends is the mark of which last bytes would go with them.
	SawAll string `json:"saw,omitempty"`
	Ends   string `json:"ends,omitempty"`

	two *second
}

// Retire ends the care of files on purpose: they are expected nowhere any more, and
// nothing is deleted.
func (e Acts) Retire(ctx context.Context, o RetireOrder) (RetirePlan, error) {
	plan := noPlan()
	if o.Reason == "" && !o.DryRun {
		return plan, fmt.Errorf("retiring needs a reason (%s): %w", e.Words.Opt("reason"), fixity.ErrRefused)
	}
	fs, err := e.filesAt(ctx, o.Paths)
	if err != nil {
		return plan, err
	}
	if plan.Saw = ledger.MarkOfSeen(fs); o.SawAll != "" && o.SawAll != plan.Saw {
		return plan, fmt.Errorf("other files lie there than were shown, %s now, or their copies have changed: %w", fixity.Number(int64(len(fs))), fixity.ErrChangedMeanwhile)
	}
	for _, s := range fs {
		plan.Files = append(plan.Files, FileRef{s.File.Set, ledger.DisplayPath(s.File.Path)})
	}
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error { return plan.lastBytes(t, fs) }); err != nil || o.DryRun {
		return plan, err
	}
	ends := plan.Ends()
	if o.Ends != "" {
		ends = o.Ends
	}
	if o.two != nil && o.two.order.Retire != nil {
		x := *o.two.order.Retire
		x.Ends = ends
		o.two.order.Retire = &x
	}
	if err := e.actBy(ctx, o.two, fs, func(t *ledger.Tx) error {
		// Copies of other files may have gone since.
		if err := stillEnds(t, fs, ends); err != nil {
			return err
		}
		for _, s := range fs {
			f := s.File
			if err := t.Files.RetireBy(f, e.By, o.Reason); err != nil {
				return fmt.Errorf("retire %q: %w", f.Path, err)
			}
		}
		return nil
	}); err != nil {
		return plan, err
	}
	plan.Done = true
	return plan, manifests.Of(e.Archive).MakeUpSaying(ctx)
}

// stillEnds refuses what a person didn't see: that other last bytes would go with files.
func stillEnds(t *ledger.Tx, fs []ledger.Seen, ends string) error {
	now := noPlan()
	if err := now.lastBytes(t, fs); err != nil || now.Ends() == ends {
		return err
	}
	return fmt.Errorf("the last intact bytes of %s would go now, which isn't what was shown: %w", fixity.Count(len(now.LastBytes)+len(now.Relying), "file"), fixity.ErrChangedMeanwhile)
}

func noPlan() RetirePlan {
	return RetirePlan{Files: []FileRef{}, LastBytes: []FileRef{}, Relying: []Relying{}, OneLeft: []FileRef{}, NoneLeft: []FileRef{}}
}

// lastBytes notes of which files, of those that go, no intact copy of another file has the
// bytes, and which files that stay have none but theirs.
func (p *RetirePlan) lastBytes(t *ledger.Tx, fs []ledger.Seen) error {
	going := map[int64]bool{}
	for _, s := range fs {
		going[s.File.ID] = true
	}
	isLast := map[fixity.Digest]bool{}
	for _, s := range fs {
		f := s.File
		v := ledger.Version{}
		if f.Version > 0 {
			var err error
			if v, err = t.Files.Version(f.ID, f.Version); err != nil {
				return err
			}
			if v.Size == 0 {
				continue // nothing was recorded in it
			}
		}
		last, asked := isLast[v.BLAKE3]
		if !asked {
			last = true
			if f.Version > 0 {
				left, err := t.Copies.WithBytes(v.BLAKE3.Bytes(), func(file int64) bool { return going[file] })
				if err != nil {
					return err
				}
				last = len(left) == 0
				if last {
					if err := p.relying(t, v.BLAKE3, going); err != nil {
						return err
					}
				}
				isLast[v.BLAKE3] = last
			}
		}
		if last {
			p.LastBytes = append(p.LastBytes, FileRef{f.Set, ledger.DisplayPath(f.Path)})
		}
	}
	return nil
}

// relying adds the files that stay and had their bytes from those that go: none of their own
// copies has them.
func (p *RetirePlan) relying(t *ledger.Tx, bytes fixity.Digest, going map[int64]bool) error {
	if from, err := t.Copies.WithBytes(bytes.Bytes(), nil); err != nil || len(from) == 0 {
		return err
	}
	all, err := t.Files.ByDigest(bytes)
	if err != nil {
		return err
	}
	for _, h := range all {
		if !h.Current || going[h.File.ID] {
			continue
		}
		fs, err := t.Findings.Of(h.File.ID)
		if err != nil {
			return err
		}
		r := Relying{FileRef: FileRef{h.File.Set, ledger.DisplayPath(h.File.Path)}, Findings: []int64{}}
		for _, f := range fs {
			if f.Open() && len(f.Facts.SameBytes) > 0 {
				r.Findings = append(r.Findings, f.ID)
			}
		}
		p.Relying = append(p.Relying, r)
	}
	return nil
}

// forgetBatch is how many files a transaction of ForgetStore works through.
const forgetBatch = 500

// EndStoreOrder ends what is known of a store.
type EndStoreOrder struct {
	Store   string
	Set     string // only this set in it; "": all of it
	Replace bool   // another drive takes its place; else it isn't used any more
	Reason  string
	DryRun  bool   `json:"-"` // only say what would be left
	Saw     string // the mark of the store as the person saw it (ledger.Store); "" takes it as it is
	// Left is what a person was shown of what would be left; nil: nothing was.
	Left *StoreLeft `json:",omitempty"`

	two *second // how a second person comes in
}

// StoreLeft is what the end of a store would leave.
type StoreLeft struct {
	One, None   int       // files with just one independent store that was shown to hold them, and with none
	First       []FileRef `json:",omitempty"` // the first of both
	AndWithNone int       `json:",omitempty"` // how many of First have none; these come first
}

// mostLeft is how many names a proposal keeps of what would be left.
const mostLeft = 50

func (p RetirePlan) left() *StoreLeft {
	l := StoreLeft{One: len(p.OneLeft), None: len(p.NoneLeft)}
	l.AndWithNone = min(l.None, mostLeft)
	l.First = append(slices.Clone(p.NoneLeft[:l.AndWithNone]), p.OneLeft[:min(l.One, mostLeft-l.AndWithNone)]...)
	return &l
}

// errMoreLeft says that more would be left with one copy, or none, than was shown.
var errMoreLeft = fmt.Errorf("more files would be left with one copy, or with none, than were shown: %w", fixity.ErrChangedMeanwhile)

// still refuses what would leave more than was shown.
func (l *StoreLeft) still(p RetirePlan) error {
	if l != nil && (len(p.NoneLeft) > l.None || len(p.OneLeft)+len(p.NoneLeft) > l.One+l.None) {
		return errMoreLeft
	}
	return nil
}

// EndStore retires a store, or one set in it, or says that the folders that are configured for
// it (another drive) are the store from now on. Either ends what is known of each copy there.
// Nothing is deleted.
//
// A retired store is expected to hold nothing any more; DryRun says what would be left with one
// copy, or with none. Of a replaced one all is awaited, and counts only when it has been read.
func (e Acts) EndStore(ctx context.Context, o EndStoreOrder) (RetirePlan, error) {
	if o.Replace {
		return RetirePlan{}, e.replaceStore(ctx, o)
	}
	return e.retireStore(ctx, o)
}

func (e Acts) retireStore(ctx context.Context, o EndStoreOrder) (RetirePlan, error) {
	name, set, reason, dryRun := o.Store, o.Set, o.Reason, o.DryRun
	plan := noPlan()
	known, err := e.knownStore(ctx, name)
	if err != nil {
		return plan, err
	}
	if known.Kind == archive.OpticalKind {
		return plan, fmt.Errorf("store %s keeps discs. Retire them one by one (%s): %w", name, e.Words.To(report.Order{Act: report.RetireDisc, Disc: "NUMBER"}), fixity.ErrRefused)
	}
	s, _ := e.Rules.Store(name)
	switch {
	case set != "" && !slices.ContainsFunc(known.Roots, func(r ledger.Root) bool { return r.Set == set }):
		return plan, fmt.Errorf("store %s never held the set %q: %w", name, set, fixity.ErrNotFound)
	case set != "" && s.Holds(set) && !dryRun:
		return plan, fmt.Errorf("the configuration still names the set %s in store %s, so its files would be awaited there again. Take it out there first: %w", set, name, fixity.ErrRefused)
	case set == "" && !known.Retired.IsZero() && !dryRun:
		return plan, stores.Retired(known)
	case set == "" && s.Arrivals && !dryRun:
		return plan, fmt.Errorf("new files arrive in %s: name another arrivals store in the configuration first: %w", name, fixity.ErrRefused)
	}
	if reason == "" && !dryRun {
		return plan, fmt.Errorf("retiring needs a reason (%s): %w", e.Words.Opt("reason"), fixity.ErrRefused)
	}
	if err := e.NoteVolumes(ctx); err != nil {
		return plan, err
	}
	if err := e.planEnd(ctx, name, set, &plan); err != nil || dryRun {
		return plan, err
	}
	if n := len(plan.NoneLeft); n > 0 {
		return plan, fmt.Errorf("%s would be left without any copy that was shown to be intact, %s/%s among them: copy them elsewhere and audit first: %w",
			fixity.Count(n, "file"), plan.NoneLeft[0].Set, plan.NoneLeft[0].Path, fixity.ErrRefused)
	}
	if err := e.proposeStore(ctx, o.two, known, set, plan); err != nil {
		return plan, err
	}
	// The plan is of a moment ago: each file is looked at once more where it is ended.
	if err := e.endStore(ctx, known, o, func(t *ledger.Tx, f ledger.File) error {
		left, here, err := e.leftWithout(t, f, name)
		if _, ok := e.Rules.Set(f.Set); ok && here && err == nil && left == 0 {
			err = fmt.Errorf("%s/%s would now be left without any copy that was shown to be intact: copy it elsewhere, audit, and say this again: %w",
				f.Set, ledger.DisplayPath(f.Path), fixity.ErrChangedMeanwhile)
		}
		return err
	}); err != nil {
		return plan, err
	}
	plan.Done = true
	return plan, nil
}

// planEnd notes which files would be left with one independent store that was shown to hold
// them, and which with none, if a store, or a set in it, ends.
func (e Acts) planEnd(ctx context.Context, name, set string, plan *RetirePlan) error {
	return e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, x := range e.Rules.Sets {
			for after := ""; set == "" || set == x.Name; {
				var page []ledger.File
				if err := t.Files.Each(x.Name, after, 1000, func(f ledger.File) error { page = append(page, f); return nil }); err != nil {
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
	})
}

// leftWithout counts the independent stores that would still be known to hold a
// file without one of them, and says whether that one is expected to.
func (e Acts) leftWithout(t *ledger.Tx, f ledger.File, store string) (left int, here bool, err error) {
	copies, err := t.Copies.Of(f.ID)
	if err != nil {
		return 0, false, err
	}
	var holding []string
	for _, c := range copies {
		if c.Store == store {
			here = true
		} else if e.Rules.Counts(c, f.Version) {
			holding = append(holding, c.Store)
		}
	}
	rules, err := t.Stores.Rules()
	return rules.CountIndependent(holding), here, err
}

func (e Acts) replaceStore(ctx context.Context, o EndStoreOrder) error {
	name, reason := o.Store, o.Reason
	s, ok := e.Rules.Store(name)
	if !ok {
		return e.NoStore(ctx, name)
	}
	if s.Kind == archive.OpticalKind {
		return fmt.Errorf("store %s keeps discs. Retire a disc and register another in its place (firmus disc retire, firmus disc add): %w", name, fixity.ErrRefused)
	}
	if reason == "" {
		return fmt.Errorf("replacing a store needs a reason (%s): %w", e.Words.Opt("reason"), fixity.ErrRefused)
	}
	if s.Arrivals {
		// Masters would be awaited where they come from; adopt says the same without that.
		return fmt.Errorf("new files arrive in %s: copy it to the new drive, point the configuration there, then %s; the next full audit reads it all: %w", name, e.Words.To(report.Order{Act: report.AdoptStore, Stores: []string{name}, Run: true}), fixity.ErrRefused)
	}
	for _, set := range s.Sets {
		root, err := e.Stores().Root(name, set, fixity.Bypassed)
		if err != nil {
			return err
		}
		if _, err := root.Identify(ctx); err != nil {
			return fmt.Errorf("store %s, set %s at %s: %w", name, set, e.Where(name, set), err)
		}
	}
	if err := e.NoteStores(ctx); err != nil {
		return err
	}
	known, err := e.Stores().Known(ctx, name)
	if err != nil {
		return err
	}
	plan := noPlan()
	if e.StoreAsksForTwo(known, "") {
		if err := e.planEnd(ctx, name, "", &plan); err != nil {
			return err
		}
	}
	if err := e.proposeStore(ctx, o.two, known, "", plan); err != nil {
		return err
	}
	if err := e.endStore(ctx, known, o, func(*ledger.Tx, ledger.File) error { return nil }); err != nil {
		return err
	}
	_, err = e.audits().AdoptStore(ctx, name, reason)
	return err
}

// endStore ends what is known of a store as it was when it was looked at. It works in
// batches. Each is whole by itself: after a kill, or a refusal by may, what was ended
// stays ended, the store is still in use, and the same order goes on: a proposal waits until
// the last batch.
func (e Acts) endStore(ctx context.Context, known ledger.Store, o EndStoreOrder, may func(*ledger.Tx, ledger.File) error) error {
	name, set, retire, reason := known.Name, o.Set, !o.Replace, o.Reason
	if err := e.NoteStores(ctx); err != nil {
		return err
	}
	return e.Stores().Use(ctx, name, stores.Purpose{Unseen: true}, func(ctx context.Context, _ *stores.Used) error {
		for done := int64(0); ; {
			var last int64
			if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) (err error) {
				if err := o.still(t, known); err != nil {
					return err
				}
				last, err = t.Stores.Forget(name, set, retire, done, forgetBatch, e.By, reason, func(f ledger.File) error { return may(t, f) })
				return err
			}); err != nil {
				return err
			}
			if last == 0 {
				break
			}
			done = last
		}
		return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
			if err := o.still(t, known); err != nil {
				return err
			}
			if err := o.two.end(t); err != nil {
				return err
			}
			return t.Stores.End(name, set, retire, e.By, reason)
		})
	})
}

// still is the guard of each batch: the store is the one that was looked at, and whoever
// confirms may.
func (o EndStoreOrder) still(t *ledger.Tx, known ledger.Store) error {
	if err := t.StillStore(known); err != nil {
		return err
	}
	return o.two.begin(t)
}

func (e Acts) knownStore(ctx context.Context, name string) (ledger.Store, error) {
	s, err := e.Stores().Known(ctx, name)
	if errors.Is(err, fixity.ErrNotFound) {
		err = fmt.Errorf("store %q is not known%s: %w", name, spelling.Ask(name, e.Rules.StoreNames()), fixity.ErrNotFound)
	}
	return s, err
}
