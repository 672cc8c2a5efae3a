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
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var recordRoutes = []site.Route{
	{Pattern: "GET /record", Needs: fixity.Reviewer, Do: recordPage},
	{Pattern: "POST /record/check", Needs: fixity.Reviewer, Do: recordCheck},
	{Pattern: "GET /record/checkpoint", Needs: fixity.Reviewer, Do: checkpointFile},
	{Pattern: "GET /health", Needs: fixity.Reviewer, Do: healthPage},
	{Pattern: "POST /health/check", Needs: fixity.Reviewer, Do: healthCheck},
}

// recordState is what the newest check of the whole record came to.
type recordState struct {
	Words  string // "" if nobody looked yet
	Broken bool
}

// stateOfRecord says it as the ledger has it: a check by the daemon, once a day, or by a
// person. What was found wrong may name recordings, and is for those who see the record.
func stateOfRecord(q *site.Request, t *ledger.Tx) (recordState, error) {
	now := q.Site.Now()
	f, err := t.Clock.LastEnded(ledger.FiringVerify, "")
	if errors.Is(err, fixity.ErrNotFound) {
		return recordState{}, nil
	}
	if err != nil {
		return recordState{}, err
	}
	when, why := site.DayTime(f.Ended, now), ""
	if q.Who.Role.May(fixity.Reviewer) {
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

type recordData struct {
	Events  int64
	Where   string
	Checked recordState
	List    []recordLine
	Older   string
	Levels  []levelRow
	Person  site.Asks
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
func recordPage(q *site.Request) error {
	d := recordData{Where: q.Site.Archive.Ledger.Where(), Person: q.Asks()}
	err := q.View(func(t *ledger.Tx) error {
		var err error
		if d.Events, err = t.Log.Count(); err != nil {
			return err
		}
		if d.Checked, err = stateOfRecord(q, t); err != nil {
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
	l, err := statements.MakeLevels(q.Context(), q.Site.Archive.Ledger, q.Site.Name, q.Site.Now())
	if err != nil {
		return err
	}
	d.Levels = levelRows(l)
	return q.Render("record", "Record", d)
}

// recordCheck reads the whole record, which takes a while where it is long.
func recordCheck(q *site.Request) error {
	against := q.Field("against") // an earlier checkpoint, or ""
	return q.Act("Check the record", func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		v, err := acts.Of(a).CheckRecord(ctx)
		held := ""
		if err == nil && against != "" {
			k, err2 := a.Ledger.Key()
			if err2 != nil {
				return site.Outcome{}, err2
			}
			cp, err2 := a.Ledger.CheckAgainst(ctx, []byte(strings.ReplaceAll(against, "\r\n", "\n")+"\n"), k)
			held, err = fmt.Sprintf(" The checkpoint, taken after %s, still holds: since then nothing before it was changed or cut off.", fixity.Count(cp.Size, "event")), err2
		}
		switch {
		case acts.IsBroken(err):
			return site.Outcome{Lead: "THE RECORD IS NOT WHAT WAS WRITTEN: " + site.Plainly(err) + ". Change nothing, keep the backups, and ask somebody qualified.", Links: []site.Link{{Path: "/record", Text: "The record"}}}, nil
		case err != nil:
			return site.Outcome{}, err
		}
		return site.Outcome{Lead: fmt.Sprintf("Log unbroken since %s, checked today: %s and %s are what was written, and what the ledger knows is what they say.",
			v.Began.Local().Format("2 January 2006"), fixity.Count(v.Events, "event"), fixity.Count(v.Readings, "reading")) + held, Links: []site.Link{{Path: "/record", Text: "The record"}}}, nil
	})
}

// checkpointFile is today's signed checkpoint, to be kept elsewhere.
func checkpointFile(q *site.Request) error {
	l := q.Site.Archive.Ledger
	k, err := l.Key()
	if err != nil {
		return err
	}
	text, err := l.Checkpoint(q.Context(), k)
	if err != nil {
		return err
	}
	q.W.Header().Set("Content-Type", "text/plain; charset=utf-8")
	q.W.Header().Set("Content-Disposition", `attachment; filename="checkpoint-`+q.Site.Now().Format(time.DateOnly)+`.txt"`)
	_, _ = q.W.Write(text)
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
	Person  site.Asks
}

// healthPage shows what would not work tonight, as far as it is known without trying.
func healthPage(q *site.Request) error {
	d := healthData{Now: q.Site.Now(), Try: q.Site.Check != nil, Mail: q.Site.NextLetter != nil && !q.Site.NextLetter(q.Context()).IsZero(), Person: q.Asks()}
	var err error
	if d.Clock, err = q.Site.Archive.CheckClock(q.Context()); err != nil {
		return err
	}
	err = q.View(func(t *ledger.Tx) error {
		away, err := notHere(q, t)
		if err != nil {
			return err
		}
		if d.Stores, err = storeLines(q.Site, t, away); err != nil {
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
	if q.Site.NextLetter != nil {
		d.Letter = q.Site.NextLetter(q.Context())
	}
	return q.Render("health", "Health", d)
}

// healthCheck finds out what is found out only by trying: folders, services, and whether a
// letter is taken.
func healthCheck(q *site.Request) error {
	if q.Site.Check == nil {
		return fixity.ErrNotFound
	}
	letter := q.Ticked("letter")
	return q.Act("Look what would not work tonight", func(ctx context.Context, _ *archive.Archive) (site.Outcome, error) {
		found, err := q.Site.Check(ctx, letter)
		if err != nil {
			return site.Outcome{}, err
		}
		out := site.Outcome{Lead: "Nothing is NOT OK.", Links: []site.Link{{Path: "/health", Text: "Back to Health"}}}
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
