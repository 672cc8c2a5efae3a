package ledger

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Blocks are the block sums of a version.
func (r Record) Blocks(ctx context.Context, file, version int64) (b []uint32, err error) {
	err = r.l.View(ctx, func(t *Tx) error {
		b, err = t.Blocks(file, version)
		return err
	})
	return b, err
}

// CommitReadings writes what a part of a slice has read: evidence, states,
// findings and the new cursor. end says that the slice ends here: its one event
// is written; and when done is set as well, the shard's phase is over. ErrLost if
// the claim no longer holds; nothing is written then.
func (r Record) CommitReadings(ctx context.Context, s fixity.Shard, cursor string, results []fixity.Result, end, done bool, trouble string) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		to := s.Phase
		if done {
			to, cursor = fixity.PhaseDone, ""
			if s.Phase == fixity.PhaseProve {
				to = fixity.PhaseProved
			}
		}
		files, size := int64(0), int64(0)
		for _, x := range results {
			if x.File != 0 && !x.NotRead {
				files, size = files+1, size+x.Size
			}
		}
		if err := t.moveShard(s, to, cursor, 0, 0, files, size, trouble); err != nil {
			return err
		}
		var lines []string
		for _, x := range results {
			if x.NotRead {
				if err := t.goesBehind(s, x.Path); err != nil {
					return err
				}
				continue
			}
			if x.File == 0 {
				if err := t.strayRead(s, x, r.by); err != nil {
					return fmt.Errorf("%q in %s: %w", x.Path, s.Store, err)
				}
				continue
			}
			lines = append(lines, resultLine(x))
			if err := t.copyRead(s, x, r.by); err != nil {
				return fmt.Errorf("%q in %s: %w", x.Path, s.Store, err)
			}
		}
		t.countDay(s.Store, files, size, 0)
		if len(lines) > 0 {
			if _, err := t.addReading(s.Audit, s.ID, lines); err != nil {
				return err
			}
		}
		if !end {
			return nil
		}
		e, err := t.sliceEvent(Event{Verb: fixity.Audited, By: r.by, Store: s.Store, Set: s.Set, Audit: s.Audit}, s.ID)
		if err == nil && len(e.readings) > 0 {
			t.Event(e)
		}
		return err
	})
}

// strayRead keeps the digest of a stray. If it was proposed as the place of a
// misplaced file, that is proved or refuted now.
func (t *Tx) strayRead(s fixity.Shard, x fixity.Result, by string) error {
	var b3 []byte
	for _, d := range x.Sums {
		if d.Algorithm == fixity.BLAKE3 {
			b3 = d.Bytes()
		}
	}
	st, err := t.StrayAt(s.Store, s.Set, x.Path)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil // an act has dealt with it meanwhile
	}
	if err != nil {
		return err
	}
	if _, err := t.exec(`UPDATE stray SET blake3 = $5, due = 0, size = $6, mtime = $7 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`,
		s.Store, s.Set, []byte(top(x.Path)), []byte(x.Path), b3, x.Size, x.ModTime); err != nil {
		return err
	}
	switch {
	case st.File == 0:
		return nil
	case b3 == nil:
		return t.Rejudge(st.File, s.Audit, by, s.Store, &seenAs{foundAt: st.Path, detail: "found by size, time and name; it could not be read where it lies, " + clock(x.At)})
	}
	return t.proved(s, st, x, fixity.DigestOf(fixity.BLAKE3, b3), by)
}

