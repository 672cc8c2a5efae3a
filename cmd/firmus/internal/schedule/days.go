package schedule

import "time"

// Days gives a Plan's Closed for spans of days, each "2006-01-02", the first and the
// last included.
func Days(spans [][2]string) func(day time.Time) bool {
	if len(spans) == 0 {
		return nil
	}
	return func(at time.Time) bool {
		d := at.Format(time.DateOnly)
		for _, s := range spans {
			if s[0] <= d && d <= s[1] {
				return true
			}
		}
		return false
	}
}
