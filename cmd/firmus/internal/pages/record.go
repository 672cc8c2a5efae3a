package pages

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var recordRoutes = []route{
	{"GET /record", fixity.Reviewer, recordPage},
	{"POST /record/check", fixity.Reviewer, recordCheck},
	{"GET /record/checkpoint", fixity.Reviewer, checkpointFile},
	{"GET /health", fixity.Reviewer, healthPage},
	{"POST /health/check", fixity.Reviewer, healthCheck},
}

// recordState is what the newest check of the whole record came to.
type recordState struct {
	Words  string // "" if nobody looked yet
	Broken bool
}

// recordState says it as the ledger has it: a check by the daemon, once a day, or by a
// person. What was found wrong may name recordings, and is for those who see the record.
func (q *request) recordState(t *tx) (recordState, error) {
	now := q.s.now()
	f, err := t.Clock.LastEnded(ledger.FiringVerify, "")
	if isNotFound(err) {
		return recordState{}, nil
	}
	if err != nil {
		return recordState{}, err
	}
	when, why := dayTime(f.Ended, now), ""
	if q.who.Role.May(fixity.Reviewer) {
		why = ": " + report.Plainly(f.Trouble)
	}
	switch f.Outcome {
	case ledger.FiringBroken:
		return recordState{"THE RECORD IS NOT WHAT WAS WRITTEN, as checked " + when + why + ". Change nothing, keep the backups, and ask somebody qualified.", true}, nil
	case ledger.FiringDone:
		var began time.Time
		err := t.Log.Each(0, 1, func(e ledger.Event) error { began = e.At; return nil })
		return recordState{Words: fmt.Sprintf("Log unbroken since %s, checked %s.", began.Local().Format("2 January 2006"), when)}, err
	}
	return recordState{Words: "The record could not be checked, " + when + why + "."}, nil
}

func isNotFound(err error) bool { return errors.Is(err, fixity.ErrNotFound) }

type recordData struct {
	Events  int64
	Where   string
	Checked recordState
	List    []recordLine
	Older   string
	Levels  []levelRow
	Person  asks
}

type recordLine struct {
	Seq    int64
	At     time.Time
	What   string
	By     string
	About  string
	Reason string
}

// recordPage shows the events, the newest first, a page at a time.
func recordPage(q *request) error {
	d := recordData{Where: q.s.o.Archive.Ledger.Where(), Person: q.asks()}
	err := q.view(func(t *tx) error {
		var err error
		if d.Events, err = t.Log.Count(); err != nil {
			return err
		}
		if d.Checked, err = q.recordState(t); err != nil {
			return err
		}
		end := d.Events
		if text := q.URL.Query().Get("before"); text != "" {
			if end, err = strconv.ParseInt(text, 10, 64); err != nil || end < 0 {
				return fixity.ErrNotFound
			}
			end = min(end, d.Events)
		}
		first := max(0, end-perPage)
		if first > 0 {
			d.Older = fmt.Sprintf("/record?before=%d", first)
		}
		return t.Log.Each(first, int(end-first), func(e ledger.Event) error {
			l := recordLine{Seq: e.Seq, At: e.At, What: report.Happened(e), By: report.Deciders(e), Reason: e.Reason, About: e.Store}
			if e.Finding != 0 {
				l.About = fmt.Sprintf("finding %d", e.Finding)
			}
			d.List = append([]recordLine{l}, d.List...)
			return nil
		})
	})
	if err != nil {
		return err
	}
	l, err := statements.MakeLevels(q.Context(), q.s.o.Archive.Ledger, q.s.o.Name, q.s.now())
	if err != nil {
		return err
	}
	d.Levels = levelRows(l)
	return q.render("record", "Record", d)
}