func (t *Tx) proved(s fixity.Shard, st Stray, x fixity.Result, got fixity.Digest, by string) error {
	var want []byte
	err := t.row(`SELECT v.blake3 FROM file f JOIN version v ON v.file = f.id AND v.n = f.version WHERE f.id = $1`, []any{st.File}, &want)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	seen := &seenAs{foundAt: st.Path, detail: "read where it lies, " + clock(x.At) + ": its bytes are the right ones"}
	copies, err := t.Copies(st.File)
	if err != nil {
		return err
	}
	if got == fixity.DigestOf(fixity.BLAKE3, want) {
		f, err := t.File(st.File)
		if err != nil {
			return err
		}
		for _, c := range copies {
			if c.Store == s.Store && c.Set == s.Set {
				proved, _ := care.After(c, care.Proved{}, t.careRules(f, c.Store))
				if err := t.PutCopy(c, proved); err != nil {
					return err
				}
			}
		}
		return t.Rejudge(st.File, s.Audit, by, s.Store, seen)
	}
	if _, err := t.exec(`UPDATE stray SET file = 0 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`,
		s.Store, s.Set, []byte(top(st.Path)), []byte(st.Path)); err != nil {
		return err
	}
	for _, c := range copies {
		if c.Store == s.Store && c.Set == s.Set {
			refuted, _ := care.After(c, care.Refuted{}, care.Rules{Now: t.now})
			if err := t.PutCopy(c, refuted); err != nil {
				return err
			}
		}
	}
	told := "a complete listing doesn't show it; a file of the same size, time and name holds other bytes"
	if !st.Reported.IsZero() {
		told = fmt.Sprintf("a complete listing doesn't show it; the service reports the right digest of what lies at %q, but other bytes were read there, %s", DisplayPath(st.Path), clock(x.At))
	}
	if err := t.Rejudge(st.File, s.Audit, by, s.Store, &seenAs{detail: told}); err != nil {
		return err
	}
	if rule, _ := t.l.o.Rules.Store(s.Store); rule.Arrivals {
		return nil // it is new there
	}
	return t.reportStray(s.Store, s.Set, st, "", s.Audit, by)
}

// copyRead moves one copy to the state that its reading gives.
func (t *Tx) copyRead(s fixity.Shard, x fixity.Result, by string) error {
	c, err := t.CopyAt(s.Store, s.Set, x.Path)
	if errors.Is(err, fixity.ErrNotFound) || err == nil && c.File != x.File {
		return nil // an act has dealt with it meanwhile
	}
	if err != nil {
		return err
	}
	f, err := t.File(x.File)
	if err != nil {
		return err
	}
	rules := t.careRules(f, s.Store)
	e := care.Reading{Outcome: x.Outcome, Version: x.Version, Size: x.Size, ModTime: x.ModTime, Cache: x.Cache, At: x.At}
	for _, d := range x.Sums {
		if d.Algorithm == fixity.BLAKE3 {
			e.Digest = d
		}
	}
	if e.IsSave(c, rules) {
		if rules.Newest, err = t.newestVersion(f.ID); err != nil {
			return err
		}
		loss, err := t.lostBy(f, x)
		if err != nil {
			return err
		}
		if e.Lost = !loss.None(); e.Lost {
			x.Detail += "; somebody saved it while it was being edited, but this is no new version: " + Words(loss)
		}
	}
	after, follows := care.After(c, e, rules)
	if follows.Saved {
		return t.saved(s, f, c, after, x, by)
	}
	if err := t.PutCopy(c, after); err != nil {
		return err
	}
	if err := t.markRead(s, x.Path); err != nil {
		return err
	}
	return t.afterReading(s, f, c, after, follows, x, by)
}

func (t *Tx) markRead(s fixity.Shard, at string) error {
	_, err := t.exec(`UPDATE instance SET read_audit = $5 WHERE store = $1 AND set_name = $2 AND carrier = 0 AND top = $3 AND at = $4`,
		s.Store, s.Set, []byte(top(at)), []byte(at), s.Audit)
	return err
}

