package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// checkSchedule refuses what isn't five fields as crontab(5) describes them, with
// the two ways to name a weekday that mean something else to someone left out: 7
// for Sunday, and a day of the month beside a weekday, which means either.
func checkSchedule(s string) error {
	f := strings.Fields(s)
	if len(f) != 5 {
		return fmt.Errorf("%q must have five fields, minute, hour, day, month and weekday, such as \"0 1 * * *\"", s)
	}
	months := []string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}
	days := []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}
	for i, c := range []struct {
		what      string
		low, high int
		names     []string
	}{
		{"minute", 0, 59, nil}, {"hour", 0, 23, nil}, {"day", 1, 31, nil}, {"month", 1, 12, months}, {"weekday", 0, 6, days},
	} {
		for part := range strings.SplitSeq(f[i], ",") {
			if !isPart(part, c.low, c.high, c.names) {
				return fmt.Errorf("%s %q must be from %d to %d", c.what, f[i], c.low, c.high)
			}
		}
	}
	if !strings.HasPrefix(f[2], "*") && !strings.HasPrefix(f[4], "*") {
		return fmt.Errorf("%q names a day of the month and a weekday, which means either of them: put * for one", s)
	}
	return nil
}

// isPart says that s is *, a value or a range, perhaps with a step.
func isPart(s string, low, high int, names []string) bool {
	s, step, stepped := strings.Cut(s, "/")
	if n, err := strconv.Atoi(step); stepped && (err != nil || n < 1 || n > high) {
		return false
	}
	if s == "*" {
		return true
	}
	value := func(s string) (int, bool) {
		if i := slices.Index(names, strings.ToLower(s)); i >= 0 {
			return i + low, true
		}
		n, err := strconv.Atoi(s)
		return n, err == nil && len(s) <= 2 && s[0] >= '0' && s[0] <= '9' && n >= low && n <= high
	}
	from, to, ranged := strings.Cut(s, "-")
	a, ok := value(from)
	if !ranged || !ok {
		return ok
	}
	b, ok := value(to)
	return ok && a <= b
}
