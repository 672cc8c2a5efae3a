package ledger

import (
	"context"
	"errors"
	"fmt"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger/record"
)

// Blocks are the block sums of a version.
func (r Record) Blocks(ctx context.Context, file, version int64) (b []uint32, err error) {
	err = r.l.View(ctx, func(t *Tx) error {
		b, err = t.Files.Blocks(file, version)
		return err
	})
	return b, err
}

// CommitReadings writes what parts of slices have read, all in one transaction: evidence,
// states, findings and the new cursors. It fails with a *fixity.LostError for the first shard
// the claim on which no longer holds; nothing is written then, of the others neither.
func (r Record) CommitReadings(ctx context.Context, of ...fixity.Readings) error {
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		for _, x := range of {
			err := t.Audits.commitReadings(x, r.by)
			if errors.Is(err, fixity.ErrLost) {
				return &fixity.LostError{Shard: x.Shard.ID}
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}

func (t Audits) commitReadings(r fixity.Readings, by string) error {
	s, to := r.Shard, r.Shard.Phase
	if r.Done {
		to, r.Cursor = fixity.PhaseDone, ""
		switch s.Phase {
		case fixity.PhaseProve:
			to = fixity.PhaseProved
		case fixity.PhaseFirst:
			to = fixity.PhaseRead
		}
	}
	files, size := int64(0), int64(0)
	for _, x := range r.Results {
		if x.File != 0 && !x.NotRead {
			files, size = files+1, size+x.Size
		}
	}
	if err := t.moveShard(s, to, r.Cursor, 0, 0, files, size, r.Trouble); err != nil {
		return err
	}
	var lines []string
	if err := t.noteNotNow(s, r.Results); err != nil {
		return err
	}
	for _, x := range r.Results {
		if x.NotRead {
			if err := t.Copies.follow(s.Store, s.Set, x.Path, care.PutOff{}); err != nil {
				return err
			}
			continue
		}
		if x.File == 0 {
			if err := t.strayRead(s, x, by); err != nil {
				return fmt.Errorf("%q in %s: %w", x.Path, s.Store, err)
			}
			continue
		}
		x, err := t.followed(s, x, by)
		if err != nil {
			return fmt.Errorf("%q in %s: %w", x.Path, s.Store, err)
		}
		lines = append(lines, record.ResultLine(x))
		if err := t.copyRead(s, x, by); err != nil {
			return fmt.Errorf("%q in %s: %w", x.Path, s.Store, err)
		}
	}
	t.countDay(s.Store, files, size, 0)
	if err := t.Hosts.countRead(s.Audit, files, size); err != nil {
		return err
	}
	if len(lines) > 0 {
		if _, err := t.record.AddReading(s.Audit, s.ID, lines); err != nil {
			return err
		}
	}
	if !r.End {
		return nil
	}
	e, err := t.record.SliceEvent(Event{Verb: fixity.Audited, By: by, Store: s.Store, Set: s.Set, Audit: s.Audit}, s.ID)
	if err == nil && e.HasReadings() {
		t.Event(e)
	}
	return err
}

// strayRead keeps the digest of a stray. If it was proposed as the place of a
// misplaced file, that is proved or refuted now.
func (t Audits) strayRead(s fixity.Shard, x fixity.Result, by string) error {
	var b3 []byte
	for _, d := range x.Sums {
		if d.Algorithm == fixity.BLAKE3 {
			b3 = d.Bytes()
		}
	}
	st, err := t.Strays.At(s.Store, s.Set, x.Path)
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
		return t.Findings.Rejudge(st.File, s.Audit, by, s.Store, &seenAs{foundAt: st.Path, facts: []fixity.Fact{{Is: fixity.NotReadThere, At: fixity.Instants(x.At)}}})
	}
	return t.proved(s, st, x, fixity.DigestOf(fixity.BLAKE3, b3), by)
}

func (t Audits) proved(s fixity.Shard, st Stray, x fixity.Result, got fixity.Digest, by string) error {
	var want []byte
	err := t.row(`SELECT v.blake3 FROM file f JOIN version v ON v.file = f.id AND v.n = f.version WHERE f.id = $1`, []any{st.File}, &want)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	seen := &seenAs{foundAt: st.Path, facts: []fixity.Fact{{Is: fixity.BytesRight, At: fixity.Instants(x.At)}}}
	copies, err := t.Copies.Of(st.File)
	if err != nil {
		return err
	}
	if x.Outcome == fixity.ReadDiffers && got != fixity.DigestOf(fixity.BLAKE3, want) {
		if done, err := t.outvotedThere(s, st, copies, x, by, seen); done || err != nil {
			return err
		}
	}
	if got == fixity.DigestOf(fixity.BLAKE3, want) {
		f, err := t.Files.Get(st.File)
		if err != nil {
			return err
		}
		for _, c := range copies {
			if c.Store == s.Store && c.Set == s.Set {
				proved, _ := care.After(c, care.Proved{}, t.Copies.careRules(f, c.Store))
				if err := t.Copies.Put(c, proved); err != nil {
					return err
				}
			}
		}
		return t.Findings.Rejudge(st.File, s.Audit, by, s.Store, seen)
	}
	if _, err := t.exec(`UPDATE stray SET file = 0 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`,
		s.Store, s.Set, []byte(top(st.Path)), []byte(st.Path)); err != nil {
		return err
	}
	for _, c := range copies {
		if c.Store == s.Store && c.Set == s.Set {
			refuted, _ := care.After(c, care.Refuted{}, care.Given{Now: t.now})
			if err := t.Copies.Put(c, refuted); err != nil {
				return err
			}
		}
	}
	there := fixity.Fact{Is: fixity.OtherBytes}
	if !st.Reported.IsZero() {
		there = fixity.Fact{Is: fixity.SaidOnly, Places: []fixity.Path{fixity.Path(st.Path)}, At: fixity.Instants(x.At)}
	}
	if err := t.Findings.Rejudge(st.File, s.Audit, by, s.Store, &seenAs{facts: []fixity.Fact{{Is: fixity.NotShown}, there}}); err != nil {
		return err
	}
	if rule, _ := t.l.o.Rules.Store(s.Store); rule.Arrivals {
		return nil // it is new there
	}
	return t.Strays.report(s.Store, s.Set, st, nil, s.Audit, by)
}

// copyRead moves one copy to the state that its reading gives.
func (t Audits) copyRead(s fixity.Shard, x fixity.Result, by string) error {
	c, err := t.Copies.At(s.Store, s.Set, x.Path)
	if errors.Is(err, fixity.ErrNotFound) || err == nil && c.File != x.File {
		return nil // an act has dealt with it meanwhile
	}
	if err != nil {
		return err
	}
	f, err := t.Files.Get(x.File)
	if err != nil {
		return err
	}
	rules := t.Copies.careRules(f, s.Store)
	e := care.Reading{Outcome: x.Outcome, Version: x.Version, Size: x.Size, ModTime: x.ModTime, InodeAt: x.InodeAt, Cache: x.Cache, At: x.At}
	for _, d := range x.Sums {
		if d.Algorithm == fixity.BLAKE3 {
			e.Digest = d
		}
	}
	if x.Outcome == fixity.ReadEarlier && !f.Vouched {
		now, err := t.Files.Version(f.ID, f.Version)
		if err != nil {
			return err
		}
		was, err := t.Files.Version(f.ID, x.Version)
		if err != nil {
			return err
		}
		e.Again, e.Digest = now.Outvoted, was.BLAKE3
	}
	if x.Version > 0 {
		if err := t.Files.putSums(f.ID, x.Version, x.Sums); err != nil {
			return err
		}
	}
	if err := t.Files.hearOf(f, &x, rules); err != nil {
		return err
	}
	if e.IsSave(c, rules) {
		if rules.Newest, err = t.Files.newestVersion(f.ID); err != nil {
			return err
		}
		loss, err := t.Files.lostBy(f, x)
		if err != nil {
			return err
		}
		if e.Lost = !loss.None(); e.Lost {
			x.Seen = append(append(x.Seen, fixity.Fact{Is: fixity.NoSave}), loss.Facts()...)
		}
	}
	if x.Outcome == fixity.ReadDiffers && c.Held == 0 && f.Version > 0 {
		if e.Stump, err = t.Files.isStump(f, &x); err != nil {
			return err
		}
	}
	if x.Outcome == fixity.ReadDiffers && c.Sole {
		if rules.Sole, rules.Newest, err = t.soleReading(f); err != nil {
			return err
		}
	}
	after, follows := care.After(c, e, rules)
	if follows.Saved || follows.Outvoted {
		return t.saved(s, f, c, after, follows, x, by)
	}
	if err := t.Copies.Put(c, after); err != nil {
		return err
	}
	if err := t.markRead(s, x.Path); err != nil {
		return err
	}
	return t.afterReading(s, f, c, after, follows, x, by)
}

func (t Audits) markRead(s fixity.Shard, at string) error {
	_, err := t.exec(`UPDATE instance SET read_audit = $5 WHERE store = $1 AND set_name = $2 AND carrier = 0 AND top = $3 AND at = $4`,
		s.Store, s.Set, []byte(top(at)), []byte(at), s.Audit)
	return err
}

// afterReading judges anew where a reading changed what is known, or where a
// finding about the file is open anywhere.
func (t Audits) afterReading(s fixity.Shard, f File, was, c Copy, follows care.Effects, x fixity.Result, by string) error {
	if follows.Judge == care.IfOpen {
		var open int64
		if err := t.row(`SELECT count(*) FROM finding WHERE file = $1 AND settled = '' AND kind <> 'unfinished'`, []any{f.ID}, &open); err != nil {
			return err
		}
		if open == 0 {
			if was.Sole && !c.Sole {
				return t.Copies.waited(f.ID)
			}
			return nil
		}
	} else if follows.Judge == care.NoJudging {
		return nil
	}
	if follows.Others {
		a, err := t.Get(s.Audit)
		if err != nil {
			return err
		}
		if err := t.Copies.MakeDue(f.ID, s.Store, a.Run); err != nil {
			return err
		}
	}
	if !follows.Facts {
		// The same wrong bytes again: what was found out about them stays, if it was told.
		told, err := t.exec(`UPDATE finding SET seen_at = $5 WHERE store = $1 AND set_name = $2 AND carrier = $3 AND file = $4 AND settled = '' AND kind <> 'unfinished'`,
			c.Store, c.Set, c.Carrier, c.File, nanos(t.now))
		if err != nil {
			return err
		}
		if told > 0 {
			return t.Findings.Rejudge(f.ID, s.Audit, by, "", nil)
		}
	}
	return t.Findings.Rejudge(f.ID, s.Audit, by, s.Store, &seenAs{anatomy: x.Anatomy, ranges: x.Ranges, more: x.More, facts: append(x.Seen, said(c, x)...), intactAt: lastIntact(was)})
}

// saved makes a save inside the editing window, or what outvoted a first reading, the file's
// new version, which the copy c holds.
func (t Audits) saved(s fixity.Shard, f File, was, c Copy, follows care.Effects, x fixity.Result, by string) error {
	v, err := t.Files.savedVersion(f, x, by)
	if err != nil {
		return err
	}
	n, err := t.Files.newVersion(f.ID, v, false, s.Store, follows.Outvoted)
	if err != nil {
		return err
	}
	if n != c.Held {
		return fmt.Errorf("version %d of file %d was to be %d", n, f.ID, c.Held)
	}
	if err := t.Copies.Put(was, c); err != nil {
		return err
	}
	if err := t.markRead(s, x.Path); err != nil {
		return err
	}
	if follows.Outvoted {
		return t.outvoted(s, f, n, x, by, &seenAs{})
	}
	t.Event(Event{Verb: fixity.Saved, By: by, Store: s.Store, Set: s.Set, File: f.ID, Audit: s.Audit, Data: map[string]any{"version": n}})
	return t.Findings.Rejudge(f.ID, s.Audit, by, s.Store, &seenAs{})
}

// savedVersion is the version that a save made. Of an earlier one that was saved again
// everything is known.
func (t Files) savedVersion(f File, x fixity.Result, by string) (Version, error) {
	if x.Outcome != fixity.ReadEarlier {
		v := VersionOf(x.Size, x.Sums, x.Blocks, by, "")
		var err error
		v.Sound, err = heardIn(x)
		return v, err
	}
	v, err := t.Version(f.ID, x.Version)
	if err != nil {
		return v, err
	}
	v.By, v.Reason = by, ""
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
func (t Files) NewVersion(file int64, v Version, vouched bool, except string) (int64, error) {
	return t.newVersion(file, v, vouched, except, false)
}

func (t Files) newVersion(file int64, v Version, vouched bool, except string, outvoted bool) (int64, error) {
	n, err := t.AddVersion(file, v, vouched)
	if err != nil {
		return 0, err
	}
	copies, err := t.Copies.Of(file)
	if err != nil {
		return 0, err
	}
	f, err := t.Get(file)
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
		c, _ := care.After(was, care.Versioned{Version: n, Digest: v.BLAKE3, Same: same[was.Held], Outvoted: outvoted}, t.Copies.careRules(f, was.Store))
		if c == was {
			continue
		}
		if err := t.Copies.Put(was, c); err != nil {
			return 0, err
		}
	}
	return n, t.Findings.JudgeTransfer(file, 0, v.By)
}
