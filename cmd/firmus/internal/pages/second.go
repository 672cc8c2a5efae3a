package pages

import (
	"context"
	"fmt"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var secondRoutes = []route{
	{"GET /proposals/{id}", fixity.Reviewer, proposalPage},
	{"POST /proposals/{id}/confirm", fixity.Reviewer, confirmAct},
	{"POST /proposals/{id}/take-back", fixity.Reviewer, takeBackAct},
}

type proposalData struct {
	deciding.Proposal
	What   string
	Ending string // how it ended, in words
	Lines  []line
	Names  []string // of the files, if it is about no finding
	More   int
	Left   *deciding.StoreLeft // what the end of a store would leave; nil: it is about no store
	Mine   bool                // who looks made it
	Person asks
}

// decided is what a page shows of a decision: what it changed, or that it waits.
func decided(d deciding.Decided, see string) outcome {
	if d.Proposal != 0 {
		return outcome{See: fmt.Sprintf("/proposals/%d", d.Proposal)}
	}
	return outcome{See: see}
}

// afterDecided carries out the audit that a decision asks for, with what came of it and a way
// to the page see; of other decisions it shows that page. What was decided holds whatever
// becomes of the audit.
func afterDecided(ctx context.Context, a *archive.Archive, x *job, d deciding.Decided, see string) (outcome, error) {
	o, ok := d.Follows()
	if !ok {
		return decided(d, see), nil
	}
	x.then(thenFindings)
	n, err := bytesIn(ctx, a, d.Store)
	var out outcome
	if err == nil {
		x.expects(n, 0)
		out, err = audited(ctx, a, o)
	}
	switch {
	case ctx.Err() != nil:
		return outcome{}, err
	case err != nil:
		out.Lead = sentence("It could not be read in full yet: "+plainly(err)) + " You can have it read on the page of the store."
	}
	out.Lead = "Another drive has taken the place of " + d.Store + ". " + out.Lead
	out.Links = append(out.Links, link{see, "Back"})
	return out, nil
}

// proposalLine is a proposal that waits, as who looks is told of it.
type proposalLine struct {
	ID   int64
	What string
	Mine bool // who looks made it
	May  bool // who looks may open it
	ledger.Proposal
}

// proposals are those that wait; which picks among them, nil takes all.
func (q *request) proposals(t *tx, which func(ledger.Proposal) bool) (out []proposalLine, err error) {
	all, err := t.Proposals.Waiting()
	if err != nil {
		return nil, err
	}
	for _, p := range all {
		if which != nil && !which(p) {
			continue
		}
		d, err := deciding.DecisionOf(p)
		if err != nil {
			return nil, err
		}
		out = append(out, proposalLine{p.ID, strings.TrimSuffix(sentence(d.InWords()), "."), p.By == q.who.Name, q.who.Role.May(fixity.Reviewer), p})
	}
	return out, nil
}

// proposalPage shows what one person proposed, to the one who is to confirm it.
func proposalPage(q *request) error {
	id, err := q.number("id")
	if err != nil {
		return err
	}
	p, err := deciding.Of(q.s.o.Archive).Proposal(q.Context(), id)
	if err != nil {
		return err
	}
	d := proposalData{Proposal: p, What: strings.TrimSuffix(sentence(p.Decision.InWords()), "."), Mine: p.By == q.who.Name, Person: q.asks()}
	if !p.Ended.IsZero() {
		d.Ending = sentence(fixity.Means("proposal", string(p.Outcome)))
	}
	for i, f := range p.Findings {
		if i == perPage {
			d.More = len(p.Findings) - i
			break
		}
		d.Lines = append(d.Lines, lineOf(q.veiled(f)))
	}
	if len(p.Findings) == 0 {
		for i, f := range p.Files {
			if i == perPage {
				d.More = len(p.Files) - i
				break
			}
			d.Names = append(d.Names, f.Set+"/"+q.named(f.Set, f.Path))
		}
	}
	if o := p.Decision.EndStore; o != nil && o.Left != nil {
		d.Left, d.More = o.Left, o.Left.One+o.Left.None-len(o.Left.First)
		for _, f := range o.Left.First {
			d.Names = append(d.Names, f.Set+"/"+q.named(f.Set, f.Path))
		}
	}
	return q.render("proposal", fmt.Sprintf("Proposal %d", id), d)
}

func confirmAct(q *request) error {
	id, err := q.number("id")
	if err != nil {
		return err
	}
	if !q.ticked("looked") {
		return refused("Look at what it is about first, and tick the box that says so. Nothing was done.")
	}
	return q.watched(fmt.Sprintf("Confirm proposal %d", id), func(ctx context.Context, a *archive.Archive, x *job) (outcome, error) {
		d, err := deciding.Of(a).Confirm(ctx, id)
		if err != nil {
			return outcome{}, err
		}
		return afterDecided(ctx, a, x, d, fmt.Sprintf("/proposals/%d", id))
	})
}

func takeBackAct(q *request) error {
	id, err := q.number("id")
	if err != nil {
		return err
	}
	reason := q.field("reason")
	return q.act(fmt.Sprintf("Take back proposal %d", id), func(ctx context.Context, a *archive.Archive) (outcome, error) {
		return outcome{See: fmt.Sprintf("/proposals/%d", id)}, deciding.Of(a).TakeBack(ctx, id, reason)
	})
}
