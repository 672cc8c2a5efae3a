package care

import "time"

// DiscReading is what a check of a disc says of how well it reads.
type DiscReading struct {
	Drive            string
	Speed            int
	Sectors, Retried int64
	ControlClean     bool // a control disc read well in the same drive about then
	At               time.Time
}

// Retries are what a drive makes of a disc; they aren't error rates of the medium
// (which take a calibrated tester, IASA-TC 04, 8.1.9). So they are compared within one
// drive and speed only, with a control disc beside them. *Common practice.*
const (
	fadedTimes = 10
	fadedShare = 0.001
)

// FewRetries says that so many retried sectors say nothing.
func FewRetries(retried, sectors int64) bool { return float64(retried) <= fadedShare*float64(sectors) }

// Fading says that a disc should be copied before it can't be read any more: twice in a
// row ten times as many sectors needed several tries as at the first reading in that
// drive at that speed, and more than one in a thousand, while a control disc read well.
// first and last are the readings that were compared.
func Fading(rs []DiscReading) (first, last DiscReading, yes bool) {
	if len(rs) == 0 {
		return first, last, false
	}
	last = rs[len(rs)-1]
	if last.Drive == "" {
		return first, last, false // an image tells nothing of a disc's wear
	}
	var same []DiscReading
	for _, r := range rs {
		if r.Drive == last.Drive && r.Speed == last.Speed {
			same = append(same, r)
		}
	}
	if len(same) < 3 {
		return first, last, false
	}
	first = same[0]
	for _, r := range same[len(same)-2:] {
		if !r.ControlClean || FewRetries(r.Retried, r.Sectors) || r.Retried < fadedTimes*max(1, first.Retried) {
			return first, last, false
		}
	}
	return first, last, true
}

// DiscClass is a class of discs that are changed alike.
type DiscClass struct {
	AnyGain bool
	Gain    float64 // dB
	Within  float64 // dB to either side
}

// SameGain is how far apart the gains of discs that were burned alike may be measured,
// in dB. *Common practice.*
const SameGain = 0.5

// Covers says that a disc that is louder by gain dB is of the class.
func (c DiscClass) Covers(gain float64) bool {
	return c.AnyGain || gain >= c.Gain-c.Within && gain <= c.Gain+c.Within
}