// afterReading judges anew where a reading changed what is known, or where a
// finding about the file is open anywhere.
func (t *Tx) afterReading(s fixity.Shard, f File, was, c Copy, follows care.Effects, x fixity.Result, by string) error {
	if follows.Judge == care.IfOpen {
		var open int64
		if err := t.row(`SELECT count(*) FROM finding WHERE file = $1 AND settled = '' AND kind <> 'unfinished'`, []any{f.ID}, &open); err != nil {
			return err
		}
		if open == 0 {
			return nil
		}
	} else if follows.Judge == care.NoJudging {
		return nil
	}
	if follows.Others {
		a, err := t.Audit(s.Audit)
		if err != nil {
			return err
		}
		if err := t.MakeDue(f.ID, s.Store, a.Run); err != nil {
			return err
		}
	}
	if !follows.Facts {
		// The same wrong bytes again: what was found out about them stays.
		if _, err := t.exec(`UPDATE finding SET seen_at = $5 WHERE store = $1 AND set_name = $2 AND carrier = $3 AND file = $4 AND settled = '' AND kind <> 'unfinished'`,
			c.Store, c.Set, c.Carrier, c.File, nanos(t.now)); err != nil {
			return err
		}
		return t.Rejudge(f.ID, s.Audit, by, "", nil)
	}
	return t.Rejudge(f.ID, s.Audit, by, s.Store, &seenAs{anatomy: x.Anatomy, ranges: x.Ranges, more: x.More, detail: x.Detail + said(c, x), intactAt: lastIntact(was)})
}

// saved makes a save inside the editing window the file's new version, which the copy c
// holds.
func (t *Tx) saved(s fixity.Shard, f File, was, c Copy, x fixity.Result, by string) error {
	v, err := t.savedVersion(f, x, by)
	if err != nil {
		return err
	}
	n, err := t.NewVersion(f.ID, v, false, s.Store)
	if err != nil {
		return err
	}
	if n != c.Held {
		return fmt.Errorf("version %d of file %d was to be %d", n, f.ID, c.Held)
	}
	if err := t.PutCopy(was, c); err != nil {
		return err
	}
	if err := t.markRead(s, x.Path); err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.Saved, By: by, Store: s.Store, Set: s.Set, File: f.ID, Audit: s.Audit, Data: map[string]any{"version": n}})
	return t.Rejudge(f.ID, s.Audit, by, s.Store, &seenAs{})
}

// savedVersion is the version that a save made. Of an earlier one that was saved again
// everything is known.
func (t *Tx) savedVersion(f File, x fixity.Result, by string) (Version, error) {
	if x.Outcome != fixity.ReadEarlier {
		v := VersionOf(x.Size, x.Sums, x.Blocks, by, "saved while it was being edited")
		var err error
		v.Sound, err = heardIn(x)
		return v, err
	}
	v, err := t.Version(f.ID, x.Version)
	if err != nil {
		return v, err
	}
	v.By, v.Reason = by, fmt.Sprintf("version %d, saved again while it was being edited", x.Version)
	if v.Blocks, err = t.Blocks(f.ID, x.Version); err != nil {
		return v, err
	}
	s, err := t.Sound(f.ID, x.Version)
	if s.JSON != "" || len(s.Notes) > 0 { // else nobody has listened to it
		v.Sound = &s
	}
	return v, err
}

// NewVersion makes v the file's version. Copies elsewhere that already hold these
// bytes are intact at once; those that hold what was current are behind. If it is known
// what sound v holds, a finding that the file is unfinished begins or ends with it.
func (t *Tx) NewVersion(file int64, v Version, vouched bool, except string) (int64, error) {
	n, err := t.AddVersion(file, v, vouched)
	if err != nil {
		return 0, err
	}
	copies, err := t.Copies(file)
	if err != nil {
		return 0, err
	}
	f, err := t.File(file)
	if err != nil {
		return 0, err
	}
	all, err := t.Versions(file)
	if err != nil {
		return 0, err
	}
	same := map[int64]bool{}
	for _, o := range all {
		same[o.N] = o.BLAKE3 == v.BLAKE3
	}
	for _, was := range copies {
		if was.Store == except {
			continue
		}
		c, _ := care.After(was, care.Versioned{Version: n, Digest: v.BLAKE3, Same: same[was.Held]}, t.careRules(f, was.Store))
		if c == was {
			continue
		}
		if err := t.PutCopy(was, c); err != nil {
			return 0, err
		}
	}
	return n, t.JudgeTransfer(file, 0, v.By)
}

// clock is a time as findings tell it.
func clock(at time.Time) string { return at.UTC().Format("2006-01-02 15:04:05 UTC") }
