// Package bearing finds out how many hosts a store bears that read it at the same time, from what
// they report of their reading. It is pure: times are told to it, and what it knows is a State.
//
// A number of readers is held against the next larger one by turns, two windows each, the larger
// one first: load that comes and goes meets both. The larger one stays if it gained enough (pays);
// then the next one is tried. A window counts only if about as many read in it as were to: at an
// audit's end, or while one that must stop ends its part, it says nothing.
package bearing

import (
	"math"
	"time"

	"firmus/fixity"
)

// Known is a State as it is before anything was measured: two readers, to be held against one.
func Known() State { return State{N: 2, Kept: 1, Tried: 2} }

// State is what is known of a store. Its names in JSON are stored: never change one.
type State struct {
	N     int          `json:"n"`     // how many may read now
	Kept  int          `json:"kept"`  // as many as were found to pay
	Tried int          `json:"tried"` // what was, or is, held against it; 0: nothing
	Why   fixity.Bound `json:"why"`   // why there are no more; BoundOpen while it is measured
	At    time.Time    `json:"at"`    // when that was found
	Rate  float64      `json:"rate"`  // bytes a second that Kept read together; 0: not known

	Window window `json:"window"`
	Arms   [2]arm `json:"arms"` // of Kept, and of Tried
}

// window is what was read since a time by as many as may.
type window struct {
	From  time.Time     `json:"from"`
	Busy  time.Duration `json:"busy"` // of all readers together
	Work  float64       `json:"work"`
	Files int64         `json:"files"`
	Held  int64         `json:"held"`
}

// arm is what all windows said in which so many read.
type arm struct {
	Windows int           `json:"windows"`
	Took    time.Duration `json:"took"`
	Busy    time.Duration `json:"busy"`
	Work    float64       `json:"work"`
}

// rate is what was read in a second, and readers by how many on the average.
func (a arm) rate() float64    { return a.Work / a.Took.Seconds() }
func (a arm) readers() float64 { return a.Busy.Seconds() / a.Took.Seconds() }

// Report is what one host read of a store in a time, by the clock of the database.
type Report struct {
	From, To     time.Time
	Bytes, Files int64
	Held         int64 // how often the store asked it to come again later, or fell silent
}

// Around is what the reports come from.
type Around struct {
	Window  time.Duration // how long it is read for one measurement
	Hosts   int           // that run and have the store
	Spindle bool          // its drive has one, for sure
}

const (
	windows = 2 // of each number
	gain    = 0.15
	// fileWork is what a file costs besides its bytes, in bytes: windows with small files and with
	// large ones are compared.
	fileWork = 256 << 10
	// heldAfter: of so many files one may have been asked for again.
	heldAfter = 50
	// Least and most that read on the average of a window, as parts of those that were to.
	fewest, most = 0.75, 1.15
	// Again is after how long all is measured anew; Soon if the store refused.
	Again = 30 * 24 * time.Hour
	Soon  = 24 * time.Hour
)

// Measures says that reports are wanted of all that is read, and not only of trouble.
func (s State) Measures(now time.Time, hosts int) bool {
	return s.Why == fixity.BoundOpen || s.stale(now) || s.Why == fixity.BoundHosts && hosts > s.Kept
}

// stale says that it was found so long ago that it is measured anew; or in the future, by a clock
// that was wrong.
func (s State) stale(now time.Time) bool {
	after := Again
	if s.Why == fixity.BoundRefused {
		after = Soon
	}
	return s.Why != fixity.BoundOpen && (!now.Before(s.At.Add(after)) || now.Before(s.At.Add(-Soon)))
}

