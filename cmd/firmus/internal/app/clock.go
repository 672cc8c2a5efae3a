package app

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// believedAfter is for how long a clock that is earlier than the record must stay so until it is
// taken for right, and the record's entries for those of a clock that was wrong. *Common
// practice*: a computer that is connected sets its clock within minutes.
const believedAfter = time.Hour

// clockToldAfter is for how long people are not told of it: most clocks are right by then.
const clockToldAfter = 15 * time.Minute

// oddClock is what a daemon knows of a clock that is earlier than the record.
type oddClock struct {
	mu    sync.Mutex
	since time.Time // zero: it isn't
	says  string    // how odd it is
	sure  bool      // it is wrong for certain

	told  bool      // people know that nothing is done by the clock, and not yet that it is over
	tried time.Time // when they were told last, or should have been
}

// rightClock says why nothing is to be done by the clock: it is earlier than the record, and
// hasn't been so for long. What people order is done all the same. Where hosts share a ledger
// its database says which clock is wrong.
func (s *parts) rightClock(ctx context.Context) error {
	if s.a.Host != nil {
		return nil
	}
	odd, wrong, err := s.a.Acts.OddClock(ctx)
	if err != nil {
		return err
	}
	c := &s.odd
	c.mu.Lock()
	defer c.mu.Unlock()
	if odd == "" {
		if !c.since.IsZero() {
			s.log.Info("the clock and the record agree again")
		}
		c.since = time.Time{}
		return nil
	}
	c.says, c.sure = odd, wrong
	if c.since.IsZero() {
		c.since = time.Now()
		s.log.Error("nothing is done by the clock", "why", odd)
	}
	if !wrong && time.Since(c.since) >= believedAfter {
		return nil
	}
	return fmt.Errorf("nothing is done by the clock: %s: %w", odd, fixity.ErrRefused)
}

// tellClock tells people that nothing is done by the clock, and that it is again: past the
// outbox, which isn't filled meanwhile. rests is what rightClock says.
func (s *parts) tellClock(rests error) {
	if rests != nil && !errors.Is(rests, fixity.ErrRefused) {
		return // the ledger can't be read: that is told otherwise
	}
	c := &s.odd
	c.mu.Lock()
	since, says, sure, told := c.since, c.says, c.sure, c.told
	tell := told == (rests == nil) && (told || time.Since(since) >= clockToldAfter) && time.Since(c.tried) >= alarmAgain
	if tell {
		c.tried = time.Now()
	}
	c.mu.Unlock()
	if !tell {
		return
	}
	done := false
	switch {
	case told && since.IsZero():
		done = s.alarm("Firmus goes by the clock again", "The clock and the record agree again.",
			"Firmus goes on. What was to be checked meanwhile is made up.", "There is nothing to do.")
	case told:
		done = s.alarm("Firmus goes by the clock again", "The clock has stayed as it is for an hour, so Firmus takes it for right.",
			"Firmus goes on. What was to be checked meanwhile is made up.",
			"What the record dates later than today was done while the clock was wrong. There is nothing to do.")
	default:
		what := "Look at the date of the computer that Firmus runs on. If it is wrong, set it right: Firmus then goes on by itself."
		if !sure {
			what += " If it is right, it was wrong before: leave it as it is, and Firmus takes it for right after an hour."
		}
		done = s.alarm("URGENT: Firmus rests: the clock of its computer may be wrong", strings.ToUpper(says[:1])+says[1:]+".",
			"Until then Firmus checks nothing by its schedule, takes nothing in by itself and sends no other letter.", what)
	}
	if done {
		c.mu.Lock()
		c.told = !told
		c.mu.Unlock()
	}
}

// clocked is a Book that gives no time while the clock is odd.
type clocked struct {
	schedule.Book
	s *parts
}

// Last implements schedule.Book.
func (b clocked) Last(ctx context.Context, store string) (ledger.Firing, time.Time, error) {
	if err := b.s.rightClock(ctx); err != nil {
		return ledger.Firing{}, time.Time{}, err
	}
	return b.Book.Last(ctx, store)
}
