package bag

import (
	"fmt"
	"slices"
	"strings"

	"firmus/manifest"
)

// fold tells what one fault brings with it together with that fault. A tag file
// that is itself altered, missing or unreadable explains what it says or no
// longer says; a payload folder that isn't there explains that its files aren't.
func (v *verifying) fold() {
	ps := merged(v.res.Problems)
	roots := map[string]*root{}
	for i, p := range ps {
		tag := p.Path != payload && !strings.HasPrefix(p.Path, payload+"/")
		if tag && slices.Contains([]manifest.Kind{manifest.Altered, manifest.Missing, manifest.Unreadable, manifest.Link, manifest.Special, manifest.Online}, p.Kind) {
			roots[p.Path] = &root{at: i}
		}
		if p.Path == payload {
			roots[payload] = &root{at: i}
		}
	}
	var kept []manifest.Problem
	at := map[string]int{} // root -> its index in kept
	for i, p := range ps {
		if r := v.cause(p, i, roots); r != "" {
			roots[r].brought = append(roots[r].brought, p)
			continue
		}
		if r := roots[p.Path]; r != nil && r.at == i {
			at[p.Path] = len(kept)
		}
		kept = append(kept, p)
	}
	for path, r := range roots {
		if k, ok := at[path]; ok && len(r.brought) > 0 {
			kept[k].Detail = strings.TrimPrefix(kept[k].Detail+"; "+r.told(), "; ")
		}
	}
	v.res.Problems = kept
}

// root is a problem that may explain others.
type root struct {
	at      int
	brought []manifest.Problem
}

// maxBrought is how many explained problems are told one by one.
const maxBrought = 5

func (r *root) told() string {
	var b strings.Builder
	fmt.Fprintf(&b, "with it come %d differences that it may explain: ", len(r.brought))
	for i, p := range r.brought {
		if i == maxBrought {
			fmt.Fprintf(&b, ", and %d more", len(r.brought)-i)
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%s %q", p.Kind, p.Path)
	}
	return b.String()
}

// cause is the path of the root that explains p, "" if none does.
func (v *verifying) cause(p manifest.Problem, i int, roots map[string]*root) string {
	if r := roots[p.Path]; r != nil && r.at == i {
		return ""
	}
	below := strings.HasPrefix(p.Path, payload+"/")
	if roots[payload] != nil && below && p.Kind == manifest.Missing {
		return payload
	}
	if p.Kind == manifest.NoManifest {
		for path := range roots {
			if _, _, ok := manifest.ParseName(path); ok {
				return path
			}
		}
	}
	lists := p.Lists
	if p.Kind == manifest.Unexpected && below {
		// Only lists that are as they were written can show that nothing names it.
		lists = nil
		for _, l := range v.payloads {
			if v.decl.before(1, 0) && roots[l.Name] != nil {
				return l.Name
			}
			lists = append(lists, l.Name)
		}
	}
	if len(lists) > 0 && !slices.ContainsFunc(lists, func(l string) bool { return roots[l] == nil }) {
		return lists[0]
	}
	if roots[p.Path] != nil {
		return p.Path
	}
	return ""
}

// merged joins problems that say the same of the same path.
func merged(ps []manifest.Problem) []manifest.Problem {
	type key struct {
		kind manifest.Kind
		path string
	}
	seen := map[key]int{}
	var out []manifest.Problem
	for _, p := range ps {
		k := key{p.Kind, p.Path}
		i, ok := seen[k]
		if !ok || p.Line > 0 && p.Kind != manifest.Missing && p.Kind != manifest.Unreadable {
			seen[k] = len(out)
			out = append(out, p)
			continue
		}
		for _, l := range p.Lists {
			if !slices.Contains(out[i].Lists, l) {
				out[i].Lists = append(out[i].Lists, l)
			}
		}
		if out[i].Detail == "" {
			out[i].Detail = p.Detail
		}
	}
	return out
}
