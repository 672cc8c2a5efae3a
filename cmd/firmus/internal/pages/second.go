package pages

import (
	"context"
	"fmt"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var secondRoutes = []site.Route{
	{Pattern: "GET /proposals/{id}", Needs: fixity.Reviewer, Do: proposalPage},
	{Pattern: "POST /proposals/{id}/confirm", Needs: fixity.Reviewer, Do: confirmAct},
	{Pattern: "POST /proposals/{id}/take-back", Needs: fixity.Reviewer, Do: takeBackAct},
}

type proposalData struct {
	deciding.Proposal
	What   string
	Ending string // how it ended, in words
	Lines  []site.Line
	Names  []string // of the files, if it is about no finding
	More   int
	Left   *deciding.StoreLeft // what the end of a store would leave; nil: it is about no store
	Mine   bool                // who looks made it
	Person site.Asks
}

// decided is what a page shows of a decision: what it changed, or that it waits.
func decided(d deciding.Decided, see string) site.Outcome {
	if d.Proposal != 0 {
		return site.Outcome{See: fmt.Sprintf("/proposals/%d", d.Proposal)}
	}
	return site.Outcome{See: see}
}

// afterDecided carries out the audit that a decision asks for, with what came of it and a way
// to the page see; of other decisions it shows that page. What was decided holds whatever
// becomes of the audit.
func afterDecided(ctx context.Context, a *archive.Archive, x *site.Job, d deciding.Decided, see string) (site.Outcome, error) {
	o, ok := d.Follows()
	if !ok {
		return decided(d, see), nil
	}
	x.Then(thenFindings)
	n, err := bytesIn(ctx, a, d.Store)
	var out site.Outcome
	if err == nil {
		x.Expects(n, 0)
		out, err = audited(ctx, a, o)
	}
	switch {
	case ctx.Err() != nil:
		return site.Outcome{}, err
	case err != nil:
		out.Lead = site.Sentence("It could not be read in full yet: "+site.Plainly(err)) + " You can have it read on the page of the store."
	}
	out.Lead = "Another drive has taken the place of " + d.Store + ". " + out.Lead
	out.Links = append(out.Links, site.Link{Path: see, Text: "Back"})
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
func proposals(q *site.Request, t *ledger.Tx, which func(ledger.Proposal) bool) (out []proposalLine, err error) {
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
		out = append(out, proposalLine{p.ID, strings.TrimSuffix(site.Sentence(d.InWords()), "."), p.By == q.Who.Name, q.Who.Role.May(fixity.Reviewer), p})
	}
	return out, nil
}

// proposalPage shows what one person proposed, to the one who is to confirm it.
func proposalPage(q *site.Request) error {
	id, err := q.Number("id")
	if err != nil {
		return err
	}
	p, err := deciding.Of(q.Site.Archive).Proposal(q.Context(), id)
	if err != nil {
		return err
	}
	d := proposalData{Proposal: p, What: strings.TrimSuffix(site.Sentence(p.Decision.InWords()), "."), Mine: p.By == q.Who.Name, Person: q.Asks()}
	if !p.Ended.IsZero() {
		d.Ending = site.Sentence(fixity.Means("proposal", string(p.Outcome)))
	}
	for i, f := range p.Findings {
		if i == perPage {
			d.More = len(p.Findings) - i
			break
		}
		d.Lines = append(d.Lines, site.LineOf(q.Veiled(f)))
	}
	if len(p.Findings) == 0 {
		for i, f := range p.Files {
			if i == perPage {
				d.More = len(p.Files) - i
				break
			}
			d.Names = append(d.Names, f.Set+"/"+q.Named(f.Set, f.Path))
		}
	}
	if o := p.Decision.EndStore; o != nil && o.Left != nil {
		d.Left, d.More = o.Left, o.Left.One+o.Left.None-len(o.Left.First)
		for _, f := range o.Left.First {
			d.Names = append(d.Names, f.Set+"/"+q.Named(f.Set, f.Path))
		}
	}
	return q.Render("proposal", fmt.Sprintf("Proposal %d", id), d)
}

func confirmAct(q *site.Request) error {
	id, err := q.Number("id")
	if err != nil {
		return err
	}
	if !q.Ticked("looked") {
		return site.Refused("Look at what it is about first, and tick the box that says so. Nothing was done.")
	}
	return q.Watched(fmt.Sprintf("Confirm proposal %d", id), func(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
		d, err := deciding.Of(a).Confirm(ctx, id)
		if err != nil {
			return site.Outcome{}, err
		}
		return afterDecided(ctx, a, x, d, fmt.Sprintf("/proposals/%d", id))
	})
}

func takeBackAct(q *site.Request) error {
	id, err := q.Number("id")
	if err != nil {
		return err
	}
	reason := q.Field("reason")
	return q.Act(fmt.Sprintf("Take back proposal %d", id), func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		return site.Outcome{See: fmt.Sprintf("/proposals/%d", id)}, deciding.Of(a).TakeBack(ctx, id, reason)
	})
}
