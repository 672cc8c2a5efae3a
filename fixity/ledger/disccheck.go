package ledger

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger/record"
)

// DiscCheck is one reading of a disc, as it was recorded.
type DiscCheck struct {
	ID           int64
	Disc         int64  // 0: of none that is registered
	TOC          string // id of the table of contents
	Began, Ended time.Time
	By           string
	Drive        string // maker, model, revision; "" for an image
	Speed        int    // kB a second that reading was capped at; 0: it wasn't
	Written      string // on the disc, as the person typed it
	Proved       string // by its contents
	Verdict      fixity.DiscVerdict
	Sectors      int64 // of tracks; the four that follow add up to it
	AtOnce       int64
	Retried      int64
	Doubtful     int64
	Unreadable   int64
	Gain         float64 // dB that the sound is louder, if Changed
	Changed      bool    // Gain is known, and one for all of the disc
	Levelled     bool    // all of it is what was burned but for a level: a part of Result
	Map          []byte  // how reading each sector ended, compressed
	Looked       string  // what the person saw before it was read
	Result       string  // JSON
	Event        int64
	Control      int64 // the check of a control disc that stands for the drive; 0: none

	// Two says that two people decide about the disc: a set asks for them of which it holds a
	// file. So no decision of one person covers it.
	Two bool
}

const checkColumns = `id, disc, toc, began_at, ended_at, by_name, drive, speed, written, proved, verdict, sectors, at_once, retried, doubtful, unreadable, gain, map, looked, result, event, control`

func scanCheck(r row) (DiscCheck, error) {
	var c DiscCheck
	var began, ended int64
	var verdict string
	var gain sql.NullInt64
	err := r.Scan(&c.ID, &c.Disc, &c.TOC, &began, &ended, &c.By, &c.Drive, &c.Speed, &c.Written, &c.Proved, &verdict, &c.Sectors, &c.AtOnce, &c.Retried, &c.Doubtful,
		&c.Unreadable, &gain, &c.Map, &c.Looked, &c.Result, &c.Event, &c.Control)
	c.Began, c.Ended, c.Verdict, c.Gain, c.Changed = fromNanos(began), fromNanos(ended), fixity.DiscVerdict(verdict), fromMilli(gain.Int64), gain.Valid
	var says struct {
		Levelled bool `json:"levelled"`
	}
	c.Levelled = json.Unmarshal([]byte(c.Result), &says) == nil && says.Levelled
	return c, err
}

// withoutMap is for lists: the map of a worn disc is large.
var withoutMap = strings.Replace(checkColumns, " map,", " NULL,", 1)

// Checks are the checks of a disc, the oldest first and without maps; of 0, those of
// discs that aren't registered.
func (t Discs) Checks(disc int64) ([]DiscCheck, error) {
	return t.checks(`SELECT `+withoutMap+` FROM disc_check WHERE disc = $1 ORDER BY id`, disc)
}

// LastCheck is the newest check of a disc, without its map; fixity.ErrNotFound if there is none.
func (t Discs) LastCheck(disc int64) (DiscCheck, error) {
	return t.check(`SELECT `+withoutMap+` FROM disc_check WHERE disc = $1 ORDER BY id DESC LIMIT 1`, disc)
}

// Check reads one check by its id.
func (t Discs) Check(id int64) (DiscCheck, error) {
	return t.check(`SELECT `+checkColumns+` FROM disc_check WHERE id = $1`, id)
}

func (t Discs) check(query string, arg any) (DiscCheck, error) {
	all, err := t.checks(query, arg)
	if err == nil && len(all) == 0 {
		err = fixity.ErrNotFound
	}
	if err != nil {
		return DiscCheck{}, err
	}
	return all[0], nil
}

func (t Discs) checks(query string, args ...any) ([]DiscCheck, error) {
	all, err := list(t.Tx, query, args, scanCheck)
	for i := range all {
		if err == nil {
			all[i].Two, err = t.TwoPeople(all[i].Disc)
		}
	}
	return all, err
}

