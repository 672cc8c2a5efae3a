package damage

import (
	"fmt"
	"time"
)

// Columns are which of width equal parts of a recording's length the spans touch. The
// smallest damage touches one. What was added behind the end is at the end; spans outside
// the sound touch none. It is nil if length or width is 0.
func Columns(spans []Span, length time.Duration, width int) []bool {
	if length <= 0 || width <= 0 {
		return nil
	}
	touched := make([]bool, width)
	column := float64(length) / float64(width)
	for _, s := range spans {
		if !s.InSound {
			continue
		}
		from, to := max(0, s.From), min(length, s.To)
		first := min(width-1, int(float64(from)/column))
		for i := first; i < width && (i == first || float64(i)*column < float64(to)); i++ {
			touched[i] = true
		}
	}
	return touched
}

// Clock writes a time in a recording as h:mm:ss.mmm, the thousandths cut off.
func Clock(d time.Duration) string {
	d = max(0, d)
	return fmt.Sprintf("%d:%02d:%02d.%03d", d/time.Hour, d/time.Minute%60, d/time.Second%60, d/time.Millisecond%1000)
}
