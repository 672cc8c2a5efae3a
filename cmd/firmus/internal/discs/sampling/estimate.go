package sampling

import (
	"math"
	"sort"
)

// Notice is the chance that at least one bad disc is among n that are drawn without
// replacement from all, of which bad are bad (hypergeometric distribution). It is 1 where
// every draw must hold one, and 0 where nothing is drawn or nothing is bad.
func Notice(all, bad, n int) float64 { return 1 - atMost(all, bad, n, 0) }

// Between says how many of all may be bad where x of n that were drawn without replacement
// were: the two-sided interval at the confidence given, by inverting the hypergeometric
// distribution. What was drawn stays counted: low is at least x, high at most all-n+x. Where
// all is large beside n it comes close to the exact binomial interval (Clopper and Pearson,
// 1934) times all.
func Between(all, n, x int, confidence float64) (low, high int) {
	tail := (1 - confidence) / 2
	least, most := x, all-n+x
	// More bad discs make few bad draws less likely, and many more likely.
	low = least + sort.Search(most-least, func(i int) bool { return 1-atMost(all, least+i, n, x-1) > tail })
	high = least + sort.Search(most-least+1, func(i int) bool { return atMost(all, least+i, n, x) <= tail }) - 1
	return low, max(low, high)
}

// atMost is the chance of at most x bad ones among n drawn.
func atMost(all, bad, n, x int) float64 {
	sum := 0.0
	for k := max(0, n-(all-bad)); k <= min(x, n, bad); k++ {
		sum += math.Exp(choose(bad, k) + choose(all-bad, n-k) - choose(all, n))
	}
	return min(sum, 1)
}

// choose is the logarithm of the number of ways to take k of n.
func choose(n, k int) float64 {
	return factorial(n) - factorial(k) - factorial(n-k)
}

func factorial(n int) float64 {
	l, _ := math.Lgamma(float64(n) + 1)
	return l
}
