package register_test

import (
	"fmt"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/register"
)

func text(s string) register.Cell { return register.Cell{Text: s, Kind: register.TextCell} }

func number(s string, v float64) register.Cell {
	return register.Cell{Text: s, Number: v, IsNumber: true, Kind: register.NumberCell}
}

func duration(s string, seconds float64) register.Cell {
	return register.Cell{Text: s, Number: seconds, IsNumber: true, Kind: register.DurationCell}
}

func clock(s string, seconds float64) register.Cell {
	return register.Cell{Text: s, Number: seconds, IsNumber: true, Kind: register.ClockCell}
}

func TestLength(t *testing.T) {
	for _, c := range []struct {
		cell register.Cell
		want string
	}{
		{text(""), "[]"},
		{text("n/a"), "[]"},
		{text("?"), "[]"},
		{text("31:52"), "[31m52s±19.12s]"},
		{text("31:7"), "[31m7s±18.67s]"},
		{text("0:31:52"), "[31m52s±19.12s]"},
		{text("0:31:52,4"), "[31m52.4s±19.124s]"},
		{text("1:02:03"), "[1h2m3s±37.23s]"},
		{text("2:10"), "[2m10s±3s 2h10m0s±1m18s]"},
		{text("00:31"), "[31s±3s 31m0s±1m0s]"},
		{text("31 min"), "[31m0s±30s]"},
		{text("appx 31 min"), "[31m0s±30s]"},
		{text("approx. 31 min."), "[31m0s±30s]"},
		{text("ca. 31'"), "[31m0s±30s]"},
		{text("31 min ?"), "[31m0s±30s]"},
		{text("~2:30:00"), "[2h30m0s±1m30s?]"},
		{text("31 min 7 s"), "[31m7s±18.67s]"},
		{text("31′07″"), "[31m7s±18.67s]"},
		{text("31'07"), "[31m7s±18.67s]"},
		{text("1h02"), "[1h2m0s±30s]"},
		{text("1 hr 2 min"), "[1h2m0s±30s]"},
		{text("1.5 h"), "[1h30m0s±54s]"},
		{text("PT31M52S"), "[31m52s±19.12s]"},
		{text("90 sec"), "[1m30s±3s]"},
		{text("31-33 min"), "[32m0s±1m30s]"},
		{text("31"), "[31m0s±30s]"},
		{text("31.52"), "[31m52s±19.12s 31m31.2s±18.912s]"},
		{text("31,52"), "[31m52s±19.12s 31m31.2s±18.912s]"},
		{text("31.75"), "[31m45s±19.05s]"},
		{text("0.022"), "[31m41s±43.2s]"},
		{number("0.022", 0.022), "[31m41s±43.2s]"},
		{number("0.02", 0.0221296296296296), "[31m52s±19.12s]"},
		{number("31.52", 31.52), "[31m52s±19.12s 31m31.2s±18.912s]"},
		{number("31.50", 31.5), "[31m50s±19.1s 31m30s±18.9s]"},
		{number("31", 31), "[31m0s±30s]"},
		{number("1912", 1912), "[31h52m0s±19m7.2s 31m52s±19.12s]"},
		{number("3.75", 3.75), "[3m45s±3s 90h0m0s±54m0s?]"},
		{duration("0:31:52", 1911.999999999997), "[31m52s±19.12s]"},
		{duration("31:52:00", 31*3600+52*60), "[31h52m0s±19m7.2s?]"},
		{duration("90:00:00", 90*3600), "[90h0m0s±54m0s?]"},
		{clock("31:52", 31*3600+52*60), "[31m52s±19.12s 31h52m0s±19m7.2s]"},
		{clock("07:04", 7*3600+4*60), "[7m4s±4.24s 7h4m0s±4m14.4s]"},
		{clock("00:31", 1912), "[31m52s±19.12s]"},
		{clock("18:00", 3.75*86400), "[1h30m0s±54s 90h0m0s±54m0s]"},

		{duration("-0:00:05", -5), "negative"},
		{text("-31:52"), "negative"},
		{number("-3", -3), "negative"},
		{text("both sides full"), "text"},
		{text("2 x 31 min"), "text"},
		{text("31:75"), "text"},
		{text("1:75:00"), "text"},
		{text("A 31:52 B 30:10"), "text"},
		{text("#DIV/0!"), "error"},
		{register.Cell{Text: "#DIV/0!", Kind: register.ErrorCell}, "error"},
		{register.Cell{Kind: register.UnsavedCell}, "unsaved"},
		{register.Cell{Text: "2026-03-04", Kind: register.DateCell, Number: 46085, IsNumber: true}, "date"},
	} {
		l, trouble := register.ReadLength(c.cell)
		got := string(trouble)
		if got == "" {
			got = "["
			for i, r := range l.Readings {
				if i > 0 {
					got += " "
				}
				got += fmt.Sprintf("%v±%v", r.Length, r.Tolerance)
				if r.Sixty {
					got += "?"
				}
			}
			got += "]"
		}
		if got != c.want {
			t.Errorf("%s %q: %s, want %s", c.cell.Kind, c.cell.Text, got, c.want)
		}
	}
	l, _ := register.ReadLength(number("0.022", 0.022))
	for d, fits := range map[time.Duration]bool{31*time.Minute + 52*time.Second: true, 32*time.Minute + 24*time.Second: true, 32*time.Minute + 25*time.Second: false} {
		if l.Fits(d) != fits {
			t.Errorf("0.022 of a day fits %s: %v", d, !fits)
		}
	}
}