// TwoPeople says that a disc holds a file of a set that asks for two people.
func (t Discs) TwoPeople(disc int64) (bool, error) {
	if disc == 0 || !slices.ContainsFunc(t.l.o.Rules.Sets, func(s care.Set) bool { return s.TwoPeople }) {
		return false, nil
	}
	sets, err := list(t.Tx, `SELECT DISTINCT f.set_name FROM disc_file d JOIN file f ON f.id = d.file WHERE d.disc = $1`, []any{disc}, func(r row) (s string, err error) {
		err = r.Scan(&s)
		return s, err
	})
	return slices.ContainsFunc(sets, func(name string) bool { s, _ := t.l.o.Rules.Set(name); return s.TwoPeople }), err
}

// ControlWithin is how old the reading of a control disc may be to stand for the
// drive. *Common practice.*
const ControlWithin = 24 * time.Hour

// ControlCheck is the newest check of a control disc in a drive since a time;
// fixity.ErrNotFound if there is none.
func (t Discs) ControlCheck(drive string, since time.Time) (DiscCheck, error) {
	var id int64
	err := t.row(`SELECT c.id FROM disc_check c JOIN disc d ON d.id = c.disc WHERE d.control = 1 AND c.drive = $1 AND c.ended_at >= $2 ORDER BY c.id DESC LIMIT 1`,
		[]any{drive, nanos(since)}, &id)
	if err != nil {
		return DiscCheck{}, err
	}
	return t.Check(id)
}

// DiscHeld is what a check showed of one file that was burned on the disc.
type DiscHeld struct {
	File     int64
	State    fixity.State
	Anatomy  fixity.Anatomy
	Ranges   []fixity.Range // damaged bytes of the file, as far as they are known
	More     bool
	Facts    []fixity.Fact
	Wrong    fixity.Digest // what it holds instead, if all of that was read
	Holds    int64         // another version of the file, which is all there instead; 0: none
	NotRead  bool          // nothing is known of it: what was known before stays
	Same     bool          // it is in just the state that the check before showed
	Samples  bool          // an audio disc: samples were compared, not the file
	Settled  *DiscDecision // a decision for its class: no finding
	Told     bool          // the disc as a whole tells it, in one finding
	PlaceDue time.Duration // the promise to read it again
}

// RecordCheck records a check of a disc: the check itself, what it showed of each file
// (none, if it wasn't the disc that was meant), findings, and one event. own is the
// state of the disc as a whole where that isn't told by its files, "" if it is.
func (t Discs) RecordCheck(d Disc, c DiscCheck, held []DiscHeld, own fixity.Kind, ownFacts []fixity.Fact) (DiscCheck, error) {
	var err error
	if c.ID, err = t.NextID("disc_check"); err != nil {
		return c, err
	}
	c.Disc = d.ID
	takes := d.ID != 0 && c.TOC != "" && c.TOC != d.TOC && c.Verdict != fixity.DiscOther
	if takes && d.TOC != "" { // that of an image makes room for that of the disc itself
		known, err := t.KnownByTOC()
		if err != nil {
			return c, err
		}
		takes = c.Drive != "" && !known[d.ID]
	}
	if takes {
		if _, err := t.exec(`UPDATE disc SET toc = $2 WHERE id = $1`, d.ID, c.TOC); err != nil {
			return c, err
		}
	}
	if control, err := t.ControlCheck(c.Drive, c.Began.Add(-ControlWithin)); err == nil && c.Drive != "" {
		c.Control = control.ID
	} else if err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return c, err
	}
	var lines []string
	for _, h := range held {
		line, err := t.heldOn(d, c, h)
		if err != nil {
			return c, fmt.Errorf("disc %s, file %d: %w", d.Name(), h.File, err)
		}
		if line != "" {
			lines = append(lines, line)
		}
	}
	e := Event{Verb: fixity.DiscChecked, By: c.By, Store: d.Store, Data: map[string]any{}}
	if len(lines) > 0 {
		// The result lines of a check belong to no shard: a number of its own, which no
		// intake has, keeps them apart.
		shard := -(int64(1)<<40 + c.ID)
		if _, err := t.record.AddReading(0, shard, lines); err != nil {
			return c, err
		}
		if e, err = t.record.SliceEvent(e, shard); err != nil {
			return c, err
		}
	}
	e.Data["check"], e.Data["verdict"], e.Data["sectors"], e.Data["unreadable"], e.Data["toc"] = c.ID, c.Verdict, c.Sectors, c.Unreadable, c.TOC
	e.Data["written"], e.Data["proved"] = c.Written, c.Proved
	if d.ID != 0 {
		e.Data["disc"], e.Data["id"] = d.Name(), d.ID
	}
	if c.Drive != "" {
		e.Data["drive"] = c.Drive
	}
	if c.Event, err = t.record.Next(); err != nil {
		return c, err
	}
	t.Event(e)
	if err := t.putCheck(c); err != nil {
		return c, err
	}
	if d.ID == 0 {
		return c, nil
	}
	t.countDay(d.Store, int64(len(lines)), c.Sectors*2048, 0)
	for _, h := range held {
		if h.NotRead {
			continue
		}
		seen := &seenAs{anatomy: h.Anatomy, ranges: h.Ranges, more: h.More, facts: h.Facts, carrier: d.ID}
		f, err := t.Files.Get(h.File)
		if err != nil {
			return c, err
		}
		if !f.Retired.IsZero() {
			continue
		}
		if err := t.settleByClass(d, f, h, c.By); err != nil {
			return c, err
		}
		if err := t.Findings.Rejudge(h.File, 0, c.By, d.Store, seen); err != nil {
			return c, err
		}
	}
	switch {
	case c.Verdict == fixity.DiscOther:
		return c, t.tell(d, c, 1, fixity.OtherDisc, ownFacts)
	case !c.Verdict.Proves() && c.Verdict != fixity.DiscBaseline:
		return c, nil // it says nothing about this disc
	}
	return c, t.judge(d, c, held, own, ownFacts)
}

