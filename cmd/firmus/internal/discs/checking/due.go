package checking

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Again is how long after its last reading a disc is read again where the shelf
// promises nothing else. *Common practice*; IASA-TC 03 asks for "regular intervals" and
// names none.
const Again = 365 * 24 * time.Hour

// Due says why a registered disc should be read now; "" if it needn't be.
func (e Desk) Due(ctx context.Context, d ledger.Disc) (why string, err error) {
	within := Again
	if s, ok := e.Rules.Store(d.Store); ok && s.ReadWithin > 0 {
		within = s.ReadWithin
	}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		last, err := t.Discs.LastCheck(d.ID)
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
		doubted, err := t.Discs.Doubted(d.ID)
		if err != nil {
			return err
		}
		if doubted {
			why = "not all that was sought on it could be read when it gave a file back"
			return nil
		}
		if age := e.Now().Sub(last.Ended); age > within {
			why = "it was not read for " + fixity.Count(int(age/(24*time.Hour)), "day")
			return nil
		}
		decisions, err := t.Discs.Decisions()
		if err != nil {
			return err
		}
		if last.Verdict == fixity.DiscChanged && last.Changed && !last.Levelled && len(d.Baseline) == 0 && slices.ContainsFunc(decisions, func(x ledger.DiscDecision) bool {
			return x.Verdict == last.Verdict && x.Class.Covers(last.Gain)
		}) {
			// Checks of an earlier version compared samples here and there, and kept no sums.
			why = "what was decided for its class holds once every sector was compared: read it once more"
			return nil
		}
		twins, err := t.Discs.Numbered(d.Number)
		if err != nil {
			return err
		}
		for _, x := range twins {
			if x.ID == d.ID || !x.Retired.IsZero() {
				continue
			}
			c, err := t.Discs.LastCheck(x.ID)
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
func (e Desk) lockDrive(ctx context.Context, o Order) (func(), error) {
	at := o.At
	if at.Image != "" || at.Drive == "" || o.taken {
		return func() {}, nil
	}
	free, err := e.Lock(ctx, "drive-"+hex.EncodeToString([]byte(at.Drive)))
	var locked *ledger.LockedError
	if errors.As(err, &locked) {
		return nil, fmt.Errorf("the drive %s is %w: %s is checking it, or the disc in it", at.Drive, fixity.ErrBusy, locked.Holder)
	}
	return free, err
}

// take opens the disc of an order, for this process alone, and says which registered
// ones it may be. free lets it go; after an error there is nothing to let go.
func (e Desk) take(ctx context.Context, o Order) (cand []ledger.Disc, d discs.Opened, free func(), err error) {
	if cand, err = e.candidates(ctx, o); err != nil {
		return nil, nil, nil, err
	}
	unlock, err := e.lockDrive(ctx, o)
	if err != nil {
		return nil, nil, nil, err
	}
	if d, err = e.Open(ctx, o.At); err != nil {
		unlock()
		return nil, nil, nil, err
	}
	return cand, d, func() { d.Close(); unlock() }, nil
}