// With is what is known after a report.
func (s State) With(r Report, a Around) State {
	now := r.To
	switch {
	case a.Spindle:
		if s.Why != fixity.BoundSpindle || s.stale(now) {
			s = State{Kept: 1}.settled(fixity.BoundSpindle, now)
		}
		return s
	case s.stale(now):
		s = Known()
	case s.Why != fixity.BoundOpen && !(s.Why == fixity.BoundHosts && a.Hosts > s.Kept):
		if refused(r.Files, r.Held) && s.Kept > 1 && now.Sub(s.At) >= 4*a.Window {
			s.Tried = s.Kept
			s.Kept = less(s.Kept)
			s = s.settled(fixity.BoundRefused, now)
		}
		return s
	}
	if a.Hosts < 2 {
		return s // nothing can be held against anything
	}
	if next := min(more(s.Kept), a.Hosts); s.Why != fixity.BoundOpen || s.Tried > a.Hosts || s.Tried <= s.Kept {
		// Hosts came, or went.
		if next <= s.Kept {
			s.Kept = min(s.Kept, a.Hosts)
			return s.settled(fixity.BoundHosts, now)
		}
		s = s.tries(next, now)
	}
	if s.Window.From.IsZero() || s.Window.From.After(now.Add(a.Window)) {
		s.Window = window{From: r.From}
	}
	s.Window = s.Window.with(r)
	if now.Sub(s.Window.From) < a.Window {
		return s
	}
	return s.judged(now, a)
}

// with adds a report, or as much of it as is of the window.
func (w window) with(r Report) window {
	all, part := r.To.Sub(r.From), r.To.Sub(later(r.From, w.From))
	if part <= 0 || all <= 0 {
		return w
	}
	share := float64(part) / float64(all)
	w.Busy += part
	w.Work += share * float64(r.Bytes+r.Files*fileWork)
	w.Files += int64(math.Ceil(share * float64(r.Files)))
	w.Held += r.Held
	return w
}

// judged ends a window, and draws the conclusion if it was the last one.
func (s State) judged(now time.Time, a Around) State {
	w := s.Window
	s.Window = window{From: now}
	if refused(w.Files, w.Held) && s.N > 1 {
		if s.N == s.Kept {
			s.Tried, s.Kept = s.Kept, less(s.Kept)
		}
		return s.settled(fixity.BoundRefused, now)
	}
	in := arm{1, now.Sub(w.From), w.Busy, w.Work}
	if n := float64(s.N); in.readers() < fewest*n || in.readers() > most*n+.2 || in.Work == 0 {
		return s
	}
	of := &s.Arms[0]
	if s.N == s.Tried {
		of = &s.Arms[1]
	}
	*of = arm{of.Windows + 1, of.Took + in.Took, of.Busy + in.Busy, of.Work + in.Work}
	if s.Arms[0].Windows < windows || s.Arms[1].Windows < windows {
		s.N = s.Kept + s.Tried - s.N
		// Who must stop ends its part first, and who may begin has to notice.
		s.Window.From = now.Add(a.Window / 3)
		return s
	}
	had, got := s.Arms[0], s.Arms[1]
	came := got.readers() - had.readers()
	if came < float64(s.Tried-s.Kept)/2 { // both were about as many
		return s.tries(s.Tried, now)
	}
	// Not always all of them read: what one of those brought that came is reckoned up to all of them.
	gained := (got.rate() - had.rate()) / came * float64(s.Tried-s.Kept) / had.rate()
	if gained < pays(s.Kept, s.Tried) {
		s.Rate = had.rate()
		return s.settled(fixity.BoundGain, now)
	}
	s.Kept, s.Rate = s.Tried, got.rate()
	next := min(more(s.Kept), a.Hosts)
	if next <= s.Kept {
		return s.settled(fixity.BoundHosts, now)
	}
	return s.tries(next, now)
}

// tries begins to hold a number against the one that was kept.
func (s State) tries(n int, now time.Time) State {
	return State{N: n, Kept: s.Kept, Tried: n, Rate: s.Rate, At: now, Window: window{From: now}}
}

// settled says that it was found out, and why there are no more.
func (s State) settled(why fixity.Bound, now time.Time) State {
	return State{N: s.Kept, Kept: s.Kept, Tried: s.Tried, Rate: s.Rate, Why: why, At: now}
}

// pays is what more readers must gain at least to be kept: 15 %, or half of what as many more
// could, if that is less.
func pays(kept, tried int) float64 { return min(gain, (float64(tried)/float64(kept)-1)/2) }

// more is the number that is tried after one that pays, and less what a number goes back to that
// the store doesn't bear: one more or less, and half as many more or a third less of larger ones.
func more(n int) int { return n + max(1, n/2) }
func less(n int) int { return n - max(1, n/3) }

// refused says that a store asked too often to be left alone.
func refused(files, held int64) bool { return held > 0 && held*heldAfter >= files }

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
