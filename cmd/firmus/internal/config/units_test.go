package config_test

import (
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/config"
)

func TestDuration(t *testing.T) {
	cases := []struct {
		text, again string
		want        config.Duration
	}{
		{"2s", "2s", config.Duration(2 * time.Second)},
		{"90m", "90m", config.Duration(90 * time.Minute)},
		{"12h", "12h", config.Day / 2},
		{"24h", "1d", config.Day},
		{"30d", "30d", 30 * config.Day},
		{"90d", "90d", 90 * config.Day},
		{"2w", "14d", 14 * config.Day},
		{"3y", "3y", 3 * 365 * config.Day},
		{"365d", "1y", config.Year},
		{"0d", "0s", 0},
		{"100y", "100y", 100 * config.Year},
	}
	for _, c := range cases {
		var d, e config.Duration
		if err := d.UnmarshalText([]byte(c.text)); err != nil || d != c.want || d.String() != c.again {
			t.Errorf("%q = %v, %v, want %v", c.text, d, err, c.again)
		}
		if err := e.UnmarshalText([]byte(d.String())); err != nil || e != d {
			t.Errorf("%q, written as %q, is read as %v, %v", c.text, d, e, err)
		}
	}
	for _, text := range []string{"", "d", "3", "-3d", "3 days", "3D", "3mo", "1h30m", "1.5d", "101y", "9999999999y", "999999999999s", "٣d"} {
		d := config.Duration(1)
		if err := d.UnmarshalText([]byte(text)); err == nil || d != 1 {
			t.Errorf("%q = %v, %v, want an error", text, d, err)
		}
	}
}

func TestRate(t *testing.T) {
	for text, want := range map[string]config.Rate{
		"1B/s": 1, "64kB/s": 64_000, "20MB/s": 20_000_000, "20 MB/s": 20_000_000, "1.5MB/s": 1_500_000, "1GiB/s": 1 << 30, "0.001kB/s": 1,
	} {
		var r config.Rate
		if err := r.UnmarshalText([]byte(text)); err != nil || r != want {
			t.Errorf("%q = %d, %v, want %d", text, r, err, want)
		}
	}
	for _, text := range []string{"", "20", "20MB", "20mb/s", "20Mb/s", "0MB/s", "-1MB/s", "1e3B/s", "9999999999GB/s", "MB/s"} {
		r := config.Rate(1)
		if err := r.UnmarshalText([]byte(text)); err == nil || r != 1 {
			t.Errorf("%q = %d, %v, want an error", text, r, err)
		}
	}
}

func TestSize(t *testing.T) {
	for text, want := range map[string]config.Size{
		"1B": 1, "64kB": 64_000, "20GB": 20_000_000_000, "20 GB": 20_000_000_000, "1.5TB": 1_500_000_000_000, "1TiB": 1 << 40, "0.001kB": 1,
	} {
		var z config.Size
		if err := z.UnmarshalText([]byte(text)); err != nil || z != want {
			t.Errorf("%q = %d, %v, want %d", text, z, err, want)
		}
	}
	for _, text := range []string{"", "20", "20GB/s", "20gb", "20Gb", "0GB", "-1GB", "1e3B", "9999999999TB", "GB"} {
		z := config.Size(1)
		if err := z.UnmarshalText([]byte(text)); err == nil || z != 1 {
			t.Errorf("%q = %d, %v, want an error", text, z, err)
		}
	}
}

func TestWindow(t *testing.T) {
	at := func(h, m int) time.Duration { return time.Duration(h)*time.Hour + time.Duration(m)*time.Minute }
	cases := []struct {
		text    string
		in, out []time.Duration
	}{
		{"22:00-06:00", []time.Duration{at(22, 0), at(23, 59), 0, at(5, 59)}, []time.Duration{at(6, 0), at(12, 0), at(21, 59)}},
		{"01:30-05:00", []time.Duration{at(1, 30), at(4, 59)}, []time.Duration{0, at(1, 29), at(5, 0), at(23, 0)}},
		{"18:00-00:00", []time.Duration{at(18, 0), at(23, 59)}, []time.Duration{0, at(17, 59)}},
		{"00:00-06:00", []time.Duration{0, at(5, 59)}, []time.Duration{at(6, 0), at(23, 59)}},
	}
	for _, c := range cases {
		var w config.Window
		if err := w.UnmarshalText([]byte(c.text)); err != nil {
			t.Errorf("%q: %v", c.text, err)
		}
		for _, d := range c.in {
			if !w.Contains(d) {
				t.Errorf("%s doesn't contain %v", c.text, d)
			}
		}
		for _, d := range c.out {
			if w.Contains(d) {
				t.Errorf("%s contains %v", c.text, d)
			}
		}
		if text, err := w.MarshalText(); err != nil || string(text) != c.text {
			t.Errorf("%q is written as %q, %v", c.text, text, err)
		}
	}
	if (config.Window{}).Contains(at(12, 0)) == false {
		t.Error("the zero window isn't the whole day")
	}
}

func TestWeekly(t *testing.T) {
	for text, want := range map[string]config.Weekly{
		"Monday 09:00":   {Day: time.Monday, At: 9 * time.Hour},
		"sunday 23:59":   {Day: time.Sunday, At: 23*time.Hour + 59*time.Minute},
		"SATURDAY 00:00": {Day: time.Saturday},
	} {
		var w config.Weekly
		if err := w.UnmarshalText([]byte(text)); err != nil || w != want {
			t.Errorf("%q: %v, %v", text, w, err)
		}
		again, err := w.MarshalText()
		if err != nil || !strings.EqualFold(string(again), text) {
			t.Errorf("%q is written as %q, %v", text, again, err)
		}
	}
	for _, text := range []string{"", "Monday", "Mon 09:00", "Monday 9:00", "Monday 24:00", "09:00", "Monday  09:00", "Montag 09:00", "Monday 09:00 "} {
		w := config.Weekly{Day: time.Friday, At: time.Hour}
		if err := w.UnmarshalText([]byte(text)); err == nil || w != (config.Weekly{Day: time.Friday, At: time.Hour}) {
			t.Errorf("%q: %v, %v; want an error and nothing changed", text, w, err)
		}
	}
}

func TestDays(t *testing.T) {
	var d config.Days
	if err := d.UnmarshalText([]byte("2026-12-24/2027-01-02")); err != nil {
		t.Fatal(err)
	}
	far := time.FixedZone("", 14*3600)
	cases := []struct {
		at   time.Time
		want bool
	}{
		{time.Date(2026, 12, 23, 23, 59, 59, 0, time.UTC), false},
		{time.Date(2026, 12, 24, 0, 0, 0, 0, time.UTC), true},
		{time.Date(2027, 1, 2, 23, 59, 59, 0, time.UTC), true},
		{time.Date(2027, 1, 3, 0, 0, 0, 0, time.UTC), false},
		{time.Date(2026, 12, 24, 0, 0, 0, 0, far), true}, // still the 23rd in UTC
	}
	for _, c := range cases {
		if got := d.Contain(c.at); got != c.want {
			t.Errorf("%v: %v, want %v", c.at, got, c.want)
		}
	}
}
