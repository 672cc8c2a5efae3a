package acts

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// DiscAgain is how long after its last reading a disc is read again where the shelf
// promises nothing else. *Common practice*; IASA-TC 03 asks for "regular intervals" and
// names none.
const DiscAgain = 365 * 24 * time.Hour

// DiscDue says why a registered disc should be read now; "" if it needn't be.
func (e *Env) DiscDue(ctx context.Context, d ledger.Disc) (why string, err error) {
	within := DiscAgain
	if s, ok := e.Rules.Store(d.Store); ok && s.ReadWithin > 0 {
		within = s.ReadWithin
	}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		last, err := t.LastDiscCheck(d.ID)
		if errors.Is(err, fixity.ErrNotFound) {
			why = "it was never read"
			return nil
		}
		if err != nil {
			return err
		}
		if last.Verdict == fixity.DiscNotCompared || last.Verdict == fixity.DiscUnsteady {
			why = "its last reading proved nothing"
			return nil
		}
		if age := e.Now().Sub(last.Ended); age > within {
			why = fmt.Sprintf("it was not read for %d days", int(age/(24*time.Hour)))
			return nil
		}
		decisions, err := t.DiscDecisions()
		if err != nil {
			return err
		}
		twins, err := t.DiscsNumbered(d.Number)
		if err != nil {
			return err
		}
		for _, x := range twins {
			if x.ID == d.ID || !x.Retired.IsZero() {
				continue
			}
			c, err := t.LastDiscCheck(x.ID)
			if errors.Is(err, fixity.ErrNotFound) {
				continue
			}
			if err != nil {
				return err
			}
			if c.Ended.After(last.Ended) && !ledger.GoodCheck(c, decisions) {
				why = fmt.Sprintf("%s is not as it should be", x.Name())
			}
		}
		return nil
	})
	return why, err
}

// lockDrive takes a drive for this process: two that read in it would send it from one
// end of the disc to the other, and a daemon must leave a person alone. Of an image
// nothing needs to be taken.
func (e *Env) lockDrive(ctx context.Context, at DiscAt) (func(), error) {
	if at.Image != "" || at.Drive == "" {
		return func() {}, nil
	}
	free, err := e.lock(ctx, "drive-"+hex.EncodeToString([]byte(at.Drive)), 0)
	var locked *ledger.LockedError
	if errors.As(err, &locked) {
		return nil, fmt.Errorf("the drive %s is %w: %s is checking it, or the disc in it", at.Drive, fixity.ErrBusy, locked.Holder)
	}
	return free, err
}

// takeDisc opens the disc of an order, for this process alone, and says which registered
// ones it may be. free lets it go; after an error there is nothing to let go.
func (e *Env) takeDisc(ctx context.Context, o DiscCheckOrder) (cand []ledger.Disc, d OpenedDisc, free func(), err error) {
	if cand, err = e.candidates(ctx, o); err != nil {
		return nil, nil, nil, err
	}
	unlock, err := e.lockDrive(ctx, o.At)
	if err != nil {
		return nil, nil, nil, err
	}
	if d, err = e.OpenDisc(ctx, o.At); err != nil {
		unlock()
		return nil, nil, nil, err
	}
	return cand, d, func() { d.Close(); unlock() }, nil
}
