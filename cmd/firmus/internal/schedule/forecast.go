package schedule

import (
	"math"
	"time"
)

// Need is how much must be read by the end of a day for a promise to be kept.
type Need struct {
	Day   time.Time // its beginning, UTC
	Bytes int64
}

// Means are what there is to read with.
type Means struct {
	Rate  float64       // bytes a second; 0 isn't known
	ADay  int64         // bytes a day that may be read, however fast it goes; 0: any number
	Daily time.Duration // of reading in a day
	// Visiting: there is nothing to read with until the store comes.
	Visiting bool
}

// daily is how many bytes can be read in a day at most; what isn't known is no bound.
func (m Means) daily() float64 {
	can := math.MaxFloat64 / 1e6
	if m.Rate > 0 {
		can = m.Rate * m.Daily.Seconds()
	}
	if m.ADay > 0 {
		can = min(can, float64(m.ADay))
	}
	return can
}

// Forecast says whether a promise to read everything will be kept.
type Forecast struct {
	// Broken is the day on which the promise is broken if nothing changes; zero if
	// none is foreseen. It may be past.
	Broken time.Time
	// Short is how many bytes can't be read by then.
	Short int64
	// Known is false while nothing is known of how fast the store is read: then only
	// what is broken already is told.
	Known bool
}

// Foresee reckons what has to be read by each day against what can be by then. needs
// are in the order of their days. It is pure.
func Foresee(now time.Time, needs []Need, m Means) Forecast {
	const day = 24 * time.Hour
	f := Forecast{Known: m.Visiting || m.Rate > 0}
	today := now.UTC().Truncate(day)
	var sum int64
	for _, n := range needs {
		sum += n.Bytes
		if n.Bytes == 0 {
			continue
		}
		left := n.Day.Sub(today) // whole days, today's reading included
		can := m.daily() * max(left.Hours()/24, 0)
		if !m.Visiting && can >= float64(sum) {
			continue
		}
		f.Broken, f.Short = n.Day, sum
		if !m.Visiting {
			f.Short = sum - int64(min(can, float64(sum)))
		}
		return f
	}
	return f
}
