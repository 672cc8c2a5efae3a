package registering

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Decision is what a person decides for all discs that are changed as one of them is.
type Decision struct {
	Number  string
	AnyGain bool // whatever the gain is
	Discs   int  // how many that is now, typed by the person; 0: not typed
	Reason  string
}

// bulk is how many discs are decided about at once without typing their number.
const bulk = care.IncidentLeast

// Decide accepts what was changed on the way for a whole class: the discs that
// were burned with the same levelling, those checked later too. It covers no disc with a file
// of a set that asks for two people, and one that is named is refused.
func (e Desk) Decide(ctx context.Context, o Decision) (ledger.DiscDecision, []ledger.Disc, error) {
	if o.Reason == "" {
		return ledger.DiscDecision{}, nil, fmt.Errorf("a decision needs a reason, such as \"burned with levelling\" (%s): %w", e.Words.Opt("reason"), fixity.ErrRefused)
	}
	var dec ledger.DiscDecision
	var covered []ledger.Disc
	err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		d, err := find(t, o.Number)
		if err != nil {
			return err
		}
		c, err := t.Discs.LastCheck(d.ID)
		if errors.Is(err, fixity.ErrNotFound) || err == nil && c.Verdict != fixity.DiscChanged {
			return fmt.Errorf("disc %s was not found to be changed on the way: there is nothing to decide for its class: %w", d.Name(), fixity.ErrRefused)
		}
		if err != nil {
			return err
		}
		switch {
		case c.Two:
			return fmt.Errorf("disc %s holds files of a set that asks for two people, and a decision for a class is one person's. Settle what is open of this disc instead: another reviewer confirms that then (%s): %w", d.Name(), e.Words.Opt("reason"), fixity.ErrRefused)
		case !c.Levelled:
			return fmt.Errorf("disc %s isn't what was burned but for its level: more was changed, or its last check doesn't say: check it again. A decision for a class is of a level alone; settle what is open of this disc, or burn it anew: %w", d.Name(), fixity.ErrRefused)
		case !c.Changed && !o.AnyGain:
			return fmt.Errorf("the files on disc %s were burned at several levels. To decide for discs whatever their levels are: %s: %w", d.Name(), e.Words.Opt("any-gain"), fixity.ErrRefused)
		}
		dec = ledger.DiscDecision{Verdict: c.Verdict, Reason: o.Reason, By: e.By}
		dec.Class.AnyGain, dec.Class.Gain, dec.Class.Within = o.AnyGain, c.Gain, care.SameGain
		before, err := t.Discs.Decisions()
		if err != nil {
			return err
		}
		if slices.ContainsFunc(before, func(b ledger.DiscDecision) bool {
			return b.Verdict == dec.Verdict && b.Class == dec.Class && b.By == dec.By && b.Reason == dec.Reason
		}) {
			return fmt.Errorf("that is decided already, for all discs that are changed as %s is: %w", d.Name(), fixity.ErrRefused)
		}
		if covered, err = t.Discs.Covered(dec); err != nil {
			return err
		}
		if len(covered) > bulk && o.Discs != len(covered) {
			return fmt.Errorf("these are %s at once. Look at some of them first; to decide for all give their number (%s): %w", fixity.Count(len(covered), "disc"), e.Words.OptIs("discs", len(covered)), fixity.ErrRefused)
		}
		dec, err = t.Discs.Decide(dec)
		return err
	})
	return dec, covered, err
}
