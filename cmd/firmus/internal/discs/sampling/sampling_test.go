package sampling_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"testing"

	"firmus/cmd/firmus/internal/discs/sampling"
)

// The chance of finding at least one of 5 bad ones in 100 with 10 draws is a worked example
// of auditing texts (41.6 %); the least numbers were computed by exact fractions.
func TestNotice(t *testing.T) {
	if p := sampling.Notice(100, 5, 10); math.Abs(p-0.416248) > 5e-7 {
		t.Errorf("5 of 100, 10 drawn: %v, want 0.416248", p)
	}
	// 15 of 60 are drawn and none is bad: 9 bad ones can't be excluded at 95 %, 10 can.
	for bad, want := range map[int]float64{9: 0.0599, 10: 0.0423} {
		if p := 1 - sampling.Notice(60, bad, 15); math.Abs(p-want) > 5e-5 {
			t.Errorf("none in 15 of 60 with %d bad: %v, want %v", bad, p, want)
		}
	}
	for _, c := range []struct{ all, bad, n, want int }{
		{100, 1, 95, 95}, {100, 2, 78, 78}, {100, 5, 45, 45}, {100, 10, 25, 25}, {200, 2, 155, 155},
		{300, 15, 54, 54}, {500, 25, 56, 56}, {1000, 10, 258, 258}, {1000, 50, 57, 57}, {1000, 100, 29, 29},
	} {
		if n := enough(c.all, c.bad, 0.95); n != c.want {
			t.Errorf("%d bad of %d: %d draws, want %d", c.bad, c.all, n, c.want)
		}
	}
	for _, c := range []struct {
		all, bad, n int
		want        float64
	}{{10, 0, 5, 0}, {10, 3, 0, 0}, {10, 3, 8, 1}, {10, 10, 1, 1}, {0, 0, 0, 0}} {
		if p := sampling.Notice(c.all, c.bad, c.n); math.Abs(p-c.want) > 1e-12 {
			t.Errorf("%d bad of %d, %d drawn: %v, want %v", c.bad, c.all, c.n, p, c.want)
		}
	}
}

// enough is the least number of draws with which a bad disc is noticed with the chance p,
// where bad of all are bad; all where no smaller number does.
func enough(all, bad int, p float64) int {
	return sort.Search(all, func(n int) bool { return sampling.Notice(all, bad, n) >= p-1e-12 })
}

// Exact intervals for draws without replacement, computed with fractions and by another
// program's hypergeometric distribution.
func TestBetween(t *testing.T) {
	for _, c := range []struct{ all, n, x, low, high int }{
		{100, 20, 2, 2, 29}, {500, 60, 3, 6, 66}, {60, 15, 0, 0, 11}, {1000, 100, 0, 0, 34}, {20000, 200, 4, 111, 1005},
		{10, 10, 3, 3, 3}, {10, 0, 0, 0, 10}, {1, 1, 1, 1, 1},
	} {
		if low, high := sampling.Between(c.all, c.n, c.x, 0.95); low != c.low || high != c.high {
			t.Errorf("%d of %d drawn of %d: %d to %d, want %d to %d", c.x, c.n, c.all, low, high, c.low, c.high)
		}
	}
}

// The NIST/SEMATECH e-Handbook of Statistical Methods works out 4 bad ones in 20 at 90 %:
// 0.0713539 to 0.4010281 of all. The exact interval comes to that where all are many.
func TestBetweenComesToTheBinomialInterval(t *testing.T) {
	const all = 20_000_000
	low, high := sampling.Between(all, 20, 4, 0.90)
	if l, h := float64(low)/all, float64(high)/all; math.Abs(l-0.0713539) > 1e-5 || math.Abs(h-0.4010281) > 1e-5 {
		t.Errorf("%v to %v, want 0.0713539 to 0.4010281", l, h)
	}
}

// Whatever is so, the interval holds it at least as often as it says.
func TestBetweenHoldsWhatIsSo(t *testing.T) {
	for _, c := range []struct{ all, n int }{{100, 20}, {60, 15}} {
		for bad := range c.all + 1 {
			held := 0.0
			for x := max(0, c.n-(c.all-bad)); x <= min(c.n, bad); x++ {
				if low, high := sampling.Between(c.all, c.n, x, 0.95); low <= bad && bad <= high {
					held += chance(c.all, bad, c.n, x)
				}
			}
			if held < 0.95 {
				t.Errorf("%d bad of %d, %d drawn: held in %v", bad, c.all, c.n, held)
			}
		}
	}
}

// chance is the hypergeometric distribution by its recurrence, another way than the package's.
func chance(all, bad, n, x int) float64 {
	p := 1.0
	for i := range n { // all n are taken one by one, the bad ones first, in each of the orders
		if i < x {
			p *= float64(bad-i) / float64(all-i) * float64(n-i) / float64(i+1)
		} else {
			p *= float64(all-bad-(i-x)) / float64(all-i)
		}
	}
	return p
}

func TestDraw(t *testing.T) {
	var units []sampling.Unit
	for i := range 100 {
		units = append(units, sampling.Unit{ID: int64(i + 1), Stratum: fmt.Sprint("brand ", i%10/7)}) // 70 and 30
	}
	drawn := map[int64]int{}
	r := rand.New(rand.NewPCG(1, 2))
	for range 10_000 {
		ids := sampling.Draw(units, 10, r)
		if len(ids) != 10 || !slices.IsSorted(ids) || len(slices.Compact(slices.Clone(ids))) != 10 {
			t.Fatal(ids)
		}
		second := 0
		for _, id := range ids {
			drawn[id]++
			if (id-1)%10 >= 7 {
				second++
			}
		}
		if second != 3 {
			t.Fatalf("%d of the stratum that is 30 of 100", second)
		}
	}
	// 10,000 times one in ten: 1,000, with a standard deviation of 30.
	for id := range int64(100) {
		if n := drawn[id+1]; n < 850 || n > 1150 {
			t.Errorf("%d was drawn %d times of about 1,000", id+1, n)
		}
	}
	if ids := sampling.Draw(units[:3], 10, r); !slices.Equal(ids, []int64{1, 2, 3}) {
		t.Errorf("all there are: %d", ids)
	}
	if ids := sampling.Draw(nil, 10, r); len(ids) != 0 {
		t.Errorf("of none: %d", ids)
	}
}
