package care_test

import (
	"fmt"
	"testing"

	"firmus/fixity/care"
)

func TestQuota(t *testing.T) {
	for _, c := range []struct {
		name  string
		q     care.Quota
		sizes []int64
		want  string // a digit for each whose turn has come
	}{
		{"no bound", care.Quota{Used: 1000}, []int64{500, 1 << 60}, "11"},
		{"as many as fit", care.Quota{ADay: 100}, []int64{40, 40, 20, 1}, "1110"},
		{"none overtakes", care.Quota{ADay: 100}, []int64{40, 70, 10}, "100"},
		{"read before", care.Quota{ADay: 100, Used: 60}, []int64{40, 1}, "10"},
		{"all read", care.Quota{ADay: 100, Used: 100}, []int64{1, 1}, "00"},
		{"longer than a day, alone", care.Quota{ADay: 100}, []int64{250, 10}, "10"},
		{"longer than a day, after an empty one", care.Quota{ADay: 100}, []int64{0, 250, 0}, "110"},
		{"longer than a day, not after another", care.Quota{ADay: 100}, []int64{10, 250}, "10"},
		{"a little was read for another reason", care.Quota{ADay: 100, Used: 10}, []int64{95, 10}, "10"},
		{"more was read", care.Quota{ADay: 100, Used: 11}, []int64{95, 10}, "00"},
		{"empty ones take nothing", care.Quota{ADay: 100, Used: 100}, []int64{0, 0}, "11"},
	} {
		got := ""
		for _, n := range c.sizes {
			if c.q.Take(n) {
				got += "1"
			} else {
				got += "0"
			}
		}
		if got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	var q care.Quota
	if fmt.Sprint(q.Take(5), q.Used) != "true 0" {
		t.Error("without a bound nothing is counted")
	}
}
