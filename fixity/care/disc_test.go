package care_test

import (
	"testing"
	"time"

	"firmus/fixity/care"
)

func TestFading(t *testing.T) {
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	r := func(retried int64, clean bool) care.DiscReading {
		at = at.AddDate(1, 0, 0)
		return care.DiscReading{Drive: "Wren 4000", Speed: 1411, Sectors: 100_000, Retried: retried, ControlClean: clean, At: at}
	}
	other := func(x care.DiscReading, drive string, speed int) care.DiscReading {
		x.Drive, x.Speed = drive, speed
		return x
	}
	for name, c := range map[string]struct {
		rs   []care.DiscReading
		want bool
	}{
		"nothing":                  {nil, false},
		"one bad reading":          {[]care.DiscReading{r(5000, true)}, false},
		"grown once":               {[]care.DiscReading{r(10, true), r(10, true), r(500, true)}, false},
		"grown twice":              {[]care.DiscReading{r(10, true), r(500, true), r(500, true)}, true},
		"not ten times":            {[]care.DiscReading{r(100, true), r(500, true), r(999, true)}, false},
		"ten times few":            {[]care.DiscReading{r(1, true), r(90, true), r(100, true)}, false},
		"first none":               {[]care.DiscReading{r(0, true), r(101, true), r(101, true)}, true},
		"control disc bad":         {[]care.DiscReading{r(10, true), r(500, false), r(500, true)}, false},
		"no control disc":          {[]care.DiscReading{r(10, false), r(500, false), r(500, false)}, false},
		"well in between":          {[]care.DiscReading{r(10, true), r(500, true), r(10, true), r(500, true)}, false},
		"another drive":            {[]care.DiscReading{r(10, true), r(500, true), other(r(500, true), "Heron 2", 1411)}, false},
		"another speed":            {[]care.DiscReading{r(10, true), r(500, true), other(r(500, true), "Wren 4000", 706)}, false},
		"another drive in between": {[]care.DiscReading{r(10, true), r(500, true), other(r(9, true), "Heron 2", 1411), r(500, true)}, true},
		"an image":                 {[]care.DiscReading{other(r(1, true), "", 0), other(r(500, true), "", 0), other(r(500, true), "", 0)}, false},
	} {
		if _, _, got := care.Fading(c.rs); got != c.want {
			t.Errorf("%s: fading is %v, want %v", name, got, c.want)
		}
	}
}

func TestDiscClassCovers(t *testing.T) {
	c := care.DiscClass{Gain: 1.8, Within: care.SameGain}
	for gain, want := range map[float64]bool{1.8: true, 1.31: true, 2.29: true, 1.29: false, 2.31: false, -1.8: false} {
		if got := c.Covers(gain); got != want {
			t.Errorf("%v dB is covered: %v, want %v", gain, got, want)
		}
	}
	if !(care.DiscClass{AnyGain: true}).Covers(-40) {
		t.Error("any gain doesn't cover -40 dB")
	}
}
