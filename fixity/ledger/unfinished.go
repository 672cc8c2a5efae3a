package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/essence/sound"
	"firmus/fixity/policy"
)

// JudgeTransfer opens a finding if the current version of a file is unfinished, and ends
// one about an earlier version if nothing is known to be lacking in this one. It belongs
// into the transaction that makes the version. If nobody looked at the version's sound,
// what was said before stays.
//
// The finding is about the version and not about a copy: Rejudge leaves it alone. It is
// judged once for each version, so one that a person settled stays quiet.
func (t *Tx) JudgeTransfer(file, audit int64, by string) error {
	f, err := t.File(file)
	if err != nil || f.Version == 0 || !f.Retired.IsZero() {
		return err
	}
	lacks, known, err := t.lacks(f)
	if err != nil || !known {
		return err
	}
	old, err := t.openUnfinished(file)
	isOpen := err == nil
	if err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return err
	}
	fd := old
	fd.Version, fd.Detail, fd.Seen = f.Version, lacking(lacks), t.now
	switch {
	case isOpen && old.Version == f.Version:
		return nil
	case isOpen && len(lacks) > 0:
		return t.turn(fd, fixity.FindingChanged, by)
	case isOpen:
		how := fixity.Overtaken
		if f.Vouched {
			how = fixity.SignedOff
		}
		return t.settle(old, how, by, fmt.Sprintf("version %d took its place; nothing is known to be lacking in it", f.Version))
	case len(lacks) == 0:
		return nil
	}
	_, err = t.open(t.unfinished(f, fd.Detail, audit), by)
	return err
}

// unfinished is the finding about a file's current version, not yet opened.
func (t *Tx) unfinished(f File, detail string, audit int64) Finding {
	arrivals, _ := t.l.o.Rules.Arrivals(f.Set)
	return Finding{File: f.ID, Version: f.Version, Step: policy.StepTransfer, Audit: audit,
		Finding: fixity.Finding{Subject: fixity.OfFile, Kind: fixity.Unfinished, Urgency: fixity.AtRisk, Store: arrivals.Name, Set: f.Set, Path: f.Path,
			IntactIn: []string{}, Detail: detail}}
}

// lacks says what is lacking in a file's current version. known is false if nobody
// looked.
func (t *Tx) lacks(f File) (lacks []policy.Lack, known bool, err error) {
	s, err := t.Sound(f.ID, f.Version)
	if err != nil {
		return nil, false, err
	}
	var heard sound.Sound
	if s.JSON != "" {
		if err := json.Unmarshal([]byte(s.JSON), &heard); err != nil {
			return nil, false, fmt.Errorf("what is known of the sound in file %d: %w", f.ID, err)
		}
	}
	var size int64
	if err := t.row(`SELECT size FROM version WHERE file = $1 AND n = $2`, []any{f.ID, f.Version}, &size); err != nil {
		return nil, false, err
	}
	set, _ := t.l.o.Rules.Set(f.Set)
	return policy.Unfinished(policy.Transfer{Role: set.Role, Path: f.Path, Size: size, Sound: heard, Notes: s.Notes}), s.JSON != "" || len(s.Notes) > 0, nil
}

// lacking says in words what is lacking in a transfer.
func lacking(lacks []policy.Lack) string {
	var said []string
	for _, l := range lacks {
		s := ""
		switch l.Flaw {
		case policy.FlawEmpty:
			s = "it is empty: there is not a single byte in it"
		case policy.FlawNoHeader:
			s = "its name says that it is a sound file, but nothing in it does"
			if l.Code == sound.Blank {
				s = "it holds nothing but zeros, and no header of a sound file"
			}
		case policy.FlawNotWhole:
			s = sound.Note{Code: l.Code}.Meaning().Means
			if l.Missing > 0 {
				s += fmt.Sprintf(" (%d bytes are lacking)", l.Missing)
			}
		case policy.FlawSilent:
			s = fmt.Sprintf("exact digital silence for %s of it, up to %s at a stretch", damage.Clock(l.Silent), damage.Clock(l.Stretch))
		}
		said = append(said, s)
	}
	return strings.Join(said, "; ")
}

// openUnfinished is the open finding that a file is unfinished.
func (t *Tx) openUnfinished(file int64) (Finding, error) {
	f, err := scanFinding(t.one(`SELECT `+findingColumns+` FROM finding WHERE file = $1 AND kind = 'unfinished' AND settled = ''`, file))
	return f, notFound(err)
}

// UnfinishedOf is the finding that the current version of a file is unfinished: an open
// one, or one that a person settled. fixity.ErrNotFound if there is none.
func (t *Tx) UnfinishedOf(file int64) (Finding, error) {
	f, err := scanFinding(t.one(`SELECT `+findingColumns+` FROM finding d WHERE file = $1 AND `+saysUnfinished+` ORDER BY id DESC LIMIT 1`, file))
	return f, notFound(err)
}

