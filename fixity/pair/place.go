package pair

import "slices"

// Spelled pairs what lies at its path after all, spelled in another way: in another
// Unicode form; or, if size and digests don't say that it is another file, in
// another case. Only where one file and one thing that came have that name. free
// says that no other file under care has the name of a came; nil says so of all.
func Spelled(gone []Gone, came []Came, free func(g Gone, c Came) bool) []Pair {
	var out []Pair
	done := map[int]bool{}
	for _, step := range []struct {
		why  Why
		gone func(Gone) string
		came func(Came) string
	}{
		{Form, func(g Gone) string { return g.Form }, func(c Came) string { return c.Form }},
		{Case, func(g Gone) string { return g.Fold }, func(c Came) string { return c.Fold }},
	} {
		where := map[string][]int{}
		for j, c := range came {
			where[step.came(c)] = append(where[step.came(c)], j)
		}
		names := map[string]int{}
		for _, g := range gone {
			names[step.gone(g)]++
		}
		for i, g := range gone {
			js := where[step.gone(g)]
			if done[i] || step.gone(g) == "" || len(js) != 1 || names[step.gone(g)] != 1 {
				continue
			}
			c := came[js[0]]
			if step.why == Case && (differs(g, c) || g.Size != c.Size && (g.Wants == 0 || g.Wants != c.Size)) || free != nil && !free(g, c) {
				continue
			}
			done[i] = true
			out = append(out, Pair{g.File, c.Path, step.why})
		}
	}
	return out
}

// Unclear is a thing that came whose fields are those of files under care, and that
// nothing says to be the copy of one of them.
type Unclear struct {
	At    string
	Files []int64 // that the listing lacks
	Alike int     // others that came with the same fields
}

// ByFields pairs by what the store's names and the files' own say in common, where
// one file and one thing that came say it. Of several that say the same, those are
// paired whose digest is that of just one of the files; the rest is unclear, and
// nothing is guessed. placed says how many files that are in their place have a key.
//
// Where identifies is false the key tells no file from another, and digests alone
// decide.
func ByFields(gone []Gone, came []Came, placed map[string]int, identifies bool) (pairs []Pair, unclear []Unclear) {
	type group struct{ gone, came []int }
	groups, order := map[string]*group{}, []*group{}
	for j, c := range came {
		if c.Key == "" {
			continue
		}
		if groups[c.Key] == nil {
			groups[c.Key] = &group{}
			order = append(order, groups[c.Key])
		}
		groups[c.Key].came = append(groups[c.Key].came, j)
	}
	for i, g := range gone {
		if x := groups[g.Key]; x != nil {
			x.gone = append(x.gone, i)
		}
	}
	for _, x := range order {
		k := came[x.came[0]].Key
		if identifies && len(x.gone) == 1 && len(x.came) == 1 && placed[k] == 0 {
			pairs = append(pairs, Pair{gone[x.gone[0]].File, came[x.came[0]].Path, Filed})
			continue
		}
		why := Filed
		if !identifies {
			why = Bytes
		}
		of, alike := byBytes(gone, x.gone, came, x.came)
		paired := map[int]bool{}
		for _, j := range x.came {
			if i, ok := of[j]; ok {
				pairs, paired[i] = append(pairs, Pair{gone[i].File, came[j].Path, why}), true
			}
		}
		var files []int64
		for _, i := range x.gone {
			if !paired[i] {
				files = append(files, gone[i].File)
			}
		}
		for _, j := range x.came {
			_, ok := of[j]
			switch {
			case ok:
			case identifies && len(x.gone)+placed[k] > 0:
				unclear = append(unclear, Unclear{came[j].Path, files, len(x.came) - 1})
			case len(alike[j]) > 0:
				unclear = append(unclear, Unclear{came[j].Path, alike[j], 0})
			}
		}
	}
	return pairs, unclear
}

// byBytes gives by came the gone whose bytes it has, where that is one to one; and
// the files of those that it may all be.
func byBytes(gone []Gone, gs []int, came []Came, cs []int) (of map[int]int, alike map[int][]int64) {
	byDigest := map[string][]int{}
	for _, i := range gs {
		g := gone[i]
		for _, d := range append([]string{g.Digest}, g.Reports...) {
			byDigest[d] = append(byDigest[d], i)
		}
	}
	of, alike = map[int]int{}, map[int][]int64{}
	claims := map[int]int{}
	for _, j := range cs {
		d := came[j].Digest
		if d == "" {
			d = came[j].Reported
		}
		var is []int // three say enough: thousands may be equal
		for _, i := range byDigest[d][:min(len(byDigest[d]), 64)] {
			if len(is) < 3 && same(gone[i], came[j]) != "" {
				is = append(is, i)
			}
		}
		for _, i := range is {
			claims[i]++
		}
		if len(is) == 1 {
			of[j] = is[0]
		}
		for _, i := range is {
			alike[j] = append(alike[j], gone[i].File)
		}
	}
	for j, i := range of {
		if claims[i] > 1 {
			delete(of, j)
		}
	}
	return of, alike
}

// Rest is what pairs leave of gone and came.
func Rest(gone []Gone, came []Came, pairs []Pair) ([]Gone, []Came) {
	files, places := map[int64]bool{}, map[string]bool{}
	for _, p := range pairs {
		files[p.File], places[p.At] = true, true
	}
	return slices.DeleteFunc(slices.Clone(gone), func(g Gone) bool { return files[g.File] }),
		slices.DeleteFunc(slices.Clone(came), func(c Came) bool { return places[c.Path] })
}
