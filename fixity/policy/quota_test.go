package policy_test

import (
	"fmt"
	"testing"

	"firmus/fixity/policy"
)

func TestQuota(t *testing.T) {
	for _, c := range []struct {
		name  string
		q     policy.Quota
		sizes []int64
		want  string // a digit for each whose turn has come
	}{
		{"no bound", policy.Quota{Used: 1000}, []int64{500, 1 << 60}, "11"},
		{"as many as fit", policy.Quota{ADay: 100}, []int64{40, 40, 20, 1}, "1110"},
		{"none overtakes", policy.Quota{ADay: 100}, []int64{40, 70, 10}, "100"},
		{"read before", policy.Quota{ADay: 100, Used: 60}, []int64{40, 1}, "10"},
		{"all read", policy.Quota{ADay: 100, Used: 100}, []int64{1, 1}, "00"},
		{"longer than a day, alone", policy.Quota{ADay: 100}, []int64{250, 10}, "10"},
		{"longer than a day, after an empty one", policy.Quota{ADay: 100}, []int64{0, 250, 0}, "110"},
		{"longer than a day, not after another", policy.Quota{ADay: 100}, []int64{10, 250}, "10"},
		{"a little was read for another reason", policy.Quota{ADay: 100, Used: 10}, []int64{95, 10}, "10"},
		{"more was read", policy.Quota{ADay: 100, Used: 11}, []int64{95, 10}, "00"},
		{"empty ones take nothing", policy.Quota{ADay: 100, Used: 100}, []int64{0, 0}, "11"},
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
	var q policy.Quota
	if fmt.Sprint(q.Take(5), q.Used) != "true 0" {
		t.Error("without a bound nothing is counted")
	}
}
