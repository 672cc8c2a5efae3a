package schedule_test

import (
	"testing"
	"time"

	"firmus/cmd/firmus/internal/schedule"
)

// FuzzParse: a schedule that is taken comes again and again, each time later, in whatever
// zone.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"0 1 * * *", "*/5 22-6 1,15 * 1-5", "59 23 31 12 7", "0 0 29 2 *", "30 2 * * SUN", "0 0 31 2 *", "@daily", "TZ=UTC 0 1 * * *", "? ? ? ? ?", "0-99999999 1 * * *", "*/0 1 * * *"} {
		f.Add(s, int64(1772366400), uint8(len(s)))
	}
	zones := []string{"UTC", "Europe/Berlin", "Australia/Lord_Howe", "Pacific/Apia", "America/Santiago"}
	f.Fuzz(func(t *testing.T, text string, at int64, where uint8) {
		x, err := schedule.Parse(text, zone(t, zones[int(where)%len(zones)]))
		if err != nil {
			return
		}
		if x.String() != text {
			t.Errorf("%q is %q", text, x)
		}
		last := time.Unix(at%(1<<33), 0)
		for range 5 {
			next := x.Next(last)
			if !next.After(last) {
				t.Fatalf("%q: after %s comes %s", text, last, next)
			}
			last = next
		}
	})
}
