package ledger

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger/record"
)

// IntakeReading is one reading at intake.
type IntakeReading struct {
	Store   string
	File    int64
	Size    int64 // bytes that were read
	Cache   fixity.Cache
	Outcome fixity.Outcome
	At      time.Time
	Listed  bool // it was held against a list of checksums that came with the file
	Differs bool // and isn't what the list says
}

// TakenIn writes the result lines of a batch of files taken in, and its event.
func (t Audits) TakenIn(a Audit, set, by string, rs []IntakeReading) error {
	var lines []string
	files, stores := map[int64]bool{}, map[string]int{}
	listed, differ := map[int64]bool{}, map[int64]bool{}
	// Lines stand store by store, in the order of names, and the event says how many there are
	// of each: a line itself names no store.
	rs = slices.SortedStableFunc(slices.Values(rs), func(a, b IntakeReading) int { return strings.Compare(a.Store, b.Store) })
	for _, r := range rs {
		stores[r.Store]++
		version := int64(1)
		if r.Outcome != fixity.ReadIntact {
			version = 0
		}
		files[r.File] = true
		if r.Listed {
			listed[r.File] = true
		}
		if r.Differs {
			differ[r.File] = true
		}
		lines = append(lines, record.ResultLine(fixity.Result{File: r.File, Version: version, Cache: r.Cache, Outcome: r.Outcome, At: r.At}))
		t.countDay(r.Store, 1, r.Size, 0)
	}
	// Batches of an intake belong to no shard: their own number keeps them apart.
	shard := -a.ID
	if _, err := t.record.AddReading(a.ID, shard, lines); err != nil {
		return err
	}
	e, err := t.record.SliceEvent(Event{Verb: fixity.TakenIn, By: by, Store: a.Store, Set: set, Audit: a.ID}, shard)
	if err != nil {
		return err
	}
	e.Data["files"], e.Data["stores"], e.Data["listed"], e.Data["differ"] = len(files), stores, len(listed), len(differ)
	t.Event(e)
	return nil
}

// JudgeDisputed opens the finding about a file whose copies disagreed at intake.
func (t Findings) JudgeDisputed(file, audit int64, by, store string, why []fixity.Fact) error {
	return t.Rejudge(file, audit, by, store, &seenAs{facts: why})
}

// SignOffStray says that what lies somewhere under no one's care is wanted there.
func (t Findings) SignOffStray(f Finding, by, reason string) error {
	if err := t.stillFinding(f); err != nil {
		return err
	}
	if err := t.Strays.LeaveInPeace(f.Store, f.Set, f.Path); err != nil {
		return err
	}
	return t.settle(f, fixity.SignedOff, by, reason)
}

// SignOffVersion accepts the bytes that a copy holds as the file's new version. The
// copy must still hold what the finding tells of.
func (t Findings) SignOffVersion(f Finding, v Version, entry fixity.Entry, read fixity.Evidence, within time.Duration, by, reason string) (int64, error) {
	if err := t.stillFinding(f); err != nil {
		return 0, err
	}
	copies, err := t.Copies.Of(f.File)
	if err != nil {
		return 0, err
	}
	for _, c := range copies {
		if c.Store != f.Store || c.Carrier != f.Carrier {
			continue
		}
		n, err := t.Files.NewVersion(f.File, v, true, f.Store)
		if err != nil {
			return 0, err
		}
		e := care.Accepted{Version: n, Digest: v.BLAKE3, Size: entry.Size, ModTime: entry.ModTime.UnixNano(), InodeAt: entry.InodeAt(), At: read.At, Cache: read.Cache}
		after, follows := care.After(c, e, care.Given{Now: t.now, Store: care.Store{ReadWithin: within}})
		if follows.Refused != "" {
			return 0, fmt.Errorf("%s: audit %s once more: %w", follows.Refused, f.Store, fixity.ErrRefused)
		}
		if err := t.Copies.Put(c, after); err != nil {
			return 0, err
		}
		if err := t.Copies.MakeDue(f.File, f.Store, t.now); err != nil {
			return 0, err
		}
		t.Event(Event{Verb: fixity.VersionSigned, By: by, Store: f.Store, Set: f.Set, File: f.File, Finding: f.ID, Reason: reason,
			Data: map[string]any{"version": n, "sha256": v.SHA256.Sum}})
		if err := t.settle(f, fixity.SignedOff, by, reason); err != nil {
			return 0, err
		}
		return n, t.Rejudge(f.File, 0, by, "", nil)
	}
	return 0, fmt.Errorf("no copy of the file is expected in %s any more: %w", f.Store, fixity.ErrRefused)
}

