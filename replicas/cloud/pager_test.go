package cloud

import (
	"fmt"
	"strings"
	"testing"
)

// Pages are followed to their end, and no longer than what a folder can hold lasts.
func TestPagesNeverGoOnForEver(t *testing.T) {
	for _, tc := range []struct {
		name   string
		token  func(i int) string
		things func(i int) int
		pages  int // that are taken; 0: all of 1,200
		want   string
	}{
		{"a full folder", func(i int) string { return fmt.Sprint(i) }, func(int) int { return 800 }, 0, ""},
		{"empty ones among others", func(i int) string { return fmt.Sprint(i) }, func(i int) int { return i % idlePages / (idlePages - 1) }, 0, ""},
		{"the same things by ever new tokens", func(i int) string { return fmt.Sprint(i) }, func(int) int { return 1000 }, 1000, "they named 1001000 things"},
		{"nothing by ever new tokens", func(i int) string { return fmt.Sprint(i) }, func(int) int { return 0 }, 199, "there was nothing on 200 in a row"},
		{"the same page", func(int) string { return "next" }, func(int) int { return 1000 }, 1, "the same page over and over"},
		{"round and round", func(i int) string { return fmt.Sprint(i % 7) }, func(int) int { return 1000 }, 7, "the same page over and over"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p, n := newPager(holds), 0
			var err error
			for ; n < 1200; n++ {
				if err = p.next(tc.token(n), tc.things(n)); err != nil {
					break
				}
			}
			switch {
			case tc.want == "" && err != nil:
				t.Error(err)
			case tc.want != "" && (err == nil || !strings.Contains(err.Error(), tc.want) || n != tc.pages):
				t.Errorf("after %d pages %v, want %d and %q", n, err, tc.pages, tc.want)
			}
		})
	}
}
