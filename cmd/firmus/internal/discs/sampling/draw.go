// Package sampling draws the discs that are read each month, and says what the ones that
// were read let be said of all of them.
//
// Discs age by the brand of their blank and by the year in which they were burned, so the
// draw takes from each such stratum in proportion to its size. Each disc that wasn't drawn in
// the round has the same chance. Nothing is drawn twice before all were: a round is a draw
// without replacement, and the estimate an exact one.
package sampling

import (
	"cmp"
	"math/rand/v2"
	"slices"
)

// Unit is what can be drawn.
type Unit struct {
	ID      int64
	Stratum string
}

// Draw takes n of units by chance, or all of them if there are fewer: each has the same
// chance, and each stratum gives its share, to one more or less. It gives them in the order
// of their ids. (A systematic draw with a random start along the strata, each shuffled;
// common practice in surveys.)
func Draw(units []Unit, n int, r *rand.Rand) []int64 {
	left := slices.Clone(units)
	slices.SortFunc(left, func(a, b Unit) int { return cmp.Compare(a.ID, b.ID) })
	r.Shuffle(len(left), func(i, j int) { left[i], left[j] = left[j], left[i] })
	slices.SortStableFunc(left, func(a, b Unit) int { return cmp.Compare(a.Stratum, b.Stratum) })
	n = min(n, len(left))
	var ids []int64
	start := r.Float64()
	for i := range n {
		ids = append(ids, left[int((float64(i)+start)*float64(len(left))/float64(n))].ID)
	}
	slices.Sort(ids)
	return ids
}