// KeepVersion decides a dispute for the file's version, which a person stands behind
// from now on. The copy is known to hold another thing: it is altered, and its finding
// stays open. It gives the number of the version.
func (t Findings) KeepVersion(f Finding, by, reason string) (int64, error) {
	if err := t.stillFinding(f); err != nil {
		return 0, err
	}
	file, err := t.Files.Get(f.File)
	if err != nil {
		return 0, err
	}
	if f.Kind != fixity.Kind(fixity.Disputed) || file.Version == 0 {
		return 0, fmt.Errorf("%s: no version is there to be kept: %w", file.now(), fixity.ErrRefused)
	}
	if _, err := t.exec(`UPDATE file SET vouched = 1 WHERE id = $1`, f.File); err != nil {
		return 0, err
	}
	copies, err := t.Copies.Of(f.File)
	if err != nil {
		return 0, err
	}
	for _, c := range copies {
		kept, _ := care.After(c, care.Kept{}, care.Given{Now: t.now})
		if kept == c {
			continue
		}
		if err := t.Copies.Put(c, kept); err != nil {
			return 0, err
		}
	}
	t.Event(Event{Verb: fixity.VersionKept, By: by, Store: f.Store, Set: f.Set, File: f.File, Finding: f.ID, Reason: reason, Data: map[string]any{"version": file.Version}})
	return file.Version, t.Rejudge(f.File, 0, by, "", nil)
}

// SignOffPlace accepts that a file lies elsewhere: it is renamed everywhere. Copies
// in other stores still lie at the old place; they are behind until they follow.
func (t Findings) SignOffPlace(f Finding, within time.Duration, by, reason string) error {
	if err := t.stillFinding(f); err != nil {
		return err
	}
	if _, err := t.Files.At(f.Set, f.FoundAt); err == nil {
		return fmt.Errorf("another file is under care at %q: %w", f.FoundAt, fixity.ErrRefused)
	}
	if err := t.Files.SetPath(f.File, f.FoundAt); err != nil {
		return err
	}
	renamed, err := t.Files.Get(f.File)
	if err != nil {
		return err
	}
	if err := t.moveUnfinished(renamed, by); err != nil {
		return err
	}
	copies, err := t.Copies.Of(f.File)
	if err != nil {
		return err
	}
	for _, was := range copies {
		rules := t.Copies.careRules(renamed, was.Store)
		var e care.Evidence = care.Renamed{To: f.FoundAt}
		if was.Store == f.Store && was.Carrier == f.Carrier {
			rules.Store.ReadWithin = within
			if e, err = t.acceptedPlace(f, renamed); err != nil {
				return err
			}
		}
		c, follows := care.After(was, e, rules)
		if follows.Refused != "" {
			return fmt.Errorf("%s: audit %s once more: %w", follows.Refused, f.Store, fixity.ErrRefused)
		}
		if c == was {
			continue
		}
		if err := t.Copies.Put(was, c); err != nil {
			return err
		}
	}
	t.Event(Event{Verb: fixity.Renamed, By: by, Store: f.Store, Set: f.Set, File: f.File, Finding: f.ID, Reason: reason,
		Data: map[string]any{"from": DisplayPath(f.Path), "to": DisplayPath(f.FoundAt)}})
	if err := t.settle(f, fixity.SignedOff, by, reason); err != nil {
		return err
	}
	return t.Rejudge(f.File, 0, by, "", nil)
}

// acceptedPlace is what is known of the place that a person accepts as a copy's own.
// What lies there is no stray any more.
func (t Findings) acceptedPlace(f Finding, renamed File) (e care.PlaceAccepted, err error) {
	st, err := t.Strays.At(f.Store, f.Set, f.FoundAt)
	if errors.Is(err, fixity.ErrNotFound) {
		return e, fmt.Errorf("nothing lies at %q any more: audit %s once more: %w", f.FoundAt, f.Store, fixity.ErrRefused)
	}
	if err != nil {
		return e, err
	}
	e = care.PlaceAccepted{At: st.Path, Size: st.Size, ModTime: st.ModTime, Read: !st.Digest.IsZero()}
	if e.Read {
		if e.Version, err = t.Files.versionWith(renamed.ID, st.Digest); err != nil {
			return e, err
		}
	}
	return e, t.Strays.Drop(f.Store, f.Set, f.FoundAt)
}

// SignOffAbsence accepts that a file is gone on purpose: it is retired.
func (t Findings) SignOffAbsence(f Finding, by, reason string) error {
	if err := t.stillFinding(f); err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.Retired, By: by, Store: f.Store, Set: f.Set, File: f.File, Finding: f.ID, Reason: reason})
	if err := t.settle(f, fixity.SignedOff, by, reason); err != nil {
		return err
	}
	others, err := t.where(`WHERE file = $1 AND settled = '' ORDER BY id`, f.File)
	if err != nil {
		return err
	}
	for _, o := range others {
		if err := t.settle(o, fixity.Overtaken, by, reason); err != nil {
			return err
		}
	}
	return t.Files.Retire(f.File)
}
