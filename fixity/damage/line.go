package damage

import (
	"fmt"
	"strings"
	"time"
)

// LineWidth is the usual number of columns of a time line.
const LineWidth = 60

// marks of a time line: nothing wrong, damaged in part, damaged as a whole, ends.
type marks struct{ sound, part, whole, open, end string }

var (
	asciiMarks = marks{".", "x", "#", "[", "]"}
	otherMarks = marks{"·", "▒", "█", "▕", "▏"}
)

// Line draws a recording's time line on one line of text, without a line end:
//
//	0:00:00.000 [..........x##x.....................] 0:31:52.000
//
// Each of its width columns is an equal part of the length of the recording: "."
// where nothing differs, "x" where part of it does, "#" where all of it does. The
// smallest damage has a mark. Spans outside the sound have no place on the line;
// if there are any, " + description" follows. With a length or width of 0 the
// line is "".
func Line(spans []Span, length time.Duration, width int, ascii bool) string {
	if length <= 0 || width <= 0 {
		return ""
	}
	m := otherMarks
	if ascii {
		m = asciiMarks
	}
	hurt := make([]float64, width) // nanoseconds of each column that are damaged
	touched := make([]bool, width)
	column := float64(length) / float64(width)
	description := false
	for _, s := range spans {
		if !s.InSound {
			description = true
			continue
		}
		from, to := max(0, s.From), min(length, s.To)
		if from >= length {
			// What was added behind the end is at the end.
			from, to = length-1, length
		}
		first := min(width-1, int(float64(from)/column))
		for i := first; i < width && (i == first || float64(i)*column < float64(to)); i++ {
			touched[i] = true
			lo, hi := max(float64(from), float64(i)*column), min(float64(to), float64(i+1)*column)
			hurt[i] += max(0, hi-lo)
		}
	}
	var b strings.Builder
	b.WriteString(Clock(0) + " " + m.open)
	for i := range width {
		switch {
		case !touched[i]:
			b.WriteString(m.sound)
		case hurt[i] >= column*(1-1e-9):
			b.WriteString(m.whole)
		default:
			b.WriteString(m.part)
		}
	}
	b.WriteString(m.end + " " + Clock(length))
	if description {
		b.WriteString(" + description")
	}
	return b.String()
}

// Clock writes a time in a recording as h:mm:ss.mmm, the thousandths cut off.
func Clock(d time.Duration) string {
	d = max(0, d)
	return fmt.Sprintf("%d:%02d:%02d.%03d", d/time.Hour, d/time.Minute%60, d/time.Second%60, d/time.Millisecond%1000)
}
