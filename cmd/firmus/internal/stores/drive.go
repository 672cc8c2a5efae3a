package stores

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A drive has one reader among all processes that share a state folder, by a lock there.
// Who waits for it holds a second one, so that a use which the clock ordered gives way to
// what a person, or a change, waits for. Both die with their process. A use inside another
// one, on a drive of its own, waits no longer than it would in one process.

// wantedEvery is how often it is looked at whether another process waits for a drive.
const wantedEvery = 5 * time.Second

// withoutEnd is how long is waited for a drive where nothing bounds it.
const withoutEnd = 100 * 365 * 24 * time.Hour

// lockDrive takes a drive for this process.
func (s Stores) lockDrive(ctx context.Context, u *Used, drive string, within time.Duration) (free func(), err error) {
	if s.kind(u.Rule.Name) != diskKind || strings.HasPrefix(drive, unnamed) {
		return func() {}, nil
	}
	name, who := lockOf(drive), fmt.Sprintf("%s (store %s)", s.Who(), u.Rule.Name)
	free, err = s.Ledger.LockHere(ctx, name, who, 0, s.Now)
	var held *ledger.LockedError
	if errors.As(err, &held) {
		if !s.Order.Windows {
			if done, err := s.Ledger.LockHere(ctx, name+wanted, who, time.Second, s.Now); err == nil {
				defer done()
			} // else another one waits, too
		}
		wait := within
		if wait == 0 {
			wait = withoutEnd
			s.say("store %s waits for its drive: %s reads there", u.Rule.Name, held.Holder)
		}
		free, err = s.Ledger.LockHere(ctx, name, who, wait, s.Now)
	}
	if errors.As(err, &held) {
		return nil, fmt.Errorf("the drive of store %s is %w: %s reads there", u.Rule.Name, fixity.ErrBusy, held.Holder)
	}
	if err != nil {
		return nil, err
	}
	if s.Order.Windows {
		last := time.Now()
		u.wanted = func() bool {
			u.mu.Lock()
			defer u.mu.Unlock()
			if time.Since(last) < wantedEvery {
				return false
			}
			last = time.Now()
			done, err := s.Ledger.LockHere(ctx, name+wanted, who, 0, s.Now)
			if err == nil {
				done()
			}
			return errors.Is(err, fixity.ErrBusy) && s.turns().MayGiveWay(drive, s.Now())
		}
	}
	return free, nil
}

// wanted is what the name of the lock ends in that is held by who waits for a drive.
const wanted = ".wanted"

// lockOf is the name of a drive's lock, which can be a file's on every system.
func lockOf(drive string) string {
	return "reading-" + strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' {
			return r
		}
		return '-'
	}, drive)
}

// MayGiveWay says that no use of a drive gave way lately, and notes that one does. What isn't
// about a drive has a name of its own.
func (t *Turns) MayGiveWay(drive string, now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	x := t.drive(drive)
	if now.Sub(x.gave) < GiveWayEvery {
		return false
	}
	x.gave = now
	return true
}
