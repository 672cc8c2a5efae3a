package schedule

import (
	"time"

	"firmus/fixity/ledger"
)

// How a time of the schedule is kept, and made up when it was missed. *Common practice.*
const (
	// Punctual: a time that is no older than this isn't missed.
	Punctual = 15 * time.Minute
	// Settled: for so long after it was started a daemon makes nothing up. People
	// start computers because they want to work on them.
	Settled = 10 * time.Minute
	// Idle: what was missed waits until nothing has changed in the stores for so long,
	Idle = 15 * time.Minute
	// Patience: but no longer than this.
	Patience = 4 * time.Hour
	// TooNear: so soon before the next time nothing is made up.
	TooNear = time.Hour
	// BusyAgain is how long after a try that found the store busy the next one is.
	BusyAgain = 10 * time.Minute
	// StoppedAgain is the same after a try that was cut off.
	StoppedAgain = time.Minute
)

// mostTimes bounds how many missed times are looked at one by one.
const mostTimes = 4000

// Plan is when a store's turn is.
type Plan struct {
	Times  Times
	Window Window
	// Closed says that nobody is there on a day: what is missed then isn't made up
	// for its own sake. Nil: every day is an ordinary one.
	Closed func(day time.Time) bool
}

// Moment is what a decision rests on.
type Moment struct {
	Now   time.Time
	Up    time.Time     // since when the daemon runs
	Quiet time.Duration // for how long nothing has changed in the stores
	Last  ledger.Firing // the newest that was taken
	Never bool          // none was: Last is zero
}

// Do is what to do.
type Do int

// What there is to do.
const (
	Wait  Do = iota // until Step.Until
	Begin           // the schedule begins now
	Run             // take Step.Due
	Again           // take Moment.Last again
)

// Step is a decision.
type Step struct {
	Do     Do
	Due    time.Time // Run
	Missed int64     // Run: earlier times that it makes up
	Until  time.Time // Wait: when to decide anew at the latest
	Why    string    // Wait: for what, if it isn't just the next time
}

// Step decides what a moment asks for. It is pure.
func (p Plan) Step(m Moment) Step {
	if m.Never {
		return Step{Do: Begin}
	}
	now := m.Now.In(p.zone())
	if m.Last.Due.After(now.Add(Punctual)) {
		// It was taken by a clock that was wrong: wait for no other than the next.
		m.Last.Due = now
	}
	due, missed := p.passed(m.Last.Due, now)
	if due.IsZero() {
		if m.Last.Ended.IsZero() {
			return p.again(m, now)
		}
		return Step{Do: Wait, Until: p.Times.Next(now)}
	}
	next := p.Times.Next(now)
	switch {
	case now.Sub(due) <= Punctual:
	case p.closed(due):
		return Step{Do: Wait, Until: next, Why: "what was missed on a closed day is not made up"}
	case !next.IsZero() && next.Sub(now) < TooNear:
		return Step{Do: Wait, Until: next, Why: "the next time is near"}
	default:
		since := m.Up
		if due.After(since) {
			since = due
		}
		late := now.Sub(since) >= Patience
		if !late && now.Sub(m.Up) < Settled {
			return Step{Do: Wait, Until: m.Up.Add(Settled), Why: "a missed time waits until the computer has been on for a while"}
		}
		if !late && m.Quiet < Idle {
			return Step{Do: Wait, Until: now.Add(max(Idle-m.Quiet, time.Minute)), Why: "a missed time waits for an idle hour"}
		}
	}
	if !p.Window.Open(now) {
		return Step{Do: Wait, Until: p.Window.Opens(now), Why: "waits until its window opens"}
	}
	return Step{Do: Run, Due: due, Missed: missed}
}

// again decides when a firing that has not ended is tried again.
func (p Plan) again(m Moment, now time.Time) Step {
	at, why := m.Last.Tried.Add(StoppedAgain), "a run that was cut off is taken up"
	if m.Last.Outcome == ledger.FiringBusy {
		at, why = m.Last.Tried.Add(BusyAgain), "somebody else works on the store"
	} else if up := m.Up.Add(StoppedAgain); up.After(at) {
		at = up
	}
	if m.Last.Tried.After(now) {
		at = now // by a clock that was wrong
	}
	if at.After(now) {
		return Step{Do: Wait, Until: at, Why: why}
	}
	if !p.Window.Open(now) {
		return Step{Do: Wait, Until: p.Window.Opens(now), Why: "waits until its window opens"}
	}
	return Step{Do: Again}
}

// passed is the newest time after last that has come, and how many open days' times
// before it were missed.
func (p Plan) passed(last, now time.Time) (due time.Time, missed int64) {
	times, n := p.Times.Between(last, now, mostTimes)
	if n == 0 {
		return time.Time{}, 0
	}
	due = times[len(times)-1]
	for _, t := range times[:len(times)-1] {
		if !p.closed(t) {
			missed++
		}
	}
	// What was missed on a closed day is made up for an earlier open one.
	if p.closed(due) && now.Sub(due) > Punctual && !p.closed(now) {
		for i := len(times) - 1; i >= 0; i-- {
			if !p.closed(times[i]) {
				return times[i], missed - 1
			}
		}
	}
	return due, missed
}

func (p Plan) closed(t time.Time) bool { return p.Closed != nil && p.Closed(t.In(p.zone())) }

func (p Plan) zone() *time.Location {
	if p.Times.zone == nil {
		return time.UTC
	}
	return p.Times.zone
}
