package ledger

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/fixity"
)

// LevelStatement is what a person stated of a point of the preservation levels.
type LevelStatement struct {
	ID          int64
	Point       string
	Day         string // since which, YYYY-MM-DD
	Words       string
	By          string
	At          time.Time
	Withdrawn   time.Time // zero while it holds
	WithdrawnBy string
	Reason      string // why it was withdrawn
}

const levelColumns = `id, point, day, words, by_name, at, withdrawn_at, withdrawn_by, reason`

func scanLevel(r row) (s LevelStatement, err error) {
	var at, withdrawn int64
	err = r.Scan(&s.ID, &s.Point, &s.Day, &s.Words, &s.By, &at, &withdrawn, &s.WithdrawnBy, &s.Reason)
	s.At, s.Withdrawn = fromNanos(at), fromNanos(withdrawn)
	return s, err
}

// Statements are all that was ever stated, the oldest first.
func (t Levels) Statements() ([]LevelStatement, error) {
	return list(t.Tx, `SELECT `+levelColumns+` FROM level_statement ORDER BY id`, nil, scanLevel)
}

// State keeps a statement, with its event, and gives its number.
func (t Levels) State(s LevelStatement) (int64, error) {
	id, err := t.NextID("level_statement")
	if err != nil {
		return 0, err
	}
	s.Words = storable(s.Words)
	if _, err := t.exec(`INSERT INTO level_statement (id, point, day, words, by_name, at) VALUES ($1, $2, $3, $4, $5, $6)`,
		id, s.Point, s.Day, s.Words, s.By, nanos(t.now)); err != nil {
		return 0, err
	}
	t.Event(Event{Verb: fixity.LevelStated, By: s.By, Reason: s.Words, Data: map[string]any{"statement": id, "point": s.Point, "day": s.Day}})
	return id, nil
}

// Withdraw ends a statement; fixity.ErrNotFound if there is none of that number,
// fixity.ErrChangedMeanwhile if it was withdrawn already.
func (t Levels) Withdraw(id int64, by, reason string) error {
	s, err := scanLevel(t.one(`SELECT `+levelColumns+` FROM level_statement WHERE id = $1`, id))
	if err != nil {
		if err = notFound(err); errors.Is(err, fixity.ErrNotFound) {
			return fmt.Errorf("there is no statement %d: %w", id, err)
		}
		return fmt.Errorf("statement %d: %w", id, err)
	}
	if !s.Withdrawn.IsZero() {
		return fmt.Errorf("statement %d was withdrawn already, by %s: %w", id, s.WithdrawnBy, fixity.ErrChangedMeanwhile)
	}
	if _, err := t.exec(`UPDATE level_statement SET withdrawn_at = $2, withdrawn_by = $3, reason = $4 WHERE id = $1`, id, nanos(t.now), by, storable(reason)); err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.LevelWithdrawn, By: by, Reason: reason, Data: map[string]any{"statement": id, "point": s.Point}})
	return nil
}

// Listed is what the record tells of checksums that came with files.
type Listed struct {
	Files   int64 // that were held against them when they were taken in
	Differ  int64 // of these
	Unknown int64 // files taken in by an earlier version, which told nothing of it
}

// Listed sums up what intakes told.
func (t Levels) Listed() (l Listed, err error) {
	err = t.Log.Between(time.Time{}, time.Time{}, []fixity.Verb{fixity.TakenIn}, func(e Event) error {
		told := e.Told()
		n := func(key string) int64 { v, _ := told[key].(float64); return int64(v) }
		if _, ok := told["listed"]; !ok {
			l.Unknown += n("files")
		}
		l.Files, l.Differ = l.Files+n("listed"), l.Differ+n("differ")
		return nil
	})
	return l, err
}

// fromRecord makes the table of statements anew by what the record tells of them.
func (t Levels) fromRecord() error {
	var last int64
	if err := t.Log.Between(time.Time{}, time.Time{}, []fixity.Verb{fixity.LevelStated, fixity.LevelWithdrawn}, func(e Event) error {
		told := e.Told()
		n, _ := told["statement"].(float64)
		id := int64(n)
		if e.Verb == fixity.LevelWithdrawn {
			_, err := t.exec(`UPDATE level_statement SET withdrawn_at = $2, withdrawn_by = $3, reason = $4 WHERE id = $1`, id, nanos(e.At), e.By, e.Reason)
			return err
		}
		point, _ := told["point"].(string)
		day, _ := told["day"].(string)
		last = max(last, id)
		_, err := t.exec(`INSERT INTO level_statement (id, point, day, words, by_name, at) VALUES ($1, $2, $3, $4, $5, $6)`, id, point, day, e.Reason, e.By, nanos(e.At))
		return err
	}); err != nil || last == 0 {
		return err
	}
	_, err := t.nextIDs("level_statement", last)
	return err
}

// Shown is how many files the same stores were shown to hold by readings; of the stores that
// the configuration names for their set.
type Shown struct {
	Set    string
	Files  int64
	In     []string
	Copies int64 // that count apart
}

// ShownByReading counts files under care by the stores that a reading showed to hold their
// current version, in full quality.
func (t Copies) ShownByReading() (out []Shown, err error) {
	rules, err := t.Stores.Rules()
	if err != nil {
		return nil, err
	}
	groups, err := t.groups()
	for _, g := range groups {
		out = append(out, Shown{Set: g.set, Files: g.files, In: keptBy(rules, g.extentKey.read, g.set), Copies: g.read})
	}
	return out, err
}

