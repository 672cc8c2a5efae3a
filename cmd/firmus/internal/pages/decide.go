package pages

import (
	"context"
	"errors"
	"fmt"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var decideRoutes = []site.Route{
	{Pattern: "POST /findings/{id}/recover", Needs: fixity.Technician, Do: recoverAct},
	{Pattern: "POST /findings/{id}/settle", Needs: fixity.Reviewer, Do: settleAct},
	{Pattern: "POST /findings/{id}/sign-off", Needs: fixity.Reviewer, Do: signOffAct},
	{Pattern: "POST /incidents/{id}/sign-off", Needs: fixity.Reviewer, Do: signOffIncident},
	{Pattern: "POST /incidents/{id}/recover", Needs: fixity.Technician, Do: recoverIncident},
	{Pattern: "POST /findings/{id}/settle-class", Needs: fixity.Reviewer, Do: settleClass},
}

// sawOf is the mark of what the person was shown, for the act to compare with what is so
// when it begins. A form without it was not made by a page.
func sawOf(q *site.Request, id int64) (map[int64]string, error) {
	mark := q.Field("saw")
	if mark == "" {
		return nil, site.ErrIncomplete
	}
	return map[int64]string{id: mark}, nil
}

// still refuses what has changed since the page was shown. The act itself compares once
// more, in its transaction.
func still(q *site.Request, saw map[int64]string) error {
	return q.View(func(t *ledger.Tx) error {
		for id, mark := range saw {
			s, err := t.SeeFinding(id)
			if err != nil {
				return err
			}
			if err := archive.SawAs(s, mark); err != nil {
				return err
			}
		}
		return nil
	})
}

// findingOf is the finding of the path, as it was shown and still is.
func findingOf(q *site.Request) (id int64, saw map[int64]string, err error) {
	if id, err = q.Number("id"); err != nil {
		return
	}
	if saw, err = sawOf(q, id); err != nil {
		return
	}
	err = still(q, saw)
	return
}

// decision reads what every decision about a finding has.
func decision(q *site.Request) (id int64, saw map[int64]string, reason string, err error) {
	if id, saw, err = findingOf(q); err == nil {
		reason, err = q.Reason()
	}
	return
}

func settleAct(q *site.Request) error {
	id, saw, reason, err := decision(q)
	if err != nil {
		return err
	}
	return q.Act(fmt.Sprintf("Settle finding %d", id), func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{Settle: &deciding.SettleOrder{Findings: []int64{id}, Reason: reason, Saw: saw}})
		return decided(d, fmt.Sprintf("/findings/%d", id)), err
	})
}

// settleClass is one decision for all open findings like one.
func settleClass(q *site.Request) error {
	id, saw, reason, err := decision(q)
	if err != nil {
		return err
	}
	n, all, err := asMany(q, "class", func(t *ledger.Tx) (n int64, mark string, err error) {
		f, err := t.Findings.Get(id)
		if err == nil {
			n, err = t.Findings.CountLike(f)
		}
		if err == nil {
			mark, err = t.Findings.MarkLike(f)
		}
		return n, mark, err
	})
	if err != nil {
		return err
	}
	return q.Act(fmt.Sprintf("Settle all findings like %d", id), func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{Settle: &deciding.SettleOrder{Findings: []int64{id}, Like: id, Files: n, Reason: reason, Saw: saw, SawAll: all}})
		return decided(d, "/findings"), err
	})
}

func signOffAct(q *site.Request) error {
	id, saw, reason, err := decision(q)
	if err != nil {
		return err
	}
	o := deciding.SignOffOrder{Findings: []int64{id}, Reason: reason, Saw: saw}
	if err := meant(&o, q.Field("meant")); err != nil {
		return err
	}
	o.Edited = q.Ticked("edited")
	return q.Act(fmt.Sprintf("Sign off finding %d", id), func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{SignOff: &o})
		return decided(d, fmt.Sprintf("/findings/%d", id)), err
	})
}

func meant(o *deciding.SignOffOrder, word string) error {
	switch word {
	case "":
	case "master":
		o.Master = true
	case "lost-otherwise":
		o.LostOtherwise = true
	case "new-transfer":
		o.NewTransfer = true
	case "description":
		o.Description = true
	case "keep-current":
		o.KeepCurrent = true
	default:
		return site.Refused("Say what the change is.")
	}
	return nil
}

// signOffIncident accepts a whole reorganisation, once its number of files was typed.
func signOffIncident(q *site.Request) error {
	id, err := q.Number("id")
	if err != nil {
		return err
	}
	reason, err := q.Reason()
	if err != nil {
		return err
	}
	n, all, err := asMany(q, "incident", openOf(id))
	if err != nil {
		return err
	}
	return q.Act(fmt.Sprintf("Sign off incident %d", id), func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{SignOff: &deciding.SignOffOrder{Incident: id, Files: n, Reason: reason, SawAll: all}})
		if d.Proposal != 0 {
			return decided(d, ""), err
		}
		return site.Outcome{Lead: fixity.Counted(len(d.SignedOff), "finding", "was", "were") + " signed off.", Links: []site.Link{{Path: "/findings", Text: "Findings"}}}, err
	})
}

