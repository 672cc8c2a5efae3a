package damage

import "firmus/fixity/digest"

// Merge looks for every block of want in the damaged copies. Of each block it
// gives the first copy that holds it, as an index into copies, or -1 if none
// does; whole says that every block was found. Prefer the copies by their order.
//
// A block is held by a copy if it lies at the same place there with the same
// length and the same CRC-32C. That is a reason to try: the merged file must have
// want's digest before it is believed. Where want lacks sums for its size, nothing
// is found there. The empty file is held by any copy.
func Merge(want digest.Sums, copies ...digest.Sums) (from []int, whole bool) {
	n := blocksOf(want.Size)
	if n != int64(len(want.Blocks)) {
		return nil, false
	}
	from = make([]int, n)
	whole = len(copies) > 0
	for i := range from {
		from[i] = -1
		for k, c := range copies {
			if same(want, c, int64(i)) {
				from[i] = k
				break
			}
		}
		if from[i] < 0 {
			whole = false
		}
	}
	return from, whole
}

// Mergeable says that the copies together hold every block of want, see Merge.
func Mergeable(want digest.Sums, copies ...digest.Sums) bool {
	_, whole := Merge(want, copies...)
	return whole
}
