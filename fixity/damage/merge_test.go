package damage_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity/damage"
	"firmus/fixity/digest"
)

func TestMerge(t *testing.T) {
	a := noise(3*block+5, 1)
	n := len(a)
	for _, c := range []struct {
		name   string
		copies [][]byte
		from   []int
		whole  bool
	}{
		{"no copy", nil, []int{-1, -1, -1, -1}, false},
		{"damaged in different places", [][]byte{flip(a, 0), flip(a, n-1)}, []int{1, 0, 0, 0}, true},
		{"damaged in the same place", [][]byte{flip(a, 9), flip(a, 10)}, []int{-1, 0, 0, 0}, false},
		{"three", [][]byte{flip(a, 0, block), flip(a, block, 2*block), flip(a, 2*block, 0)}, []int{1, 2, 0, 0}, true},
		{"one is cut", [][]byte{a[:2*block], flip(a, 0)}, []int{0, 0, 1, 1}, true},
		{"one is cut inside a block", [][]byte{a[:2*block+9], flip(a, 0)}, []int{0, 0, 1, 1}, true},
		{"both are cut", [][]byte{a[:2*block], a[:3*block]}, []int{0, 0, 1, -1}, false},
		{"one has grown", [][]byte{flip(join(a, a), block), flip(a, 0)}, []int{0, 1, 0, 1}, true},
		{"an intact one", [][]byte{flip(a, 0), a}, []int{1, 0, 0, 0}, true},
		{"an empty one", [][]byte{{}, flip(a, 0)}, []int{-1, 1, 1, 1}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			var copies []digest.Sums
			for _, b := range c.copies {
				copies = append(copies, sums(b))
			}
			from, whole := damage.Merge(sums(a), copies...)
			if diff := cmp.Diff(c.from, from); diff != "" || whole != c.whole {
				t.Errorf("whole %v, (-want +got):\n%s", whole, diff)
			}
			if got := damage.Mergeable(sums(a), copies...); got != c.whole {
				t.Errorf("mergeable: %v", got)
			}
		})
	}
	if damage.Mergeable(digest.Sums{Size: 3 * block}, sums(a)) {
		t.Error("a version without sums can be merged")
	}
	if !damage.Mergeable(digest.Sums{}, sums(a)) || damage.Mergeable(digest.Sums{}) {
		t.Error("the empty file")
	}
}