func (t Discs) putCheck(c DiscCheck) error {
	var gain any
	if c.Changed {
		gain = milli(c.Gain)
	}
	_, err := t.exec(`INSERT INTO disc_check (`+checkColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22)`,
		c.ID, c.Disc, c.TOC, nanos(c.Began), nanos(c.Ended), c.By, c.Drive, c.Speed, c.Written, c.Proved, string(c.Verdict), c.Sectors, c.AtOnce, c.Retried, c.Doubtful,
		c.Unreadable, gain, c.Map, c.Looked, c.Result, c.Event, c.Control)
	return err
}

// heldOn writes the copy of one file on a disc, and gives its result line.
func (t Discs) heldOn(d Disc, c DiscCheck, h DiscHeld) (string, error) {
	if h.NotRead {
		return "", nil
	}
	was, err := t.copyOn(d.ID, h.File)
	if errors.Is(err, fixity.ErrNotFound) {
		return "", nil // the file was retired since it was burned
	}
	if err != nil {
		return "", err
	}
	cache := fixity.Bypassed
	if c.Drive == "" {
		cache = fixity.Unknown
	}
	e := care.OnDisc{State: h.State, Digest: h.Wrong, At: c.Ended, Cache: cache, Samples: h.Samples, Same: h.Same, Settled: h.Settled != nil, Told: h.Told, ReadNext: h.PlaceDue, Holds: h.Holds}
	if h.State != fixity.Missing && was.Size < 0 {
		if e.Size, err = t.sizeOf(h.File, was.Burned); err != nil {
			return "", err
		}
	}
	now, _ := care.After(was, e, care.Given{Now: t.now})
	x := fixity.Result{File: h.File, Cache: cache, At: c.Ended, Outcome: fixity.ReadDiffers}
	switch {
	case h.State == fixity.Intact:
		x.Outcome = fixity.ReadIntact
		if !h.Samples {
			x.Version = was.Burned
		}
	case h.State == fixity.Unreadable:
		x.Outcome = fixity.ReadUnreadable
	case h.State == fixity.Unsteady:
		x.Outcome = fixity.ReadUnsteady
	}
	if err := t.Copies.Put(was, now); err != nil {
		return "", err
	}
	if h.State == fixity.Missing {
		return "", nil
	}
	return record.ResultLine(x), nil
}

func (t Discs) sizeOf(file, version int64) (n int64, err error) {
	err = t.row(`SELECT size FROM version WHERE file = $1 AND n = $2`, []any{file, version}, &n)
	return n, err
}

// settleByClass ends the finding about a file on a disc that a decision covers, in the
// name of whoever decided.
func (t Discs) settleByClass(d Disc, f File, h DiscHeld, by string) error {
	if h.Settled == nil && !h.Told {
		return nil
	}
	open, err := t.Findings.openFor(d.Store, f.Set, d.ID, f.ID)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	open.Disc = d.Name()
	if h.Settled == nil {
		return t.Findings.settle(open, fixity.Overtaken, by, "the disc as a whole has the finding now")
	}
	return t.Findings.settle(open, fixity.ByPerson, h.Settled.By, h.Settled.Reason)
}

// judge opens, changes or ends the findings about a disc as a whole.
func (t Discs) judge(d Disc, c DiscCheck, held []DiscHeld, own fixity.Kind, facts []fixity.Fact) error {
	checks, err := t.Checks(d.ID)
	if err != nil {
		return err
	}
	want := map[fixity.Kind][]fixity.Fact{}
	if own != "" {
		want[own] = facts
	}
	if s, err := t.fading(checks); err != nil {
		return err
	} else if s != nil {
		want[fixity.Fading] = s
	}
	open, err := t.ownFindings(d)
	if err != nil {
		return err
	}
	for _, f := range open {
		if _, still := want[f.Kind]; still {
			continue
		}
		if err := t.Findings.settle(f, fixity.IntactAgain, c.By, ""); err != nil {
			return err
		}
	}
	for _, k := range []fixity.Kind{own, fixity.Fading} {
		if s, ok := want[k]; ok && k != "" {
			if err := t.tell(d, c, max(1, len(held)), k, s); err != nil {
				return err
			}
		}
	}
	return nil
}

// ownFindings are the open ones about a disc as a whole.
func (t Discs) ownFindings(d Disc) ([]Finding, error) {
	return t.Findings.where(`WHERE carrier = $1 AND carrier <> 0 AND subject = $2 AND settled = '' ORDER BY id`, d.ID, string(fixity.OfDisc))
}

// tell opens the finding of a kind about a disc as a whole, or brings the open one up to
// date. What a person has settled stays settled as long as just the same is to be said.
func (t Discs) tell(d Disc, c DiscCheck, files int, k fixity.Kind, facts []fixity.Fact) error {
	urgency, good, err := t.urgency(d)
	if err != nil {
		return err
	}
	now := discUrgencyOf(k, urgency)
	open, err := t.ownFindings(d)
	if err != nil {
		return err
	}
	for _, f := range open {
		if f.Kind != k {
			continue
		}
		rose := now.Level() > f.Urgency.Level()
		f.Facts.Seen, f.Seen, f.Urgency, f.IntactIn = facts, t.now, now, good
		if rose {
			return t.Findings.turn(f, fixity.FindingRaised, c.By)
		}
		return t.Findings.put(f)
	}
	last, err := t.Findings.where(`WHERE carrier = $1 AND carrier <> 0 AND subject = $2 AND kind = $3 ORDER BY id DESC LIMIT 1`, d.ID, string(fixity.OfDisc), string(k))
	if err != nil {
		return err
	}
	if k != fixity.OtherDisc && len(last) == 1 && last[0].Settled == fixity.ByPerson && sameFacts(last[0].Facts.Seen, facts) {
		return nil
	}
	step := care.StepBurn
	if k == fixity.Kind(fixity.Unreadable) || k == fixity.Kind(fixity.Unsteady) {
		step = care.StepDrive
	}
	_, err = t.Findings.begin(Finding{Finding: fixity.Finding{Subject: fixity.OfDisc, Kind: k, Urgency: now, Store: d.Store, Path: d.Name(), IntactIn: good,
		Count: int64(files), Facts: fixity.Facts{Seen: facts}}, Carrier: d.ID, Disc: d.Name(), Step: step}, c.By)
	return err
}

// sameFacts says that two findings tell just the same.
func sameFacts(a, b []fixity.Fact) bool {
	x, err := json.Marshal(a)
	y, err2 := json.Marshal(b)
	return err == nil && err2 == nil && string(x) == string(y)
}

// discUrgencyOf is how urgent a finding about a disc is: one whose files are whole is to
// tidy, wherever else they are intact.
func discUrgencyOf(k fixity.Kind, disc fixity.Urgency) fixity.Urgency {
	if k == fixity.WrongDirectory {
		return fixity.Tidy
	}
	return disc
}

// urgency says how urgent it is to burn a disc anew: at risk if what it holds is
// intact in no other store, as far as is known; and which stores hold all of it.
func (t Discs) urgency(d Disc) (fixity.Urgency, []string, error) {
	files, err := t.FilesOn(d.ID)
	if err != nil {
		return "", nil, err
	}
	counts := map[string]int{}
	u := fixity.Tidy
	for _, f := range files {
		copies, err := t.Copies.Of(f.File)
		if err != nil {
			return "", nil, err
		}
		elsewhere := map[string]bool{}
		for _, c := range copies {
			if c.Carrier == 0 && t.l.o.Rules.Counts(c, f.Version) {
				elsewhere[c.Store] = true
			}
		}
		for s := range elsewhere {
			counts[s]++
		}
		if len(elsewhere) == 0 && len(copies) > 0 {
			u = fixity.AtRisk
		}
	}
	if len(files) == 0 {
		u = fixity.AtRisk // nothing is known of what it holds
	}
	good := []string{}
	for _, s := range t.l.o.Rules.Stores {
		if counts[s.Name] == len(files) && len(files) > 0 {
			good = append(good, s.Name)
		}
	}
	return u, good, nil
}

// fading says of a disc that many more sectors than before need several tries; nothing
// if that can't be said.
func (t Discs) fading(checks []DiscCheck) ([]fixity.Fact, error) {
	var rs []care.DiscReading
	for _, c := range checks {
		r := care.DiscReading{Drive: c.Drive, Speed: c.Speed, Sectors: c.Sectors, Retried: c.Retried + c.Doubtful + c.Unreadable, At: c.Ended}
		if c.Control != 0 {
			control, err := t.Check(c.Control)
			if err != nil {
				return nil, err
			}
			r.ControlClean = control.Unreadable+control.Doubtful == 0 && care.FewRetries(control.Retried, control.Sectors)
		}
		rs = append(rs, r)
	}
	first, last, yes := care.Fading(rs)
	if !yes {
		return nil, nil
	}
	return []fixity.Fact{{Is: fixity.Retries, Count: last.Retried, Of: last.Sectors, Before: first.Retried, At: fixity.Instants(last.At, first.At)}}, nil
}

// KeepBaseline keeps what a first reading of a disc gave.
func (t Discs) KeepBaseline(disc int64, baseline []byte) error {
	_, err := t.exec(`UPDATE disc SET baseline = $2 WHERE id = $1`, disc, baseline)
	return err
}

// ChecksInDrive are the newest n checks in a drive, the newest first, without maps.
func (t Discs) ChecksInDrive(drive string, n int) ([]DiscCheck, error) {
	return t.checks(`SELECT `+withoutMap+` FROM disc_check WHERE drive = $1 ORDER BY id DESC LIMIT $2`, drive, n)
}

// KnownByTOC are the discs whose table of contents was seen in a drive. That of an image may
// end elsewhere, and says of no disc that the image wasn't made of it.
func (t Discs) KnownByTOC() (map[int64]bool, error) {
	ids, err := list(t.Tx, `SELECT DISTINCT d.id FROM disc d JOIN disc_check c ON c.disc = d.id AND c.toc = d.toc WHERE d.toc <> '' AND c.drive <> '' AND c.verdict <> $1`,
		[]any{string(fixity.DiscOther)}, func(r row) (id int64, err error) { err = r.Scan(&id); return id, err })
	known := make(map[int64]bool, len(ids))
	for _, id := range ids {
		known[id] = true
	}
	return known, err
}

// milli is a number of decibels as it is stored: a column of whole numbers is the same
// in both databases.
func milli(db float64) int64    { return int64(math.Round(db * 1000)) }
func fromMilli(n int64) float64 { return float64(n) / 1000 }
