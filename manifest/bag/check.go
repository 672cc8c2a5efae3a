package bag

import (
	"context"
	"fmt"
	"hash/maphash"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/manifest"
)

var seed = maphash.MakeSeed()

// tagged is what one tag manifest names, without holding all of it.
type tagged struct {
	list  string
	set   uint64          // sum of the paths' hashes: the same for the same set
	lists map[string]bool // payload manifests among them
}

// checkTags compares the tag files with the tag manifests (RFC 8493, section 2.2.1).
func (v *verifying) checkTags(ctx context.Context) error {
	if len(v.tags) == 0 {
		return nil
	}
	all := make([]*tagged, len(v.tags))
	for i := range v.tags {
		l := &v.tags[i]
		t := &tagged{list: l.Name, lists: map[string]bool{}}
		all[i] = t
		in := &listing{v: v, name: l.Name, alg: l.Algorithm}
		in.accept = func(line manifest.Line, first bool) bool {
			if strings.HasPrefix(line.Path, payload+"/") {
				return in.forbid(line, first, "a tag manifest must not name payload files")
			}
			if _, _, ok := manifest.ParseTagName(line.Path); ok {
				return in.forbid(line, first, "a tag manifest must not name tag manifests")
			}
			if first {
				t.set += maphash.String(seed, line.Path)
				if _, _, ok := manifest.ParseName(line.Path); ok {
					t.lists[line.Path] = true
				}
			}
			return true
		}
		l.Lines = in.lines(ctx)
	}
	rules := manifest.Rules{
		Shards: slices.DeleteFunc(slices.Clone(v.shards), func(s string) bool { return s == payload }),
		Ours: func(path string) bool {
			_, _, ok := manifest.ParseTagName(path)
			return ok
		},
		Strict: true,
		Unlisted: func(path string) {
			if _, _, ok := manifest.ParseName(path); !ok || v.decl.before(1, 0) {
				v.warn.Add(manifest.Warning{Reason: manifest.NotCovered, File: path})
			}
		},
		TwiceIsWarning: v.decl.before(1, 0),
		System:         v.o.System,
		Progress:       v.o.Progress,
	}
	if err := manifest.Check(ctx, v.f, v.tags, rules, &v.res.Result, &v.warn); err != nil {
		return err
	}
	v.compareTags(all)
	return nil
}

// compareTags checks what tag manifests must and should name between them.
func (v *verifying) compareTags(all []*tagged) {
	for _, t := range all {
		if t.set != all[0].set {
			v.warn.Add(manifest.Warning{Reason: manifest.ListsDiffer, File: t.list, Detail: "compared with " + all[0].list})
		}
		for _, l := range v.payloads {
			if !t.lists[l.Name] && !v.decl.before(1, 0) {
				v.problem(manifest.Problem{Kind: manifest.Unlisted, Path: l.Name, Lists: []string{t.list},
					Detail: "every tag manifest must name every payload manifest"})
			}
		}
	}
	algs := func(lists []manifest.List) []fixity.Algorithm {
		var as []fixity.Algorithm
		for _, l := range lists {
			as = append(as, l.Algorithm)
		}
		slices.Sort(as)
		return slices.Compact(as)
	}
	if !slices.Equal(algs(v.tags), algs(v.payloads)) && len(v.payloads) > 0 {
		v.warn.Add(manifest.Warning{Reason: manifest.OtherAlgorithm})
	}
}

// checkPayload compares the payload with the payload manifests and fetch.txt
// (sections 2.1.3, 2.2.3 and 3), and with Payload-Oxum.
func (v *verifying) checkPayload(ctx context.Context) error {
	there := slices.Contains(v.shards, payload)
	if !there {
		v.missing(payload)
	}
	if len(v.payloads) == 0 {
		for name := range v.root {
			if _, _, ok := manifest.ParseName(name); ok {
				return nil // told already: it's no file, or its algorithm isn't known
			}
		}
		v.problem(manifest.Problem{Kind: manifest.NoManifest})
		return nil
	}
	for i := range v.payloads {
		l := &v.payloads[i]
		in := &listing{v: v, name: l.Name, alg: l.Algorithm}
		in.accept = func(line manifest.Line, first bool) bool {
			return strings.HasPrefix(line.Path, payload+"/") || in.forbid(line, first, "a payload manifest must name payload files only")
		}
		l.Lines = in.lines(ctx)
	}
	lists := v.payloads
	if e, ok := v.root[fetchName]; ok && e.Type != fixity.File {
		v.missing(fetchName)
	} else if ok {
		in := &listing{v: v, name: fetchName}
		in.accept = func(line manifest.Line, first bool) bool {
			return strings.HasPrefix(line.Path, payload+"/") || in.forbid(line, first, "fetch.txt must name payload files only")
		}
		lists = append(slices.Clone(lists), manifest.List{Name: fetchName, NoDigests: true, Bad: manifest.Fetch, Lines: in.lines(ctx)})
	}
	rules := manifest.Rules{
		Strict:    true,
		EveryList: !v.decl.before(1, 0),
		// RFC 8493 forbids it; the drafts before it don't say.
		TwiceIsWarning: v.decl.before(1, 0),
		System:         v.o.System,
		Progress:       v.o.Progress,
	}
	if there {
		rules.Shards = []string{payload}
	}
	if err := manifest.Check(ctx, v.f, lists, rules, &v.res.Result, &v.warn); err != nil {
		return err
	}
	return v.checkOxum(ctx)
}

// checkOxum compares Payload-Oxum with the payload as it is listed. Where
// something in the payload isn't as it should be, that is why they differ, and
// Payload-Oxum has no say.
func (v *verifying) checkOxum(ctx context.Context) error {
	if v.oxum == nil || slices.ContainsFunc(v.res.Problems, func(p manifest.Problem) bool {
		return p.Path == payload || strings.HasPrefix(p.Path, payload+"/")
	}) {
		return nil
	}
	var got oxum
	if slices.Contains(v.shards, payload) {
		for e, err := range v.f.List(ctx, payload) {
			if err != nil {
				return err
			}
			if e.Type == fixity.File {
				got.octets += e.Size
				got.streams++
			}
		}
	}
	if got != *v.oxum {
		v.problem(manifest.Problem{Kind: manifest.Oxum, Path: v.infoName,
			Detail: fmt.Sprintf("Payload-Oxum is %s, and the payload is %s", v.oxum, got)})
	}
	return nil
}
