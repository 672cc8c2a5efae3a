package bag

import (
	"fmt"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/manifest"
)

// folding tells what one fault brings with it together with that fault: the root.
type folding struct {
	v     *verifying
	ps    []manifest.Problem
	roots map[string]*root // by the path of the tag file that is at fault, or "data"
}

// root is a problem that may explain others.
type root struct {
	at      int // its index in ps
	why     why
	brought []manifest.Problem
}

// why says what a root explains.
type why uint8

const (
	broken   why = iota // a tag file is altered, missing or unreadable: all that it says or doesn't say
	gone                // the payload folder isn't there: that its files aren't
	unread              // lines can't be read: that files aren't named
	misnamed            // a list alone names what isn't there: that it doesn't name what it must
	foreign             // the encoding isn't known: names that aren't ASCII, and lines that can't be read
)

func (v *verifying) fold() {
	f := &folding{v: v, ps: merged(v.res.Problems), roots: map[string]*root{}}
	f.lines()
	f.files()
	var kept []manifest.Problem
	where := map[int]int{} // index in ps -> index in kept
	for i, p := range f.ps {
		if r := f.cause(i, p); r != nil {
			r.brought = append(r.brought, p)
			continue
		}
		where[i] = len(kept)
		kept = append(kept, p)
	}
	for _, r := range f.roots {
		if k, ok := where[r.at]; ok && len(r.brought) > 0 {
			kept[k].Detail = strings.TrimPrefix(kept[k].Detail+"; "+r.told(), "; ")
		}
	}
	v.res.Problems = kept
}

// lines finds lists of which a line is at fault. Two lines whose break is lost
// are one fault, so a line may have named two files; more than that it doesn't
// explain.
func (f *folding) lines() {
	damaged, unnamed := map[string]int{}, map[string]int{}
	all := 0
	for i, p := range f.ps {
		list, reason := p.Path, unread
		switch {
		case p.Kind == manifest.Unexpected:
			all++
			continue
		case p.Kind == manifest.Unlisted && len(p.Lists) == 1:
			unnamed[p.Lists[0]]++
			continue
		case p.Kind == manifest.Missing && len(p.Lists) == 1:
			list, reason = p.Lists[0], misnamed
		case p.Kind != manifest.BadLine:
			continue
		}
		damaged[list]++
		if r := f.roots[list]; r == nil || r.why == misnamed && reason == unread {
			f.roots[list] = &root{at: i, why: reason}
		}
	}
	for list, r := range f.roots {
		if unnamed[list] > 2*damaged[list] || r.why == unread && all > 2*damaged[list] {
			delete(f.roots, list)
		}
	}
}

// files finds tag files that are at fault themselves, and a payload that is gone.
func (f *folding) files() {
	for i, p := range f.ps {
		switch p.Kind {
		case manifest.Altered, manifest.Missing, manifest.Unreadable, manifest.Link, manifest.Special, manifest.Online:
			if !inPayload(p.Path) && p.Path != payload {
				f.roots[p.Path] = &root{at: i, why: broken}
			}
		case manifest.Encoding:
			if r := f.roots[p.Path]; f.v.unknown && p.Path == declarationName && (r == nil || r.why != broken) {
				f.roots[p.Path] = &root{at: i, why: foreign}
			}
		}
		if p.Path == payload {
			f.roots[payload] = &root{at: i, why: gone}
		}
	}
}

func inPayload(path string) bool { return strings.HasPrefix(path, payload+"/") }

// cause is the root that explains ps[i], nil if none does.
func (f *folding) cause(i int, p manifest.Problem) *root {
	for _, r := range f.roots {
		if r.at == i && r.why != unread && r.why != misnamed {
			return nil
		}
	}
	if r := f.roots[payload]; r != nil && inPayload(p.Path) && p.Kind == manifest.Missing {
		return r
	}
	if p.Kind == manifest.NoManifest {
		for path, r := range f.roots {
			if _, _, ok := manifest.ParseName(path); ok && r.why == broken {
				return r
			}
		}
	}
	if r := f.roots[declarationName]; r != nil && r.why == foreign && f.foreign(p) {
		return r
	}
	if r := f.byLists(p); r != nil {
		return r
	}
	if r := f.roots[p.Path]; r != nil && r.why == broken {
		return r
	}
	return nil
}

// byLists is the root if all lists that say p, or should have named its path, are
// at fault.
func (f *folding) byLists(p manifest.Problem) *root {
	lists := p.Lists
	if p.Kind == manifest.Unexpected && inPayload(p.Path) {
		lists = nil
		for _, l := range f.v.payloads {
			if r := f.roots[l.Name]; f.v.decl.before(1, 0) && r.explains(p) {
				return r
			}
			lists = append(lists, l.Name)
		}
	}
	if len(lists) == 0 || slices.ContainsFunc(lists, func(l string) bool { return !f.roots[l].explains(p) }) {
		return nil
	}
	return f.roots[lists[0]]
}

// explains says that what a list is at fault with brings p with it.
func (r *root) explains(p manifest.Problem) bool {
	if r == nil {
		return false
	}
	switch r.why {
	case broken:
		return true
	case unread:
		return p.Kind == manifest.Unexpected || p.Kind == manifest.Unlisted
	case misnamed:
		return p.Kind == manifest.Unlisted
	}
	return false
}

// foreign says that p may come of an encoding that isn't known.
func (f *folding) foreign(p manifest.Problem) bool {
	switch p.Kind {
	case manifest.BadLine, manifest.Info, manifest.Fetch:
		return true
	case manifest.Missing, manifest.Unexpected, manifest.Unlisted, manifest.Forbidden:
		return strings.ContainsFunc(p.Path, func(r rune) bool { return r >= 0x80 }) ||
			slices.ContainsFunc(f.ps, func(q manifest.Problem) bool { return q.Kind == manifest.BadLine })
	}
	return false
}

// maxBrought is how many explained problems are told one by one.
const maxBrought = 5

func (r *root) told() string {
	var b strings.Builder
	fmt.Fprintf(&b, "it may explain %s: ", fixity.Count(len(r.brought), "other difference"))
	for i, p := range r.brought {
		if i == maxBrought {
			fmt.Fprintf(&b, "; and %d more", len(r.brought)-i)
			break
		}
		if i > 0 {
			b.WriteString("; ")
		}
		fmt.Fprintf(&b, "%q: %s", p.Path, p.Kind.Means())
	}
	return b.String()
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
