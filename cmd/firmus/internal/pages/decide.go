package pages

import (
	"context"
	"fmt"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
)

var decideRoutes = []route{
	{"POST /findings/{id}/recover", fixity.Technician, recoverAct},
	{"POST /findings/{id}/settle", fixity.Reviewer, settleAct},
	{"POST /findings/{id}/sign-off", fixity.Reviewer, signOffAct},
	{"POST /incidents/{id}/sign-off", fixity.Reviewer, signOffIncident},
	{"POST /incidents/{id}/recover", fixity.Technician, recoverIncident},
	{"POST /findings/{id}/settle-class", fixity.Reviewer, settleClass},
}

// incomplete is a form that no page made.
var incomplete = status{400, "The form is not complete", "Open the page that the form stands on, and send it from there."}

// saw is the mark of what the person was shown, for the act to compare with what is so
// when it begins. A form without it was not made by a page.
func (q *request) saw(id int64) (map[int64]string, error) {
	mark := q.field("saw")
	if mark == "" {
		return nil, incomplete
	}
	return map[int64]string{id: mark}, nil
}

// still refuses what has changed since the page was shown. The act itself compares once
// more, in its transaction.
func (q *request) still(saw map[int64]string) error {
	return q.view(func(t *tx) error {
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

// finding is the finding of the path, as it was shown and still is.
func (q *request) finding() (id int64, saw map[int64]string, err error) {
	if id, err = q.number("id"); err != nil {
		return
	}
	if saw, err = q.saw(id); err != nil {
		return
	}
	err = q.still(saw)
	return
}

// decision reads what every decision about a finding has.
func (q *request) decision() (id int64, saw map[int64]string, reason string, err error) {
	if id, saw, err = q.finding(); err == nil {
		reason, err = q.reason()
	}
	return
}

func settleAct(q *request) error {
	id, saw, reason, err := q.decision()
	if err != nil {
		return err
	}
	return q.act(fmt.Sprintf("Settle finding %d", id), func(ctx context.Context, a *archive.Archive) (outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{Settle: &deciding.SettleOrder{Findings: []int64{id}, Reason: reason, Saw: saw}})
		return decided(d, fmt.Sprintf("/findings/%d", id)), err
	})
}

// settleClass is one decision for all open findings like one.
func settleClass(q *request) error {
	id, saw, reason, err := q.decision()
	if err != nil {
		return err
	}
	n, all, err := q.asMany("class", func(t *tx) (n int64, mark string, err error) {
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
	return q.act(fmt.Sprintf("Settle all findings like %d", id), func(ctx context.Context, a *archive.Archive) (outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{Settle: &deciding.SettleOrder{Findings: []int64{id}, Like: id, Files: n, Reason: reason, Saw: saw, SawAll: all}})
		return decided(d, "/findings"), err
	})
}

func signOffAct(q *request) error {
	id, saw, reason, err := q.decision()
	if err != nil {
		return err
	}
	o := deciding.SignOffOrder{Findings: []int64{id}, Reason: reason, Saw: saw}
	if err := meant(&o, q.field("meant")); err != nil {
		return err
	}
	o.Edited = q.ticked("edited")
	return q.act(fmt.Sprintf("Sign off finding %d", id), func(ctx context.Context, a *archive.Archive) (outcome, error) {
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
		return refused("Say what the change is.")
	}
	return nil
}

// signOffIncident accepts a whole reorganisation, once its number of files was typed.
func signOffIncident(q *request) error {
	id, err := q.number("id")
	if err != nil {
		return err
	}
	reason, err := q.reason()
	if err != nil {
		return err
	}
	n, all, err := q.asMany("incident", openOf(id))
	if err != nil {
		return err
	}
	return q.act(fmt.Sprintf("Sign off incident %d", id), func(ctx context.Context, a *archive.Archive) (outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{SignOff: &deciding.SignOffOrder{Incident: id, Files: n, Reason: reason, SawAll: all}})
		if d.Proposal != 0 {
			return decided(d, ""), err
		}
		return outcome{Lead: fixity.Counted(len(d.SignedOff), "finding", "was", "were") + " signed off.", Links: []link{{"/findings", "Findings"}}}, err
	})
}

// asMany is the number of findings that was typed, and the mark of all that were shown. It
// refuses another number than are open now, and another set: the act compares that once more.
func (q *request) asMany(of string, open func(*tx) (int64, string, error)) (typed int64, all string, err error) {
	if all = q.field("all"); all == "" {
		return 0, "", incomplete
	}
	if typed, err = q.typed("files"); err != nil {
		return 0, "", err
	}
	return typed, all, q.view(func(t *tx) error {
		n, mark, err := open(t)
		switch {
		case err != nil:
			return err
		case mark != all:
			return fmt.Errorf("other findings of this %s are open than were shown, %s now: %w", of, fixity.Number(n), fixity.ErrChangedMeanwhile)
		case n != typed:
			return refused(fmt.Sprintf("You typed %s, and %s of this %s are open. Nothing was done.", fixity.Number(typed), fixity.Count(n, "finding"), of))
		}
		return nil
	})
}

// openOf are the open findings of an incident.
func openOf(incident int64) func(*tx) (int64, string, error) {
	return func(t *tx) (int64, string, error) {
		x, err := t.Incidents.Get(incident)
		if isNotFound(err) {
			return 0, "", fmt.Errorf("nothing of this incident is open any more: %w", fixity.ErrChangedMeanwhile)
		}
		if err != nil {
			return 0, "", err
		}
		mark, err := t.Incidents.Mark(incident)
		return x.Open, mark, err
	}
}

func recoverAct(q *request) error {
	id, saw, err := q.finding()
	if err != nil {
		return err
	}
	return q.recover(fmt.Sprintf("Put right: finding %d", id), recovering.Order{Findings: []int64{id}, From: q.field("from"), Saw: saw}, fmt.Sprintf("/findings/%d", id))
}

func recoverIncident(q *request) error {
	id, err := q.number("id")
	if err != nil {
		return err
	}
	_, all, err := q.asMany("incident", openOf(id))
	if err != nil {
		return err
	}
	return q.recover(fmt.Sprintf("Put right: incident %d", id), recovering.Order{Incident: id, SawAll: all}, "/findings")
}

// recover orders that copies be put right. What was not done is told item by item.
func (q *request) recover(what string, o recovering.Order, see string) error {
	o.Reason, o.Paused = q.field("reason"), q.ticked("paused")
	plan, err := recovering.Of(q.s.o.Archive).Plan(q.Context(), o)
	if err != nil {
		return err
	}
	if len(plan.InStep) > 0 && !o.Paused {
		return refused(fmt.Sprintf("A program keeps %s in step with another place. Pause it first, on every computer that has the folder: it could carry the damaged file over a good one, or over the one that is put back. Then tick the box. Nothing was touched.",
			fixity.And(plan.InStep)))
	}
	if n, _ := plan.Count(recovering.Planned); n == 0 && len(plan.Items) > 0 {
		return refused(sentence(plan.Items[0].Why))
	}
	return q.watched(what, func(ctx context.Context, a *archive.Archive, x *job) (outcome, error) {
		x.then("what was put back is read in its place, and the findings end.")
		x.expects(0, plan.Takes)
		o.Done = x.deals
		res, err := recovering.Of(a).Recover(ctx, o)
		if err != nil {
			return outcome{}, err
		}
		return recovered(res, see), nil
	})
}

// recovered is what putting copies right came to.
func recovered(res recovering.Result, see string) outcome {
	done, _ := res.Count(recovering.PutBack)
	if done == len(res.Items) && done == 1 {
		return outcome{See: see}
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
		b.Facts = append(b.Facts, [2]string{x.Store + ": " + shown(x.Set+"/"+x.Path), sentence(why + " ")})
	}
	o := outcome{Lead: fixity.Counted(done, "copy", "was", "were") + " put back and read there: intact.", Links: []link{{see, "Back"}}}
	if done == 0 {
		o.Lead = "Nothing was put back."
	}
	if len(b.Facts) > 0 {
		o.Blocks = append(o.Blocks, b)
	}
	return o
}