// asMany is the number of findings that was typed, and the mark of all that were shown. It
// refuses another number than are open now, and another set: the act compares that once more.
func asMany(q *site.Request, of string, open func(*ledger.Tx) (int64, string, error)) (typed int64, all string, err error) {
	if all = q.Field("all"); all == "" {
		return 0, "", site.ErrIncomplete
	}
	if typed, err = q.Typed("files"); err != nil {
		return 0, "", err
	}
	return typed, all, q.View(func(t *ledger.Tx) error {
		n, mark, err := open(t)
		switch {
		case err != nil:
			return err
		case mark != all:
			return fmt.Errorf("other findings of this %s are open than were shown, %s now: %w", of, fixity.Number(n), fixity.ErrChangedMeanwhile)
		case n != typed:
			return site.Refused(fmt.Sprintf("You typed %s, and %s of this %s are open. Nothing was done.", fixity.Number(typed), fixity.Count(n, "finding"), of))
		}
		return nil
	})
}

// openOf are the open findings of an incident.
func openOf(incident int64) func(*ledger.Tx) (int64, string, error) {
	return func(t *ledger.Tx) (int64, string, error) {
		x, err := t.Incidents.Get(incident)
		if errors.Is(err, fixity.ErrNotFound) {
			return 0, "", fmt.Errorf("nothing of this incident is open any more: %w", fixity.ErrChangedMeanwhile)
		}
		if err != nil {
			return 0, "", err
		}
		mark, err := t.Incidents.Mark(incident)
		return x.Open, mark, err
	}
}

func recoverAct(q *site.Request) error {
	id, saw, err := findingOf(q)
	if err != nil {
		return err
	}
	return putRight(q, fmt.Sprintf("Put right: finding %d", id), recovering.Order{Findings: []int64{id}, From: q.Field("from"), Saw: saw}, fmt.Sprintf("/findings/%d", id))
}

func recoverIncident(q *site.Request) error {
	id, err := q.Number("id")
	if err != nil {
		return err
	}
	_, all, err := asMany(q, "incident", openOf(id))
	if err != nil {
		return err
	}
	return putRight(q, fmt.Sprintf("Put right: incident %d", id), recovering.Order{Incident: id, SawAll: all}, "/findings")
}

// putRight orders that copies be put right. What was not done is told item by item.
func putRight(q *site.Request, what string, o recovering.Order, see string) error {
	o.Reason, o.Paused = q.Field("reason"), q.Ticked("paused")
	plan, err := recovering.Of(q.Site.Archive).Plan(q.Context(), o)
	if err != nil {
		return err
	}
	if len(plan.InStep) > 0 && !o.Paused {
		return site.Refused(fmt.Sprintf("A program keeps %s in step with another place. Pause it first, on every computer that has the folder: it could carry the damaged file over a good one, or over the one that is put back. Then tick the box. Nothing was touched.",
			fixity.And(plan.InStep)))
	}
	if n, _ := plan.Count(recovering.Planned); n == 0 && len(plan.Items) > 0 {
		return site.Refused(site.Sentence(plan.Items[0].Why))
	}
	return q.Watched(what, func(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
		x.Then("what was put back is read in its place, and the findings end.")
		x.Expects(0, plan.Takes)
		o.Done = x.Deals
		res, err := recovering.Of(a).Recover(ctx, o)
		if err != nil {
			return site.Outcome{}, err
		}
		return recovered(res, see), nil
	})
}

// recovered is what putting copies right came to.
func recovered(res recovering.Result, see string) site.Outcome {
	done, _ := res.Count(recovering.PutBack)
	if done == len(res.Items) && done == 1 {
		return site.Outcome{See: see}
	}
	b := sheet.Block{Title: "What was not put back"}
	for _, x := range res.Items {
		if x.State == recovering.PutBack {
			continue
		}
		why := x.Why
		if why == "" && x.State == recovering.Unread {
			why = "it is in its place, and the reading that proves it is still to come"
		}
		b.Facts = append(b.Facts, [2]string{x.Store + ": " + site.Shown(x.Set+"/"+x.Path), site.Sentence(why + " ")})
	}
	o := site.Outcome{Lead: fixity.Counted(done, "copy", "was", "were") + " put back and read there: intact.", Links: []site.Link{{Path: see, Text: "Back"}}}
	if done == 0 {
		o.Lead = "Nothing was put back."
	}
	if len(b.Facts) > 0 {
		o.Blocks = append(o.Blocks, b)
	}
	return o
}
