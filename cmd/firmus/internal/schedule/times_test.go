package schedule_test

import (
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"firmus/cmd/firmus/internal/schedule"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// Berlin's clock went from 02:00 to 03:00 on 29 March 2026 and goes from 03:00 back
// to 02:00 on 25 October 2026 (European summer time, directive 2000/84/EC).
func TestNext(t *testing.T) {
	for _, c := range []struct{ name, zone, text, after, want string }{
		{"nightly", "Europe/Berlin", "0 1 * * *", "2026-03-10T12:00:00+01:00", "2026-03-11T01:00:00+01:00"},
		{"strictly after", "Europe/Berlin", "0 1 * * *", "2026-03-10T01:00:00+01:00", "2026-03-11T01:00:00+01:00"},
		{"skipped by the clock: the moment of the change", "Europe/Berlin", "30 2 * * *", "2026-03-28T12:00:00+01:00", "2026-03-29T03:00:00+02:00"},
		{"and the day after as ever", "Europe/Berlin", "30 2 * * *", "2026-03-29T03:00:00+02:00", "2026-03-30T02:30:00+02:00"},
		{"shown twice: the first time", "Europe/Berlin", "30 2 * * *", "2026-10-24T12:00:00+02:00", "2026-10-25T02:30:00+02:00"},
		{"and not again", "Europe/Berlin", "30 2 * * *", "2026-10-25T02:30:00+02:00", "2026-10-26T02:30:00+01:00"},
		{"nor from between the two", "Europe/Berlin", "30 2 * * *", "2026-10-25T02:10:00+01:00", "2026-10-26T02:30:00+01:00"},
		{"half an hour (Lord Howe), skipped", "Australia/Lord_Howe", "15 2 * * *", "2026-10-03T12:00:00+10:30", "2026-10-04T02:30:00+11:00"},
		{"hourly over the change forward", "Europe/Berlin", "0 * * * *", "2026-03-29T01:00:00+01:00", "2026-03-29T03:00:00+02:00"},
		{"hourly over the change back", "Europe/Berlin", "0 * * * *", "2026-10-25T02:00:00+02:00", "2026-10-25T03:00:00+01:00"},
		{"weekday", "UTC", "0 9 * * 1", "2026-03-10T00:00:00Z", "2026-03-16T09:00:00Z"},
		{"leap day", "UTC", "0 3 29 2 *", "2026-03-10T00:00:00Z", "2028-02-29T03:00:00Z"},
		{"far west", "America/Los_Angeles", "0 1 * * *", "2026-07-01T12:00:00-07:00", "2026-07-02T01:00:00-07:00"},
		{"a day that was never there (Apia, 30 December 2011)", "Pacific/Apia", "0 1 * * *", "2011-12-29T12:00:00-10:00", "2011-12-31T00:00:00+14:00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			x, err := schedule.Parse(c.text, zone(t, c.zone))
			if err != nil {
				t.Fatal(err)
			}
			after, err := time.Parse(time.RFC3339, c.after)
			if err != nil {
				t.Fatal(err)
			}
			if got := x.Next(after).Format(time.RFC3339); got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
		})
	}
}

// Every day has just one nightly time, in whatever zone and whatever its clock does,
// and times never go back.
func TestOneADay(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Africa/Casablanca", "America/Santiago", "UTC"} {
		for _, text := range []string{"30 2 * * *", "0 0 * * *", "59 23 * * *", "0 1 * * *", "30 3 * * *"} {
			x, err := schedule.Parse(text, zone(t, name))
			if err != nil {
				t.Fatal(err)
			}
			at := x.Next(time.Date(2026, 1, 1, 12, 0, 0, 0, zone(t, name)))
			for range 800 {
				next := x.Next(at)
				y, m, d := at.Date()
				if day := time.Date(y, m, d+1, 12, 0, 0, 0, time.UTC).Format(time.DateOnly); next.Format(time.DateOnly) != day {
					t.Fatalf("%s in %s: %s comes after %s", text, name, next, at)
				}
				at = next
			}
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, text := range []string{"", "0 1 * *", "0 1 * * * *", "TZ=Europe/Berlin", "CRON_TZ=", "TZ= 0 1 * * *", "@every 1h", "@daily", "0 25 * * *", "0 1 * * 7", "x y z a b", "0 0 31 2 *", "0 0 30 2 *"} {
		if x, err := schedule.Parse(text, time.UTC); err == nil {
			t.Errorf("%q was taken as %v", text, x.Upcoming(time.Unix(0, 0), 2))
		} else if strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: more than a line: %v", text, err)
		}
	}
}

func TestBetween(t *testing.T) {
	x, err := schedule.Parse("0 1 * * *", time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 3, 1, 1, 0, 0, 0, time.UTC)
	got, n := x.Between(from, from.AddDate(0, 0, 10), 3)
	if n != 10 || len(got) != 3 || !got[2].Equal(from.AddDate(0, 0, 10)) {
		t.Errorf("%d, %v", n, got)
	}
}

func TestWindow(t *testing.T) {
	night := schedule.Window{From: 22 * time.Hour, To: 6 * time.Hour}
	at := func(h, m int) time.Time { return time.Date(2026, 3, 10, h, m, 0, 0, time.UTC) }
	for _, c := range []struct {
		name  string
		w     schedule.Window
		at    time.Time
		open  bool
		opens time.Time
	}{
		{"whole day", schedule.Window{}, at(13, 0), true, at(13, 0)},
		{"before it", night, at(21, 59), false, at(22, 0)},
		{"at its beginning", night, at(22, 0), true, at(22, 0)},
		{"after midnight", night, at(5, 59), true, at(5, 59)},
		{"at its end", night, at(6, 0), false, at(22, 0)},
		{"by day, over", schedule.Window{From: 9 * time.Hour, To: 17 * time.Hour}, at(17, 0), false, at(9, 0).AddDate(0, 0, 1)},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := c.w.Open(c.at); got != c.open {
				t.Errorf("open: %v", got)
			}
			if got := c.w.Opens(c.at); !got.Equal(c.opens) {
				t.Errorf("opens: %v, want %v", got, c.opens)
			}
		})
	}
	if got := night.Length(); got != 8*time.Hour {
		t.Errorf("length: %v", got)
	}
}