// Times is how often something was done, and when last.
type Times struct {
	N    int64
	Last time.Time
	By   string
	In   string // the store
}

// OnDemand are the audits that read all of a store and were ended: the clock orders no such
// audit.
func (t Audits) OnDemand() (Times, error) {
	return t.told(Plain, ` AND full_read = 1 AND complete = 1`)
}

// FollowedUp are the audits that read the other copies of files with a new finding.
func (t Audits) FollowedUp() (Times, error) { return t.told(FollowUp, ``) }

func (t Audits) told(of, more string) (x Times, err error) {
	from := ` FROM audit WHERE phase = $1 AND kind = $2 AND ended_at <> 0` + more
	args := []any{string(fixity.PhaseDone), of}
	var last int64
	if err := t.row(`SELECT count(*), coalesce(max(ended_at), 0)`+from, args, &x.N, &last); err != nil || x.N == 0 {
		return x, err
	}
	x.Last = fromNanos(last)
	err = t.row(`SELECT store, by_name`+from+` AND ended_at = $3 ORDER BY id DESC LIMIT 1`, append(args, last), &x.In, &x.By)
	return x, err
}

// Damage is what became of damaged copies.
type Damage struct {
	Ever   int64 // findings that a reading showed other bytes, or none
	Open   int64 // copies that are damaged now, also those that a person settled
	Put    Times // copies put back and read there
	Burned Times // damaged discs that were retired, whose files were read intact on discs burned since; the last: when it was retired
}

// damaged is the condition that a column has a state of a damaged copy.
func damaged(column string) string { return inStates(column, fixity.State.Damaged) }

// Damage counts damaged copies. Nothing that a drill brought back is among them, and no disc
// that is as a decision for its class says, or that was read well later: nobody can repair a
// disc, so that one wasn't damaged.
func (t Findings) Damage() (d Damage, err error) {
	onDisc := `subject = 'file' AND carrier <> 0 AND ` + damaged("kind") + ` AND settled <> 'intact-again'
		AND NOT EXISTS (SELECT 1 FROM disc_decision y WHERE y.by_name = settled_by AND y.reason = finding.reason)`
	if err := t.row(`SELECT count(*) FROM finding WHERE subject = 'file' AND carrier = 0 AND `+damaged("kind")+` OR `+onDisc, nil, &d.Ever); err != nil {
		return d, err
	}
	if err := t.row(`SELECT CAST(coalesce(sum(files), 0) AS BIGINT) FROM tally WHERE `+damaged("state"), nil, &d.Open); err != nil {
		return d, err
	}
	decided, err := t.decidedOnDiscs()
	if err != nil {
		return d, err
	}
	d.Open -= decided
	var last int64
	put := ` FROM finding WHERE subject = 'file' AND carrier = 0 AND settled = 'put-back' AND ` + damaged("kind")
	if err := t.row(`SELECT count(*), coalesce(max(settled_at), 0)`+put, nil, &d.Put.N, &last); err != nil {
		return d, err
	}
	if d.Put.N > 0 {
		d.Put.Last = fromNanos(last)
		if err := t.row(`SELECT store, settled_by`+put+` AND settled_at = $1 ORDER BY id DESC LIMIT 1`, []any{last}, &d.Put.In, &d.Put.By); err != nil {
			return d, err
		}
	}
	// Of each retired disc that was found damaged: its files that are still under care.
	err = t.row(`WITH found AS (SELECT carrier AS id, min(opened_at) AS found_at FROM finding WHERE `+onDisc+` GROUP BY carrier),
		bad AS (SELECT x.id, x.retired_at, found.found_at FROM found JOIN disc x ON x.id = found.id WHERE x.retired_at <> 0),
		lost AS (SELECT bad.id, bad.found_at, f.file FROM bad JOIN disc_file f ON f.disc = bad.id JOIN file y ON y.id = f.file WHERE y.retired_at = 0)
		SELECT count(*), coalesce(max(retired_at), 0) FROM bad WHERE EXISTS (SELECT 1 FROM lost WHERE lost.id = bad.id)
			AND NOT EXISTS (SELECT 1 FROM lost WHERE lost.id = bad.id AND NOT EXISTS (SELECT 1 FROM instance i JOIN disc b ON b.id = i.carrier
				WHERE i.file = lost.file AND i.state = 'intact' AND i.read_at > 0 AND b.added_at > lost.found_at))`, nil, &d.Burned.N, &last)
	if d.Burned.N > 0 {
		d.Burned.Last = fromNanos(last)
	}
	return d, err
}

// decidedOnDiscs is how many copies on discs hold other samples than were to be burned just
// as a decision says for the class of the disc.
func (t Findings) decidedOnDiscs() (n int64, err error) {
	discs := Discs(t)
	decisions, err := discs.Decisions()
	if err != nil || len(decisions) == 0 {
		return 0, err
	}
	type on struct{ disc, files int64 }
	all, err := list(t.Tx, `SELECT f.disc, count(DISTINCT i.file) FROM disc_file f JOIN instance i ON i.file = f.file AND i.carrier = f.disc
		WHERE `+damaged("i.state")+` GROUP BY f.disc`, nil, func(r row) (x on, err error) {
		err = r.Scan(&x.disc, &x.files)
		return x, err
	})
	for _, x := range all {
		c, err := discs.LastCheck(x.disc)
		if err != nil {
			return 0, err
		}
		if slices.ContainsFunc(decisions, func(d DiscDecision) bool { return d.Covers(c) }) {
			n += x.files
		}
	}
	return n, err
}
