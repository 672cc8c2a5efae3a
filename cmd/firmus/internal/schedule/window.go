package schedule

import "time"

// Window is the part of each day, by the wall clock, in which a store may be read:
// From is in it, To isn't. It may span midnight. The zero Window is the whole day.
type Window struct{ From, To time.Duration } // since midnight

// Open says that the window is open at a moment, by the clock of the moment's place.
func (w Window) Open(at time.Time) bool {
	d := sinceMidnight(at)
	if w.From <= w.To {
		return w == Window{} || w.From <= d && d < w.To
	}
	return d >= w.From || d < w.To
}

// Opens is the first moment, at or after the given one, at which the window is open.
func (w Window) Opens(at time.Time) time.Time {
	if w.Open(at) {
		return at
	}
	y, m, d := at.Date()
	for i := range 3 { // a clock put forward may skip the opening itself
		next := time.Date(y, m, d+i, int(w.From/time.Hour), int(w.From%time.Hour/time.Minute), 0, 0, at.Location())
		if next.After(at) && w.Open(next) {
			return next
		}
	}
	return at.Add(24 * time.Hour)
}

// Length is how long the window is open in a day.
func (w Window) Length() time.Duration {
	const day = 24 * time.Hour
	if w == (Window{}) {
		return day
	}
	return (w.To - w.From + day) % day
}

func sinceMidnight(at time.Time) time.Duration {
	return time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute + time.Duration(at.Second())*time.Second
}
