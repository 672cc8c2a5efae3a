// Package pair finds where missing files went: it joins what a listing lacks with
// what lies there under no one's care. It is pure. A pair by a digest that was read
// is proved; one by a digest that a service reports rests on its word; one by size,
// time and name is a proposal that the next read proves or refutes.
package pair

import (
	"path"
	"slices"
	"strings"
)

// Gone is a file under care that a complete listing doesn't show at its place.
type Gone struct {
	File    int64  // the caller's id
	Path    string // where it should be
	Size    int64  // bytes, as it was last seen there, or else of the version it should hold
	Wants   int64  // bytes of the version it should hold; 0 if that isn't another number
	ModTime int64  // as it was last seen there; 0 if it was never seen there
	Digest  string // of the version it should hold
	// Reports are that version's digests as a service may report them, each with its
	// algorithm before a colon.
	Reports []string

	Form string // Path in one Unicode form
	Fold string // and without regard to case
	Key  string // what Path says in the fields by which the store names its files; "" is nothing
}

// Came is something a listing shows under no one's care.
type Came struct {
	Path     string
	Size     int64
	ModTime  int64
	Digest   string // "" if it has not been read
	Reported string // by the service that keeps it, like those of Gone; "" if it reports none

	Form, Fold, Key string // like those of Gone
}

// Why says what a pair rests on.
type Why string

// What a pair may rest on.
const (
	Sign     Why = "sign"     // size, time and name: the next read proves or refutes it
	Read     Why = "read"     // the digest of the bytes that were read
	Reported Why = "reported" // the digest that the service reports
	Form     Why = "form"     // the same path in another Unicode form
	Case     Why = "case"     // the same path but for case
	Filed    Why = "filed"    // the fields in both names
	Bytes    Why = "bytes"    // a digest, where no field tells files apart
)

// Pair says that a file's bytes lie at another place.
type Pair struct {
	File int64
	At   string // where they lie
	Why  Why
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

// same says what the bytes of c being the version of g rests on, "" if nothing
// shows it. What was read outweighs what is reported.
func same(g Gone, c Came) Why {
	switch {
	case g.Digest == "":
	case c.Digest != "":
		if c.Digest == g.Digest {
			return Read
		}
	case c.Size == g.Size && slices.Contains(g.Reports, c.Reported):
		return Reported
	}
	return ""
}

// differs says that the bytes of c are known not to be the version of g.
func differs(g Gone, c Came) bool {
	switch {
	case g.Digest == "":
		return false
	case c.Digest != "":
		return c.Digest != g.Digest
	case c.Reported == "":
		return false
	}
	alg, _, _ := strings.Cut(c.Reported, ":")
	return slices.ContainsFunc(g.Reports, func(r string) bool { return strings.HasPrefix(r, alg+":") && r != c.Reported })
}

// Match pairs each gone file with at most one came, and each came with at most
// one gone. In order of strength: same digest, by reading and then by report (the
// likest path first); same size, time and name; same size and time where that is
// unambiguous on both sides. A came whose digest is known is paired by that only.
// What has the size of a gone file and was neither paired nor has a digest that
// says it is another is Unsure: its digest would tell.
//
// Time and memory are linear in the number of items.
func Match(gone []Gone, came []Came) Result {
	var res Result
	m := matching{gone: gone, came: came, pairOf: make([]int, len(gone)), why: make([]Why, len(gone)), taken: make([]bool, len(came))}
	m.byDigests()
	m.bySigns()
	sizes := map[int64]unpaired{}
	for i, g := range gone {
		if m.pairOf[i] != 0 {
			res.Pairs = append(res.Pairs, Pair{g.File, came[m.pairOf[i]-1].Path, m.why[i]})
			continue
		}
		u := sizes[g.Size]
		if u.told == nil {
			u.told = map[string]int{}
		}
		u.n++
		for _, r := range g.Reports {
			alg, _, _ := strings.Cut(r, ":")
			u.told[alg]++
		}
		sizes[g.Size] = u
	}
	for i, c := range came {
		if m.taken[i] || c.Digest != "" {
			continue
		}
		alg, _, _ := strings.Cut(c.Reported, ":")
		if u := sizes[c.Size]; u.n > 0 && (c.Reported == "" || u.told[alg] < u.n) {
			res.Unsure = append(res.Unsure, c.Path)
		}
	}
	slices.Sort(res.Unsure)
	return res
}

// unpaired counts the files of one size that are not paired, and by algorithm those
// of which a service's digest would tell.
type unpaired struct {
	n    int
	told map[string]int
}

type matching struct {
	gone   []Gone
	came   []Came
	pairOf []int // by gone: 1 + index into came
	why    []Why
	taken  []bool
}

func (m *matching) pair(i, j int, why Why) {
	if j >= 0 {
		m.pairOf[i], m.why[i], m.taken[j] = j+1, why, true
	}
}

func (m *matching) byDigests() {
	type sized struct {
		digest string
		size   int64
	}
	read, reported := map[string][]int{}, map[sized][]int{}
	for j, c := range m.came {
		if c.Digest != "" {
			read[c.Digest] = append(read[c.Digest], j)
		} else if c.Reported != "" {
			reported[sized{c.Reported, c.Size}] = append(reported[sized{c.Reported, c.Size}], j)
		}
	}
	for i, g := range m.gone {
		if g.Digest != "" {
			m.pair(i, m.likest(i, read[g.Digest]), Read)
		}
	}
	for i, g := range m.gone {
		for _, r := range g.Reports {
			if m.pairOf[i] == 0 && g.Digest != "" {
				m.pair(i, m.likest(i, reported[sized{r, g.Size}]), Reported)
			}
		}
	}
}

func (m *matching) bySigns() {
	byName, byTime := map[key][]int{}, map[key][]int{}
	for j, c := range m.came {
		if c.Digest == "" && !m.taken[j] {
			byName[key{c.Size, c.ModTime, path.Base(c.Path)}] = append(byName[key{c.Size, c.ModTime, path.Base(c.Path)}], j)
			byTime[key{c.Size, c.ModTime, ""}] = append(byTime[key{c.Size, c.ModTime, ""}], j)
		}
	}
	goneByTime := map[key]int{}
	for i, g := range m.gone {
		if m.pairOf[i] == 0 {
			goneByTime[key{g.Size, g.ModTime, ""}]++
		}
	}
	for i, g := range m.gone {
		if m.pairOf[i] != 0 || g.ModTime == 0 {
			continue
		}
		if j := m.likest(i, byName[key{g.Size, g.ModTime, path.Base(g.Path)}]); j >= 0 {
			m.pair(i, j, Sign)
			continue
		}
		k := key{g.Size, g.ModTime, ""}
		if js := byTime[k]; len(js) == 1 && goneByTime[k] == 1 && !m.taken[js[0]] && !differs(g, m.came[js[0]]) {
			m.pair(i, js[0], Sign)
		}
	}
}

// likest is the candidate, neither taken nor known to be another, that shares the
// longest end of its path with that of gone i, so that a renamed folder's files keep
// their places; -1 if there is none. At most the first 64 candidates are weighed: thousands of equal
// files (silence) must not make the search quadratic.
func (m *matching) likest(i int, candidates []int) int {
	best, bestLen, weighed := -1, -1, 0
	for _, j := range candidates {
		if m.taken[j] || differs(m.gone[i], m.came[j]) {
			continue
		}
		if n := commonEnd(m.gone[i].Path, m.came[j].Path); n > bestLen {
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
