// Package pair finds where missing files went: it joins what a listing lacks with
// what lies there under no one's care. It is pure. A pair by digest is proved; one
// by size, time and name is a proposal that the next read proves or refutes.
package pair

import (
	"path"
	"slices"
)

// Gone is a file under care that a complete listing doesn't show at its place.
type Gone struct {
	File    int64  // the caller's id
	Path    string // where it should be
	Size    int64  // bytes, of the version it should hold
	ModTime int64  // as it was last seen there; 0 if it was never seen there
	Digest  string // of the version it should hold
}

// Came is something a listing shows under no one's care.
type Came struct {
	Path    string
	Size    int64
	ModTime int64
	Digest  string // "" if it has not been read
}

// Pair says that a file's bytes lie at another place.
type Pair struct {
	File   int64
	At     string // where they lie
	Proved bool   // by digest
}

// Result is what Match found.
type Result struct {
	Pairs  []Pair   // in the order of gone
	Unsure []string // paths of came whose digest would decide a pair, in byte order
}

type key struct {
	size, time int64
	name       string
}

// Match pairs each gone file with at most one came, and each came with at most
// one gone. In order of strength: same digest (the likest path first); same size,
// time and name; same size and time where that is unambiguous on both sides. A
// came that has been read is paired by digest only. What has the size of a gone
// file and was neither read nor paired is Unsure: its digest would tell.
//
// Time and memory are linear in the number of items.
func Match(gone []Gone, came []Came) Result {
	var res Result
	pairOf := make([]int, len(gone)) // 1 + index into came
	proved := make([]bool, len(gone))
	taken := make([]bool, len(came))
	byDigest := map[string][]int{}
	byName, byTime := map[key][]int{}, map[key][]int{}
	for i, c := range came {
		if c.Digest != "" {
			byDigest[c.Digest] = append(byDigest[c.Digest], i)
			continue
		}
		byName[key{c.Size, c.ModTime, path.Base(c.Path)}] = append(byName[key{c.Size, c.ModTime, path.Base(c.Path)}], i)
		byTime[key{c.Size, c.ModTime, ""}] = append(byTime[key{c.Size, c.ModTime, ""}], i)
	}
	for i, g := range gone {
		if j := likest(g.Path, came, byDigest[g.Digest], taken); j >= 0 && g.Digest != "" {
			pairOf[i], proved[i], taken[j] = j+1, true, true
		}
	}
	goneByTime := map[key]int{}
	for i, g := range gone {
		if pairOf[i] == 0 && g.ModTime != 0 {
			goneByTime[key{g.Size, g.ModTime, ""}]++
		}
	}
	for i, g := range gone {
		if pairOf[i] != 0 || g.ModTime == 0 {
			continue
		}
		if j := likest(g.Path, came, byName[key{g.Size, g.ModTime, path.Base(g.Path)}], taken); j >= 0 {
			pairOf[i], taken[j] = j+1, true
			continue
		}
		k := key{g.Size, g.ModTime, ""}
		if js := byTime[k]; len(js) == 1 && goneByTime[k] == 1 && !taken[js[0]] {
			pairOf[i], taken[js[0]] = js[0]+1, true
		}
	}
	sizes := map[int64]bool{}
	for i, g := range gone {
		if pairOf[i] == 0 {
			sizes[g.Size] = true
			continue
		}
		res.Pairs = append(res.Pairs, Pair{g.File, came[pairOf[i]-1].Path, proved[i]})
	}
	for i, c := range came {
		if !taken[i] && c.Digest == "" && sizes[c.Size] {
			res.Unsure = append(res.Unsure, c.Path)
		}
	}
	slices.Sort(res.Unsure)
	return res
}

// likest is the candidate not yet taken that shares the longest end of its path
// with p, so that a renamed folder's files keep their places; -1 if there is none.
// At most the first 64 candidates are weighed: thousands of equal files (silence)
// must not make the search quadratic.
func likest(p string, came []Came, candidates []int, taken []bool) int {
	best, bestLen, weighed := -1, -1, 0
	for _, j := range candidates {
		if taken[j] {
			continue
		}
		if n := commonEnd(p, came[j].Path); n > bestLen {
			best, bestLen = j, n
		}
		if weighed++; weighed == 64 {
			break
		}
	}
	return best
}

func commonEnd(a, b string) int {
	n := 0
	for n < len(a) && n < len(b) && a[len(a)-1-n] == b[len(b)-1-n] {
		n++
	}
	return n
}
