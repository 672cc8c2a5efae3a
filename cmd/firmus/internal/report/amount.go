package report

import (
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Much is an amount in words: "24 files of 2 items, 41 min of sound".
func Much(a ledger.Amount) string {
	s := fixity.Count(a.Files, "file")
	if a.Items > 0 {
		s += " of " + fixity.Count(a.Items, "item")
	}
	if a.Sound >= time.Second {
		s += ", " + Sound(a.Sound)
	}
	return s
}

// Sound is a length of sound as an amount: "41 min of sound".
func Sound(d time.Duration) string { return Hours(int64(d/time.Second)) + " of sound" }

// Hours is a length of sound for a person: "431 h 20 min".
func Hours(seconds int64) string {
	switch {
	case seconds >= 3600:
		return fmt.Sprintf("%s h %d min", fixity.Number(seconds/3600), seconds/60%60)
	case seconds >= 60:
		return fmt.Sprintf("%d min", seconds/60)
	}
	return fmt.Sprintf("%d s", seconds)
}

// Days is a time that was promised, for a person: "30 days".
func Days(d time.Duration) string {
	if d >= 48*time.Hour {
		return fixity.Count(int64(d/(24*time.Hour)), "day")
	}
	return d.String()
}

// Clock is a length as 31:52, to a second; "" if it isn't known.
func Clock(d time.Duration) string {
	if d = d.Round(time.Second); d <= 0 {
		return ""
	}
	return clock(int64(d / time.Second))
}

func clock(seconds int64) string {
	if seconds < 3600 {
		return fmt.Sprintf("%d:%02d", seconds/60, seconds%60)
	}
	return fmt.Sprintf("%d:%02d:%02d", seconds/3600, seconds/60%60, seconds%60)
}
