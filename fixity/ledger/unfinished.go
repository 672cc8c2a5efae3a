package ledger

import (
	"database/sql"
	"errors"
	"fmt"

	"firmus/fixity"
	"firmus/fixity/care"
)

// JudgeTransfer opens a finding if the current version of a file is unfinished, and ends
// one about an earlier version if nothing is known to be lacking in this one. It belongs
// into the transaction that makes the version. If nobody looked at the version's sound,
// what was said before stays.
//
// The finding is about the version and not about a copy: Rejudge leaves it alone. It is
// judged once for each version, so one that a person settled stays quiet.
func (t Findings) JudgeTransfer(file, audit int64, by string) error {
	f, err := t.Files.Get(file)
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
	fd.Version, fd.Facts, fd.Seen = f.Version, fixity.Facts{Seen: care.LackFacts(lacks)}, t.now
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
		old.Facts.Seen = append(old.Facts.Seen, fixity.Fact{Is: fixity.Superseded, Version: f.Version})
		return t.settle(old, how, by, "")
	case len(lacks) == 0:
		return nil
	}
	_, err = t.begin(t.unfinished(f, lacks, audit), by)
	return err
}

// JudgeNew is JudgeTransfer of a file that this transaction took under care, with its first
// version: nothing was said of it before.
func (t Findings) JudgeNew(f File, v Version, audit int64, by string) error {
	if f.Version == 0 || v.Sound == nil {
		return nil
	}
	lacks, known, err := t.lacking(f, v.Size, *v.Sound)
	if err != nil || !known || len(lacks) == 0 {
		return err
	}
	_, err = t.begin(t.unfinished(f, lacks, audit), by)
	return err
}

// unfinished is the finding about a file's current version, not yet opened.
func (t Findings) unfinished(f File, lacks []care.Lack, audit int64) Finding {
	arrivals, _ := t.l.o.Rules.Arrivals(f.Set)
	return Finding{File: f.ID, Version: f.Version, Step: care.StepTransfer, Audit: audit,
		Finding: fixity.Finding{Subject: fixity.OfFile, Kind: fixity.Unfinished, Urgency: fixity.AtRisk, Store: arrivals.Name, Set: f.Set, Path: f.Path,
			IntactIn: []string{}, Facts: fixity.Facts{Seen: care.LackFacts(lacks)}}}
}

// lacks says what is lacking in a file's current version. known is false if nobody
// looked.
func (t Findings) lacks(f File) (lacks []care.Lack, known bool, err error) {
	s, err := t.Files.Sound(f.ID, f.Version)
	if err != nil {
		return nil, false, err
	}
	var size int64
	if err := t.row(`SELECT size FROM version WHERE file = $1 AND n = $2`, []any{f.ID, f.Version}, &size); err != nil {
		return nil, false, err
	}
	return t.lacking(f, size, s)
}

func (t Findings) lacking(f File, size int64, s Sound) (lacks []care.Lack, known bool, err error) {
	heard, err := s.Recorded()
	if err != nil {
		return nil, false, fmt.Errorf("what is known of the sound in file %d: %w", f.ID, err)
	}
	set, _ := t.l.o.Rules.Set(f.Set)
	return care.Unfinished(care.Transfer{Role: set.Role, Path: f.Path, Size: size, Sound: heard, Notes: s.Notes}), s.JSON != "" || len(s.Notes) > 0, nil
}

// openUnfinished is the open finding that a file is unfinished.
func (t Findings) openUnfinished(file int64) (Finding, error) {
	f, err := scanFinding(t.one(findingSelect+`WHERE file = $1 AND kind = 'unfinished' AND settled = ''`, file))
	return f, notFound(err)
}

// UnfinishedOf is the finding that the current version of a file is unfinished: an open
// one, or one that a person settled. fixity.ErrNotFound if there is none.
func (t Findings) UnfinishedOf(file int64) (Finding, error) {
	f, err := scanFinding(t.one(findingSelect+`WHERE file = $1 AND `+saysUnfinished+` ORDER BY id DESC LIMIT 1`, file))
	return f, notFound(err)
}

// OpenUnfinished are up to n open findings that a recording is not whole, by number.
func (t Findings) OpenUnfinished(n int) ([]Finding, error) {
	return t.where(`WHERE settled = '' AND kind = 'unfinished' ORDER BY `+onceFirst+` LIMIT $1`, n)
}

// Unfinished are these findings about all files under care, by number.
func (t Findings) Unfinished() ([]Finding, error) {
	return t.where(`WHERE ` + saysUnfinished + ` AND EXISTS (SELECT 1 FROM file f WHERE f.id = finding.file AND f.retired_at = 0) ORDER BY id`)
}

// saysUnfinished is for findings that still say something of the current version.
const saysUnfinished = `kind = 'unfinished' AND (settled = '' OR settled = 'by-person' AND version = (SELECT f.version FROM file f WHERE f.id = finding.file))`

// moveUnfinished gives the open finding of a renamed file its new path.
func (t Findings) moveUnfinished(f File, by string) error {
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
func (t Findings) rehomeUnfinished(store, by string) error {
	open, err := t.where(`WHERE store = $1 AND kind = 'unfinished' AND settled = '' ORDER BY id`, store)
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
// this kind: what they say becomes findings, one incident for each arrivals store.
func (t Findings) judgeNotes() error {
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
		f, err := t.Files.Get(id)
		if err != nil {
			return err
		}
		lacks, _, err := t.lacks(f)
		if err != nil {
			return err
		}
		fd := t.unfinished(f, lacks, 0)
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
func (t Findings) openTogether(store string, fs []Finding) error {
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
		if _, err := t.begin(f, t.l.o.By); err != nil {
			return err
		}
	}
	return nil
}
