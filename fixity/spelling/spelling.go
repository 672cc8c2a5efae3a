// Package spelling finds what a person probably meant by a name that isn't known.
package spelling

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// most is how many names are offered.
const most = 3

// Nearest is the name that was probably meant by got, "" if none is near: at most
// one slip in four characters, and never more than three.
func Nearest(got string, names []string) string {
	best, least := "", min(3, max(1, len(got)/4))+1
	for _, name := range names {
		if d := slips(strings.ToLower(got), strings.ToLower(name)); d < least && d < len(name) {
			best, least = name, d
		}
	}
	return best
}

// Like are the names that were probably meant by got, at most three: the one that is
// got but for capitals, blanks and zeros before a number; else those that begin with
// it; else the nearest.
func Like(got string, names []string) []string {
	var same, longer []string
	g := folded(got)
	for _, name := range names {
		switch n := folded(name); {
		case g == "":
		case n == g:
			same = append(same, name)
		case strings.HasPrefix(n, g):
			longer = append(longer, name)
		}
	}
	if len(same) == 0 {
		same = longer
	}
	if len(same) == 0 {
		if n := Nearest(got, names); n != "" {
			same = []string{n}
		}
	}
	slices.SortFunc(same, func(a, b string) int { return cmp.Or(len(a)-len(b), strings.Compare(a, b)) })
	return same[:min(most, len(same))]
}

// folded is a name without what people leave out or add: capitals, blanks, marks, and
// zeros before a number.
func folded(s string) string {
	var b strings.Builder
	digit, zeros := false, false
	for _, r := range strings.ToLower(s) {
		switch {
		case strings.ContainsRune(" -_./\\", r):
			digit, zeros = false, false
			continue
		case r == '0' && !digit:
			zeros = true
			continue
		case r >= '0' && r <= '9':
			digit = true
		default:
			if zeros && !digit {
				b.WriteByte('0') // it was the number itself
			}
			digit = false
		}
		zeros = false
		b.WriteRune(r)
	}
	if zeros {
		b.WriteByte('0')
	}
	return b.String()
}

// Ask is what to add to a message about a name that isn't known: ` (did you mean
// "vault"?)`, "" if no name is like it.
func Ask(got string, names []string) string {
	like := Like(got, names)
	if len(like) == 0 {
		return ""
	}
	quoted := make([]string, len(like))
	for i, n := range like {
		quoted[i] = fmt.Sprintf("%q", n)
	}
	last := quoted[len(quoted)-1]
	if len(quoted) > 1 {
		last = strings.Join(quoted[:len(quoted)-1], ", ") + " or " + last
	}
	return " (did you mean " + last + "?)"
}

// slips counts the characters to change, put in, take out or swap with the next to
// make b from a, each place touched once (optimal string alignment).
func slips(a, b string) int {
	x, y := []rune(a), []rune(b)
	d := make([][]int, len(x)+1)
	for i := range d {
		d[i] = make([]int, len(y)+1)
		d[i][0] = i
	}
	for j := range y {
		d[0][j+1] = j + 1
	}
	for i := range x {
		for j := range y {
			cost := 1
			if x[i] == y[j] {
				cost = 0
			}
			d[i+1][j+1] = min(d[i][j+1]+1, d[i+1][j]+1, d[i][j]+cost)
			if i > 0 && j > 0 && x[i] == y[j-1] && x[i-1] == y[j] {
				d[i+1][j+1] = min(d[i+1][j+1], d[i-1][j-1]+1)
			}
		}
	}
	return d[len(x)][len(y)]
}