// Unfinished are these findings about all files under care, by number.
func (t *Tx) Unfinished() ([]Finding, error) {
	return t.findings(`d WHERE ` + saysUnfinished + ` AND EXISTS (SELECT 1 FROM file f WHERE f.id = d.file AND f.retired_at = 0) ORDER BY id`)
}

// saysUnfinished is for findings d that still say something of the current version.
const saysUnfinished = `d.kind = 'unfinished' AND (d.settled = '' OR d.settled = 'by-person' AND d.version = (SELECT f.version FROM file f WHERE f.id = d.file))`

// moveUnfinished gives the open finding of a renamed file its new path.
func (t *Tx) moveUnfinished(f File, by string) error {
	fd, err := t.openUnfinished(f.ID)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	fd.Path = f.Path
	return t.turn(fd, fixity.FindingChanged, by)
}

// rehomeUnfinished gives the findings of an arrivals store that is retired to the store
// that took its place: the files are unfinished there as well.
func (t *Tx) rehomeUnfinished(store, by string) error {
	open, err := t.findings(`WHERE store = $1 AND kind = 'unfinished' AND settled = '' ORDER BY id`, store)
	if err != nil {
		return err
	}
	for _, f := range open {
		arrivals, ok := t.l.o.Rules.Arrivals(f.Set)
		if !ok || arrivals.Name == store {
			continue
		}
		f.Store = arrivals.Name
		if _, err := t.exec(`UPDATE finding SET store = $2 WHERE id = $1`, f.ID, f.Store); err != nil {
			return err
		}
		if err := t.turn(f, fixity.FindingChanged, by); err != nil {
			return err
		}
	}
	return nil
}

// judgeNotes looks once through the notes of a ledger from before there were findings of
// this kind. What they say becomes findings, one incident for each arrivals store. All is
// one transaction with the mark that it is owed, which the migration made: after a kill it
// is done anew. It waits for the next opening while the rules aren't known or another
// process writes.
func (l *Ledger) judgeNotes(ctx context.Context) error {
	if len(l.o.Rules.Sets) == 0 {
		return nil // nobody knows what is a master, nor where it arrived
	}
	var owed int64
	const query = `SELECT count(*) FROM counter WHERE name = 'notes to judge'`
	if err := l.r.QueryRowContext(ctx, query).Scan(&owed); err != nil || owed == 0 {
		return err
	}
	err := l.Tx(ctx, l.o.Now, func(t *Tx) error {
		if err := t.row(query, nil, &owed); err != nil || owed == 0 {
			return err
		}
		if err := t.judgeNotes(); err != nil {
			return fmt.Errorf("look through the notes on what was taken in: %w", err)
		}
		_, err := t.exec(`DELETE FROM counter WHERE name = 'notes to judge'`)
		return err
	})
	if errors.Is(err, fixity.ErrBusy) {
		return nil
	}
	return err
}

func (t *Tx) judgeNotes() error {
	var files []int64
	if err := t.rows(`SELECT DISTINCT f.id FROM file f JOIN note x ON x.file = f.id AND x.n = f.version WHERE f.retired_at = 0 ORDER BY f.id`, nil, func(r *sql.Rows) error {
		var id int64
		err := r.Scan(&id)
		files = append(files, id)
		return err
	}); err != nil {
		return err
	}
	found := map[string][]Finding{}
	var stores []string
	for _, id := range files {
		f, err := t.File(id)
		if err != nil {
			return err
		}
		lacks, _, err := t.lacks(f)
		if err != nil {
			return err
		}
		fd := t.unfinished(f, lacking(lacks), 0)
		if len(lacks) == 0 || fd.Store == "" {
			continue
		}
		if found[fd.Store] == nil {
			stores = append(stores, fd.Store)
		}
		found[fd.Store] = append(found[fd.Store], fd)
	}
	for _, s := range stores {
		if err := t.openTogether(s, found[s]); err != nil {
			return err
		}
	}
	return nil
}

// openTogether opens findings of one store as one incident.
func (t *Tx) openTogether(store string, fs []Finding) error {
	incident := int64(0)
	if len(fs) > 1 {
		var err error
		if incident, err = t.NextID("incident"); err != nil {
			return err
		}
		if _, err := t.exec(`INSERT INTO incident (id, kind, store, set_name, audit, files, opened_at) VALUES ($1, $2, $3, '', 0, $4, $5)`,
			incident, string(fixity.Unfinished), store, len(fs), nanos(t.now)); err != nil {
			return err
		}
	}
	for _, f := range fs {
		f.Incident = incident
		if _, err := t.open(f, t.l.o.By); err != nil {
			return err
		}
	}
	return nil
}
