package config

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"firmus/fixity/expr"
)

// Duration is a length of time as the configuration writes it: a whole number and
// one unit, s, m, h, d (24 hours), w (7 days) or y (365 days).
type Duration time.Duration

// Units of a Duration.
const (
	Day  = Duration(24 * time.Hour)
	Week = 7 * Day
	Year = 365 * Day
)

var (
	durationUnits = []struct {
		name string
		size Duration
	}{
		{"y", Year}, {"w", Week}, {"d", Day},
		{"h", Duration(time.Hour)}, {"m", Duration(time.Minute)}, {"s", Duration(time.Second)},
	}
	number = expr.Once(`^([0-9]{1,12}(?:\.[0-9]{1,3})?) ?([A-Za-z/]+)$`)
)

const longest = 100 * Year

// UnmarshalText reads a Duration. It is left as it was with an error.
func (d *Duration) UnmarshalText(text []byte) error {
	m := number().FindStringSubmatch(string(text))
	if m == nil {
		return fmt.Errorf(`%q is not a length of time such as "12h", "30d", "2w" or "3y"`, text)
	}
	n, err := strconv.ParseInt(m[1], 10, 64)
	for _, u := range durationUnits {
		if u.name == m[2] && err == nil {
			if n > int64(longest/u.size) {
				return fmt.Errorf("%q is longer than 100 years", text)
			}
			*d = Duration(n) * u.size
			return nil
		}
	}
	return fmt.Errorf(`%q is not a length of time such as "12h", "30d", "2w" or "3y"`, text)
}

// String writes a Duration as it is read, in the largest unit that fits, weeks
// aside: "30d", "3y", "90m". A fraction of a second is cut off.
func (d Duration) String() string {
	for _, u := range durationUnits {
		if u.name != "w" && d >= u.size && d%u.size == 0 {
			return strconv.FormatInt(int64(d/u.size), 10) + u.name
		}
	}
	return strconv.FormatInt(int64(d/Duration(time.Second)), 10) + "s"
}

// MarshalText is String.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// Rate is in bytes a second.
type Rate int64

// UnmarshalText reads a Rate such as "20MB/s" or "1.5MiB/s": kB, MB and GB are
// powers of 1000, KiB, MiB and GiB of 1024. It is left as it was with an error.
func (r *Rate) UnmarshalText(text []byte) error {
	v, ok := bytesOf(strings.CutSuffix(string(text), "/s"))
	if !ok {
		return fmt.Errorf(`%q is not a rate such as "20MB/s"`, text)
	}
	if v < 1 || v > 1e15 {
		return fmt.Errorf("%q is not between 1 byte and 1,000,000 GB a second", text)
	}
	*r = Rate(v)
	return nil
}

// Size is in bytes.
type Size int64

// UnmarshalText reads a Size such as "20GB" or "1.5TiB", with the units of a Rate and
// TB and TiB. It is left as it was with an error.
func (z *Size) UnmarshalText(text []byte) error {
	v, ok := bytesOf(string(text), true)
	if !ok {
		return fmt.Errorf(`%q is not a size such as "20GB"`, text)
	}
	if v < 1 || v > 1e18 {
		return fmt.Errorf("%q is not between 1 byte and 1,000,000 TB", text)
	}
	*z = Size(v)
	return nil
}

// bytesOf reads a number of bytes; ok says that there is one to read.
func bytesOf(text string, ok bool) (float64, bool) {
	m := number().FindStringSubmatch(text)
	if m == nil || !ok {
		return 0, false
	}
	unit, ok := map[string]float64{
		"B": 1, "kB": 1e3, "MB": 1e6, "GB": 1e9, "TB": 1e12, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30, "TiB": 1 << 40,
	}[m[2]]
	n, err := strconv.ParseFloat(m[1], 64)
	return math.Round(n * unit), ok && err == nil
}

// Window is a part of the day, by the local clock: From is in it, To isn't. It may
// span midnight. The zero Window is the whole day.
type Window struct{ From, To time.Duration } // since midnight

// UnmarshalText reads a Window such as "22:00-06:00". It is left as it was with an
// error.
func (w *Window) UnmarshalText(text []byte) error {
	from, to, ok := strings.Cut(string(text), "-")
	f, err1 := clock(from)
	t, err2 := clock(to)
	if !ok || err1 != nil || err2 != nil {
		return fmt.Errorf(`%q is not a part of the day such as "22:00-06:00"`, text)
	}
	if f == t {
		return fmt.Errorf("%q begins when it ends: leave it out for the whole day", text)
	}
	*w = Window{f, t}
	return nil
}

func clock(s string) (time.Duration, error) {
	t, err := time.Parse("15:04", s)
	if err != nil || len(s) != len("15:04") {
		return 0, errors.New("not a time of day")
	}
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, nil
}

// Contains says that the time of day, since midnight by the local clock, is in w.
func (w Window) Contains(at time.Duration) bool {
	if w.From <= w.To {
		return w == Window{} || w.From <= at && at < w.To
	}
	return at >= w.From || at < w.To
}

// MarshalText writes a Window as it is read, the zero one as nothing.
func (w Window) MarshalText() ([]byte, error) {
	if w == (Window{}) {
		return nil, nil
	}
	part := func(d time.Duration) string { return time.Time{}.Add(d).Format("15:04") }
	return []byte(part(w.From) + "-" + part(w.To)), nil
}

// Weekly is a time once a week, by the local clock.
type Weekly struct {
	Day time.Weekday
	At  time.Duration // since midnight
}

// UnmarshalText reads a Weekly such as "Monday 09:00". It is left as it was with an
// error.
func (w *Weekly) UnmarshalText(text []byte) error {
	name, at, _ := strings.Cut(string(text), " ")
	t, err := clock(at)
	for d := time.Sunday; d <= time.Saturday && err == nil; d++ {
		if strings.EqualFold(name, d.String()) {
			*w = Weekly{d, t}
			return nil
		}
	}
	return fmt.Errorf(`%q is not a day and a time such as "Monday 09:00"`, text)
}

// MarshalText writes a Weekly as it is read.
func (w Weekly) MarshalText() ([]byte, error) {
	return []byte(w.Day.String() + " " + time.Time{}.Add(w.At).Format("15:04")), nil
}

// Days are calendar days, the first and the last included, without a time zone.
type Days struct{ First, Last string } // "2006-01-02"

// UnmarshalText reads "2026-12-24/2027-01-02" (ISO 8601-1, section 5.5) or one
// day. It is left as it was with an error.
func (d *Days) UnmarshalText(text []byte) error {
	first, last, ok := strings.Cut(string(text), "/")
	if !ok {
		last = first
	}
	for _, day := range []string{first, last} {
		if _, err := time.Parse(time.DateOnly, day); err != nil {
			return fmt.Errorf(`%q is not a day or two such as "2026-12-24/2027-01-02"`, text)
		}
	}
	if last < first {
		return fmt.Errorf("%q ends before it begins", text)
	}
	*d = Days{first, last}
	return nil
}

// MarshalText writes Days as they are read.
func (d Days) MarshalText() ([]byte, error) { return []byte(d.First + "/" + d.Last), nil }

// Contain says that the calendar day of t, in t's own time zone, is one of d.
func (d Days) Contain(t time.Time) bool {
	day := t.Format(time.DateOnly)
	return d.First <= day && day <= d.Last
}
