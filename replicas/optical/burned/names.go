package burned

import (
	"path"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"firmus/replicas/optical/discfs"
)

// Programs that burn discs change names: Joliet and UDF have no ; \ ? * and no
// characters beyond 16 bits, Joliet cuts names at 64 or 103 characters, plain ISO
// 9660 knows upper case alone and eight characters and three. Systems differ in how
// they compose accents. So names are compared by keys, each looser than the one
// before, and what a looser one leaves open the sizes decide, and then the digests.
var keys = []func(string) string{exact, folded, loose, cut, plain}

func exact(p string) string { return p }

func folded(p string) string { return strings.ToLower(norm.NFC.String(p)) }

// loose leaves out what writers replace, and what they put in its place.
func loose(p string) string {
	return strings.Map(func(r rune) rune {
		if r == '_' || r > 0xFFFF || r == unicode.ReplacementChar || unicode.IsControl(r) || strings.ContainsRune(`*:;?\<>|"`, r) {
			return -1
		}
		return r
	}, eachPart(folded(p), func(s string, _ bool) string { return strings.TrimRight(s, " .") }))
}

// keptOfCut is the characters that every writer keeps of a long name: Joliet's 64,
// less an ending that is put behind what was cut.
const keptOfCut = 56

func cut(p string) string {
	return eachPart(loose(p), func(s string, _ bool) string { return first(s, keptOfCut) })
}

// plain is what is left of a name by the strictest rules, where writers may put a
// number in place of the last characters.
func plain(p string) string {
	ascii := func(s string) string {
		return strings.Map(func(r rune) rune {
			if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
				return r
			}
			return -1
		}, s)
	}
	return eachPart(loose(p), func(s string, last bool) string {
		end := path.Ext(s)
		if !last {
			end = ""
		}
		return first(ascii(strings.TrimSuffix(s, end)), 4) + "." + first(ascii(end), 3)
	})
}

// bare is a file's name without its ending, and without all that writers leave out or
// replace in it.
func bare(p string) string {
	p = path.Base(p)
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return -1
	}, strings.ToLower(strings.TrimSuffix(p, path.Ext(p))))
}

func first(s string, runes int) string {
	for i := range s {
		if runes == 0 {
			return s[:i]
		}
		runes--
	}
	return s
}

func eachPart(p string, f func(s string, last bool) string) string {
	parts := strings.Split(p, "/")
	for i := range parts {
		parts[i] = f(parts[i], i == len(parts)-1)
	}
	return strings.Join(parts, "/")
}

// common is the folder that all names lie in, with its slash; "" if there is none.
func common(names []string) string {
	if len(names) == 0 {
		return ""
	}
	dir := names[0][:strings.LastIndex(names[0], "/")+1]
	for _, n := range names {
		for !strings.HasPrefix(n, dir) {
			dir = dir[:strings.LastIndex(strings.TrimSuffix(dir, "/"), "/")+1]
		}
	}
	return dir
}

// pairing is which file of a tree each wanted one is by its name.
type pairing struct {
	of          []int  // index of the tree's files, -1 if none
	sure        []bool // no other file could be meant by that name, whatever a writer made of it
	pairs, same int    // found by name; of those, with the size wanted
	cut         bool   // some by what the strictest rules leave of a name: hardly anything
}

func (p pairing) better(q pairing) bool {
	if p.same != q.same {
		return p.same > q.same
	}
	return p.pairs > q.pairs
}

// pair finds the wanted files in a tree by their names. The folder that was burned may
// stand on the disc itself, or only what is in it.
func pair(wanted []File, files []discfs.File) pairing {
	want, have := make([]string, len(wanted)), make([]string, len(files))
	for i, f := range wanted {
		want[i] = strings.TrimPrefix(path.Clean("/"+f.Name), "/")
	}
	for i, f := range files {
		have[i] = f.Path
	}
	best := pairNames(wanted, files, want, have)
	w, h := common(want), common(have)
	strip := func(names []string, dir string) []string {
		out := make([]string, len(names))
		for i, n := range names {
			out[i] = strings.TrimPrefix(n, dir)
		}
		return out
	}
	for _, dirs := range [][2]string{{"", h}, {w, ""}, {w, h}} {
		if best.same == len(wanted) || dirs[0]+dirs[1] == "" {
			continue
		}
		if p := pairNames(wanted, files, strip(want, dirs[0]), strip(have, dirs[1])); p.better(best) {
			best = p
		}
	}
	return best
}

func pairNames(wanted []File, files []discfs.File, want, have []string) pairing {
	p := pairing{of: make([]int, len(wanted)), sure: make([]bool, len(wanted))}
	for i := range p.of {
		p.of[i] = -1
	}
	taken := make([]bool, len(files))
	take := func(i, j int) {
		p.of[i], taken[j] = j, true
		p.pairs++
		if wanted[i].Size < 0 || wanted[i].Size == files[j].Size {
			p.same++
		}
	}
	for n, key := range keys {
		if p.pairs == len(wanted) {
			break
		}
		open := map[string][]int{}
		for i := range wanted {
			if p.of[i] < 0 {
				k := key(want[i])
				open[k] = append(open[k], i)
			}
		}
		at := map[string][]int{}
		for j := range files {
			if taken[j] {
				continue
			}
			if k := key(have[j]); len(open[k]) > 0 {
				at[k] = append(at[k], j)
			}
		}
		for k, js := range at {
			is := open[k]
			for _, sized := range []bool{true, false} {
				// Without the size only what can't be confused is a pair.
				if !sized && (left(is, func(i int) bool { return p.of[i] < 0 }) != 1 || left(js, func(j int) bool { return !taken[j] }) != 1) {
					continue
				}
				for _, i := range is {
					for _, j := range js {
						if p.of[i] < 0 && !taken[j] && (!sized || wanted[i].Size == files[j].Size) {
							take(i, j)
							p.sure[i] = n == 0 || len(is) == 1 && len(js) == 1 || bare(want[i]) == bare(have[j])
							p.cut = p.cut || n == len(keys)-1
						}
					}
				}
			}
		}
	}
	return p
}

func left(list []int, is func(int) bool) int {
	n := 0
	for _, i := range list {
		if is(i) {
			n++
		}
	}
	return n
}
