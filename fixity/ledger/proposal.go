package ledger

import (
	"fmt"
	"time"

	"firmus/fixity"
)

// Proposal is an act that one person ordered and that a second has to confirm.
type Proposal struct {
	ID      int64
	Act     string // which act it is
	What    string // the order as JSON
	By      string
	Reason  string
	Made    time.Time
	Ended   time.Time // zero while it waits
	EndedBy string
	Outcome fixity.ProposalEnd
}

const proposalColumns = `id, act, what, by_name, reason, made_at, ended_at, ended_by, outcome`

func scanProposal(r row) (p Proposal, err error) {
	var made, ended int64
	err = r.Scan(&p.ID, &p.Act, &p.What, &p.By, &p.Reason, &made, &ended, &p.EndedBy, &p.Outcome)
	p.Made, p.Ended = fromNanos(made), fromNanos(ended)
	return p, err
}

// Add keeps a proposal, with its event, and gives its number. files are those that it is about.
func (t Proposals) Add(p Proposal, files []File) (int64, error) {
	id, err := t.NextID("proposal")
	if err != nil {
		return 0, err
	}
	if _, err := t.exec(`INSERT INTO proposal (id, act, what, by_name, reason, made_at) VALUES ($1, $2, $3, $4, $5, $6)`,
		id, p.Act, p.What, p.By, p.Reason, nanos(t.now)); err != nil {
		return 0, err
	}
	for _, f := range files {
		t.Event(Event{Verb: fixity.Proposed, By: p.By, Set: f.Set, File: f.ID, Reason: p.Reason, Data: map[string]any{"proposal": id, "act": p.Act}})
	}
	return id, nil
}

// Waiting are the proposals that wait for a second person, the oldest first.
func (t Proposals) Waiting() ([]Proposal, error) {
	return list(t.Tx, `SELECT `+proposalColumns+` FROM proposal WHERE ended_at = 0 ORDER BY id`, nil, scanProposal)
}

// Get reads one; fixity.ErrNotFound if there is none of that number.
func (t Proposals) Get(id int64) (Proposal, error) {
	p, err := scanProposal(t.one(`SELECT `+proposalColumns+` FROM proposal WHERE id = $1`, id))
	return p, notFound(err)
}

// End ends one that waits; fixity.ErrChangedMeanwhile if it has ended already. That it was
// confirmed is told by the events of the act itself, which have both names.
func (t Proposals) End(id int64, how fixity.ProposalEnd, by, reason string) error {
	n, err := t.exec(`UPDATE proposal SET ended_at = $2, ended_by = $3, outcome = $4 WHERE id = $1 AND ended_at = 0`, id, nanos(t.now), by, string(how))
	if err != nil {
		return err
	}
	if n == 0 {
		p, err := t.Get(id)
		if err != nil {
			return err
		}
		return fmt.Errorf("proposal %d has ended already: %s: %w", id, fixity.Means("proposal", string(p.Outcome)), fixity.ErrChangedMeanwhile)
	}
	if how != fixity.ProposalConfirmed {
		t.Event(Event{Verb: fixity.ProposalEnded, By: by, Reason: reason, Data: map[string]any{"proposal": id, "outcome": string(how)}})
	}
	return nil
}

// ConfirmedBy puts a second person's name into all events of this transaction.
func (t *Tx) ConfirmedBy(name string) { t.second = name }
