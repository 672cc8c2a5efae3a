// Package schedule orders audits by the clock: when each store's turn is, in which
// part of the day it may be read, what is made up after a computer was off, and
// whether a promise to read will be kept. A time of the schedule is won by writing
// its row into the ledger, so that of several daemons on one ledger one runs it.
package schedule

import (
	"fmt"
	"strings"
	"time"

	"github.com/robfig/cron/v3"
)

// Times are the times of a schedule, five fields as crontab(5) describes them, read
// as the wall clock of a place shows them.
//
// Where the clock is put forward, a time that it skips counts as the moment of the
// change; where it is put back, a time that it shows twice counts once, the first
// time. (The parser's own reckoning leaves the first out and gives the second twice.)
type Times struct {
	text string
	wall cron.Schedule // reckons in UTC, on which we lay the wall clock
	zone *time.Location
}

// Parse reads a schedule. It fails for what isn't five fields, and for times that
// never come, such as the 31st of February.
func Parse(text string, zone *time.Location) (t Times, err error) {
	defer func() {
		// The parser panics on a time zone without fields behind it.
		if p := recover(); p != nil {
			t, err = Times{}, fmt.Errorf("schedule %q can't be read: %v", text, p)
		}
	}()
	if n := len(strings.Fields(text)); n != 5 {
		return Times{}, fmt.Errorf("schedule %q must have five fields, minute, hour, day, month and weekday, such as \"0 1 * * *\"", text)
	}
	s, err := cron.NewParser(cron.Minute | cron.Hour | cron.Dom | cron.Month | cron.Dow).Parse(text)
	if err != nil {
		return Times{}, fmt.Errorf("schedule %q: %w", text, err)
	}
	if spec, ok := s.(*cron.SpecSchedule); ok {
		spec.Location = time.UTC
	}
	if s.Next(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)).IsZero() {
		return Times{}, fmt.Errorf("schedule %q never comes", text)
	}
	return Times{text: text, wall: s, zone: zone}, nil
}

// String is the schedule as it was written.
func (t Times) String() string { return t.text }

// maxShift is more than any clock was ever put forward or back at once but for a
// change of the date line.
const maxShift = 4 * time.Hour

// Next is the first time after a moment; the zero time if there is none.
func (t Times) Next(after time.Time) time.Time {
	if t.wall == nil {
		return time.Time{}
	}
	// Begin before the moment, so that a clock put forward or back between the two
	// doesn't hide a time.
	w := onWall(after.In(t.zone)).Add(-maxShift)
	for {
		if w = t.wall.Next(w); w.IsZero() {
			return time.Time{}
		}
		if at := t.at(w); at.After(after) {
			return at
		}
	}
}

// Upcoming are the next n times after a moment.
func (t Times) Upcoming(after time.Time, n int) []time.Time {
	var out []time.Time
	for len(out) < n {
		if after = t.Next(after); after.IsZero() {
			break
		}
		out = append(out, after)
	}
	return out
}

// Between are the times after from up to and with to, the newest last; no more than
// the newest most of them, and how many there were.
func (t Times) Between(from, to time.Time, most int) (out []time.Time, n int) {
	for {
		if from = t.Next(from); from.IsZero() || from.After(to) {
			return out, n
		}
		n++
		if out = append(out, from); len(out) > most {
			out = out[1:]
		}
	}
}

// onWall is what the wall clock shows, laid on UTC.
func onWall(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), time.UTC)
}

// at is the moment at which the wall clock shows w first, or is put forward past it.
func (t Times) at(w time.Time) time.Time {
	// What the clock shows differs from UTC by what it differed a day before, or by
	// what it will a day after. The larger lead shows w first.
	_, before := w.Add(-26 * time.Hour).In(t.zone).Zone()
	_, behind := w.Add(26 * time.Hour).In(t.zone).Zone()
	for _, lead := range []int{max(before, behind), min(before, behind)} {
		if x := w.Add(-time.Duration(lead) * time.Second).In(t.zone); onWall(x).Equal(w) {
			return x
		}
	}
	// It is skipped: find the change, to the second.
	lo, hi := w.Add(-time.Duration(max(before, behind))*time.Second-maxShift), w.Add(-time.Duration(min(before, behind))*time.Second+maxShift)
	for {
		mid := lo.Add(hi.Sub(lo) / 2).Truncate(time.Second)
		if mid.Equal(lo) {
			break
		}
		if onWall(mid.In(t.zone)).Before(w) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi.Truncate(time.Second).In(t.zone)
}