// recordCheck reads the whole record, which takes a while where it is long.
func recordCheck(q *request) error {
	against := q.field("against") // an earlier checkpoint, or ""
	return q.act("Check the record", func(ctx context.Context, a *archive.Archive) (outcome, error) {
		v, err := acts.Of(a).CheckRecord(ctx)
		held := ""
		if err == nil && against != "" {
			k, err2 := a.Ledger.Key()
			if err2 != nil {
				return outcome{}, err2
			}
			cp, err2 := a.Ledger.CheckAgainst(ctx, []byte(strings.ReplaceAll(against, "\r\n", "\n")+"\n"), k)
			held, err = fmt.Sprintf(" The checkpoint, taken after %s, still holds: since then nothing before it was changed or cut off.", fixity.Count(cp.Size, "event")), err2
		}
		switch {
		case acts.IsBroken(err):
			return outcome{Lead: "THE RECORD IS NOT WHAT WAS WRITTEN: " + plainly(err) + ". Change nothing, keep the backups, and ask somebody qualified.", Links: []link{{"/record", "The record"}}}, nil
		case err != nil:
			return outcome{}, err
		}
		return outcome{Lead: fmt.Sprintf("Log unbroken since %s, checked today: %s and %s are what was written, and what the ledger knows is what they say.",
			v.Began.Local().Format("2 January 2006"), fixity.Count(v.Events, "event"), fixity.Count(v.Readings, "reading")) + held, Links: []link{{"/record", "The record"}}}, nil
	})
}

// checkpointFile is today's signed checkpoint, to be kept elsewhere.
func checkpointFile(q *request) error {
	l := q.s.o.Archive.Ledger
	k, err := l.Key()
	if err != nil {
		return err
	}
	text, err := l.Checkpoint(q.Context(), k)
	if err != nil {
		return err
	}
	q.w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	q.w.Header().Set("Content-Disposition", `attachment; filename="checkpoint-`+q.s.now().Format(time.DateOnly)+`.txt"`)
	_, _ = q.w.Write(text)
	return nil
}

type healthData struct {
	Stores  []storeLine
	Backups []ledger.Backup
	Waiting int64
	Failed  int64
	Trouble string
	Letter  time.Time
	Clock   string
	Runs    []ledger.Firing
	Now     time.Time
	Try     bool // there is more that can be found out by trying
	Mail    bool // a letter can be sent to try
	Person  asks
}

// healthPage shows what would not work tonight, as far as it is known without trying.
func healthPage(q *request) error {
	d := healthData{Now: q.s.now(), Try: q.s.o.Check != nil, Mail: q.s.o.NextLetter != nil && !q.s.o.NextLetter(q.Context()).IsZero(), Person: q.asks()}
	var err error
	if d.Clock, err = q.s.o.Archive.CheckClock(q.Context()); err != nil {
		return err
	}
	err = q.view(func(t *tx) error {
		away, err := notHere(q, t)
		if err != nil {
			return err
		}
		if d.Stores, err = q.s.storeLines(t, away); err != nil {
			return err
		}
		if d.Backups, err = t.Log.Backups(); err != nil {
			return err
		}
		c, err := t.Post.Counts()
		if err != nil {
			return err
		}
		d.Waiting, d.Failed, d.Trouble = c.Waiting, c.Failed, c.Trouble
		d.Runs, err = t.Clock.Since(d.Now.AddDate(0, 0, -3))
		return err
	})
	if err != nil {
		return err
	}
	if q.s.o.NextLetter != nil {
		d.Letter = q.s.o.NextLetter(q.Context())
	}
	return q.render("health", "Health", d)
}

// healthCheck finds out what is found out only by trying: folders, services, and whether a
// letter is taken.
func healthCheck(q *request) error {
	if q.s.o.Check == nil {
		return fixity.ErrNotFound
	}
	letter := q.ticked("letter")
	return q.act("Look what would not work tonight", func(ctx context.Context, _ *archive.Archive) (outcome, error) {
		found, err := q.s.o.Check(ctx, letter)
		if err != nil {
			return outcome{}, err
		}
		out := outcome{Lead: "Nothing is NOT OK.", Links: []link{{"/health", "Back to Health"}}}
		t := sheet.Table{Head: []string{"is", "what", "detail"}}
		for _, c := range found {
			if !c.OK {
				out.Lead = "Something is NOT OK: it would not work tonight."
			}
			t.Rows = append(t.Rows, []string{c.Mark, c.What, c.Detail})
		}
		out.Blocks = []sheet.Block{{Table: &t}}
		return out, nil
	})
}
