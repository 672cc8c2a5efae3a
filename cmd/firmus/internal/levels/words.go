package levels

import (
	"fmt"
	"time"

	"firmus/fixity"
)

func count(n int64, noun string) string { return fixity.Count(n, noun) }
func number(n int64) string             { return fixity.Number(n) }
func day(t time.Time) string            { return t.Local().Format("2 Jan 2006") }

// are is a number of copies with its verb.
func are(n int64) string { return fixity.Counted(n, "copy", "is", "are") }

func times(n int64) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%s times", fixity.Number(n))
}

func days(d time.Duration) string {
	if n := int64(d / (24 * time.Hour)); n > 1 {
		return fixity.Count(n, "day")
	} else if n == 1 {
		return "day"
	}
	return d.String()
}
