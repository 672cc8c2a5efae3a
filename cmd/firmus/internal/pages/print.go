package pages

import (
	"fmt"
	"time"

	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var printRoutes = []site.Route{
	{Pattern: "GET /print", Needs: fixity.Viewer, Do: printPage},
	{Pattern: "GET /print/shift", Needs: fixity.Viewer, Do: shiftPrint},
	{Pattern: "GET /print/desk-card", Needs: fixity.Viewer, Do: deskCardPrint},
	{Pattern: "GET /print/take-over", Needs: fixity.Reviewer, Do: takeOverPrint},
	{Pattern: "GET /print/holdings", Needs: fixity.Viewer, Do: holdingsPrint},
	{Pattern: "GET /print/holdings/{form}", Needs: fixity.Viewer, Do: holdingsPrint},
	{Pattern: "GET /print/year", Needs: fixity.Viewer, Do: yearPrint},
	{Pattern: "GET /print/year/{form}", Needs: fixity.Viewer, Do: yearPrint},
}

// printPage lists what can be printed.
func printPage(q *site.Request) error {
	return q.Render("print", "To print", struct {
		Reviewer bool
		LastYear int
	}{q.Who.Role.May(fixity.Reviewer), q.Site.Now().Local().Year() - 1})
}

// errNoDesk is for a program that serves pages and has no configuration of a desk.
var errNoDesk = site.Status{Code: 404, Title: "There is no desk card here", Text: "The pages of this program don't know the archive's places."}

func deskCardPrint(q *site.Request) error {
	if q.Site.Desk == nil {
		return errNoDesk
	}
	return q.Sheet(q.Site.Desk().Card())
}

func takeOverPrint(q *site.Request) error {
	if q.Site.Desk == nil {
		return errNoDesk
	}
	e := q.Site.Archive
	s, err := statements.TakeOver(q.Context(), q.Site.Desk(), e.Ledger, e.Rules, e.Now())
	if err != nil {
		return err
	}
	return q.Sheet(s)
}

func holdingsPrint(q *site.Request) error {
	if !q.MayKnowAll() {
		return site.ErrRestricted
	}
	e := q.Site.Archive
	all := q.URL.Query().Get("all") != ""
	return q.Kept("holdings", fmt.Sprintf("all=%t", all), func() (site.Statement, error) {
		h, err := statements.MakeHoldings(q.Context(), e.Ledger, q.Site.Name, e.Rules, e.Now())
		if err == nil && all {
			err = h.NameAll(q.Context(), e.Ledger)
		}
		return h, err
	})
}

// yearPrint is the statement of a year; it names no recording.
func yearPrint(q *site.Request) error {
	e := q.Site.Archive
	year, err := statements.YearOf(q.URL.Query().Get("year"), e.Now())
	if err != nil {
		return err
	}
	return q.Kept(fmt.Sprintf("year-%d", year), "", func() (site.Statement, error) {
		return statements.MakeYear(q.Context(), e.Ledger, q.Site.Name, e.Rules, year, e.Now())
	})
}

// shiftPrint is what was done today, and what waits.
func shiftPrint(q *site.Request) error {
	if !q.MayKnowAll() {
		return site.ErrRestricted
	}
	e, now := q.Site.Archive, q.Site.Now()
	local := now.Local()
	since := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.Local)
	waits, err := waitingNow(q)
	if err != nil {
		return err
	}
	s, err := statements.Shift(q.Context(), e.Ledger, q.Site.Name, since, now, waits)
	if err != nil {
		return err
	}
	return q.Sheet(s)
}

// waitingNow is what waits for whoever comes next.
func waitingNow(q *site.Request) (out []statements.Waiting, err error) {
	o, err := q.Site.Reels.Overview(q.Context())
	if err != nil {
		return nil, err
	}
	err = q.View(func(t *ledger.Tx) error {
		keep, err := t.Sources.Keep()
		if err != nil {
			return err
		}
		for _, k := range keep {
			out = append(out, statements.Waiting{What: "KEEP THE STICK", Words: report.Show(k.Source) + ", received " + report.Local(k.At) + " by " + k.By})
		}
		open, err := t.Findings.OpenByUrgency()
		if err != nil {
			return err
		}
		for _, u := range []fixity.Urgency{fixity.NoneIntact, fixity.AtRisk, fixity.Tidy} {
			if n := open[u]; n > 0 {
				out = append(out, statements.Waiting{What: fixity.Means("urgency", string(u)), Words: fixity.Count(n, "open finding")})
			}
		}
		return nil
	})
	for _, n := range reels.Nexts {
		if c := o.Counts[n]; c > 0 && n != reels.Done && n != reels.PutRight && n != reels.Decide {
			out = append(out, statements.Waiting{What: n.Words(), Words: fixity.Count(c, "side")})
		}
	}
	return out, err
}
