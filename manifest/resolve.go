package manifest

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"firmus/fixity"
)

// candidate is the entry that an absent path most likely means.
type candidate struct {
	entry     fixity.Entry
	rank      rank
	ambiguous bool // another entry is as good, so none is taken
	also      []Reason
	path      string // of the reading that fits
}

// rank orders the ways in which a name can be meant, the best first.
type rank uint8

const (
	otherReading rank = iota // the line can be read so that it is the entry's path
	sameText                 // equal after Unicode normalisation (RFC 8493, section 6.1.1.3)
	sameFold                 // equal after normalisation and folding of case
)

// reasons are those of the reading of w's line that fits.
func (c *candidate) reasons(w want) []Reason {
	for _, r := range w.line.Others {
		if r.Path == c.path {
			return r.Reasons
		}
	}
	return w.line.Reasons
}

func (c *candidate) detail(path string) string {
	if c == nil {
		return ""
	}
	return "the file is " + show(path)
}

// resolve goes through everything once more where listed paths were not found:
// it looks for what they may mean, judges that, and tells what is left.
func (c *check) resolve(ctx context.Context) error {
	if len(c.absent) > 0 {
		if err := c.seek(ctx); err != nil {
			return err
		}
	}
	taken := map[string][]want{} // file -> what lists call it by another name
	links := map[string]int{}    // what is no file -> listed paths below it
	for _, a := range c.absent {
		if a.found != nil && !a.found.ambiguous && a.found.entry.Type == fixity.File {
			if c.again(a, taken) {
				continue
			}
			c.found(a)
			if err := c.judge(ctx, a.found.entry, a.wants, a.found); err != nil {
				return err
			}
			continue
		}
		if a.other != "" {
			c.readTwice(a, a.other, a.agrees)
		} else if e := c.above(a.path); e == nil {
			c.lost(a)
		} else if e.Type == fixity.LeftOut {
			c.unjudged(a.path, e.Path, a.wants)
		} else {
			links[e.Path]++
		}
	}
	c.below(links)
	c.unlistedFiles(taken)
	c.partials()
	for dir, n := range c.covered {
		if n > 0 && c.res.Read == 0 {
			c.problem(Problem{Kind: Unexpected, Path: dir, Detail: "the folder has a manifest of its own: verify that folder by itself"})
		}
		c.warn.Add(Warning{Reason: OwnManifest, File: dir, Detail: fixity.Count(n, "file")})
	}
	return nil
}

// seek finds candidates for absent paths. An entry that a list names by its own
// path is no candidate for another path of that list.
func (c *check) seek(ctx context.Context) error {
	type key struct {
		rank rank
		path string
	}
	type meant struct {
		a    *absent
		path string // of the reading
	}
	wanted := map[key][]meant{}
	put := func(r rank, path string, m meant) { wanted[key{r, path}] = append(wanted[key{r, path}], m) }
	dirs := map[string]*absent{}
	for _, a := range c.absent {
		dirs[strings.TrimSuffix(a.path, "/")] = a
		readings := []string{a.path}
		for _, w := range a.wants {
			for _, r := range w.line.Others {
				put(otherReading, r.Path, meant{a, r.Path})
				readings = append(readings, r.Path)
			}
		}
		for _, r := range readings {
			put(sameText, text(r), meant{a, r})
			put(sameFold, fold(r), meant{a, r})
		}
	}
	lastDir := ""
	var err error
	c.incomplete, err = c.merge(ctx, func(*list, Line, Line) {}, func(path string, e *fixity.Entry, wants []want) error {
		if e == nil {
			return nil
		}
		if dir := path[:max(strings.LastIndexByte(path, '/'), 0)]; dir != lastDir {
			lastDir = dir
			for d := lastDir; d != ""; d = d[:max(strings.LastIndexByte(d, '/'), 0)] {
				if a := dirs[d]; a != nil {
					a.dir = true
				}
			}
		}
		for _, k := range []key{{otherReading, path}, {sameText, text(path)}, {sameFold, fold(path)}} {
			for _, m := range wanted[k] {
				if !named(m.a.wants, wants) {
					m.a.offer(*e, k.rank, m.path)
				} else if k.rank == otherReading {
					m.a.other, m.a.agrees = path, agree(m.a.wants, wants)
				}
			}
		}
		return nil
	})
	if err == nil {
		err = c.incomplete // what was seen a moment ago can't be seen now: nothing is claimed
	}
	return err
}

// named says that a list of a names a path itself.
func named(a, there []want) bool {
	return slices.ContainsFunc(a, func(w want) bool {
		return slices.ContainsFunc(there, func(t want) bool { return t.list == w.list })
	})
}

func (a *absent) offer(e fixity.Entry, r rank, path string) {
	switch {
	case a.found == nil || r < a.found.rank:
		a.found = &candidate{entry: e, rank: r, path: path}
		switch r {
		case sameText:
			a.found.also = []Reason{Normalisation}
		case sameFold:
			a.found.also = []Reason{Case}
		}
	case r == a.found.rank && r != otherReading && e.Path != a.found.entry.Path:
		a.found.ambiguous = true
	}
}

// again says that a list names the file that a means by two odd names, and tells
// of it; else it notes what a means.
func (c *check) again(a *absent, taken map[string][]want) bool {
	path := a.found.entry.Path
	if named(a.wants, taken[path]) {
		c.readTwice(a, path, agree(a.wants, taken[path]))
		return true
	}
	taken[path] = append(taken[path], a.wants...)
	return false
}

// readTwice tells of a path that only by another reading is the file at path, which
// its list names as well.
func (c *check) readTwice(a *absent, path string, agrees bool) {
	c.twice(path, names(a.wants), a.wants[0].line.Number, agrees, "this line's path can be read otherwise, but no such file is there")
}

// twice tells of a second line of a list for one file. agrees says that it gives the
// same digest.
func (c *check) twice(path string, lists []string, line int, agrees bool, detail string) {
	if agrees && c.rules.TwiceIsWarning {
		c.warn.Add(Warning{Reason: NamedTwice, File: lists[0], Line: line, Path: path, Detail: detail})
		return
	}
	c.problem(Problem{Kind: ListedTwice, Path: path, Lists: lists, Line: line, Detail: detail})
}

// agree says that no list gives another digest by the same algorithm in a than there.
func agree(a, there []want) bool {
	return !slices.ContainsFunc(a, func(w want) bool {
		return slices.ContainsFunc(there, func(t want) bool {
			return t.list == w.list && t.line.Digest.Algorithm == w.line.Digest.Algorithm && t.line.Digest != w.line.Digest
		})
	})
}

// found takes a file that was meant by another name out of those that a list lacks.
func (c *check) found(a *absent) {
	path := a.found.entry.Path
	if lacks, ok := c.partial[path]; ok {
		c.partial[path] = slices.DeleteFunc(lacks, func(l *list) bool {
			return slices.ContainsFunc(a.wants, func(w want) bool { return w.list == l })
		})
		return
	}
	c.lacking(path, a.wants)
}

// above is what lies in the place of path or of a folder on the way to it and is
// no file, nil if there is nothing of that kind.
func (c *check) above(path string) *fixity.Entry {
	for path != "" {
		if e, ok := c.others[path]; ok {
			return &e
		}
		path = path[:max(strings.LastIndexByte(path, '/'), 0)]
	}
	return nil
}

// below tells of what is no file and has listed paths below it: once, however
// many these are.
func (c *check) below(links map[string]int) {
	for path, n := range links {
		detail := fmt.Sprintf("%d listed files would lie below it", n)
		i := slices.IndexFunc(c.res.Problems, func(p Problem) bool {
			return p.Path == path && (p.Kind == Link || p.Kind == Special || p.Kind == Online)
		})
		if i >= 0 {
			c.res.Problems[i].Detail = detail
			continue
		}
		kind, _ := kindOf(c.others[path].Type)
		c.problem(Problem{Kind: kind, Path: path, Detail: detail})
	}
	for _, e := range c.silent {
		if _, ok := links[e.Path]; !ok && (c.rules.Ours == nil || !c.rules.Ours(e.Path)) { // Verify told of its lists
			_, what := kindOf(e.Type)
			c.warn.Add(Warning{Reason: NotFollowed, File: e.Path, Detail: what})
		}
	}
}

// lost tells of a listed path that nothing there can be meant by.
func (c *check) lost(a *absent) {
	p := Problem{Kind: Missing, Path: a.path, Lists: names(a.wants), Line: a.wants[0].line.Number}
	digests := false
	for _, w := range a.wants {
		for _, why := range w.line.Reasons {
			c.warn.Add(Warning{Reason: why, File: w.list.Name, Line: w.line.Number, Path: a.path})
		}
		digests = digests || !w.list.NoDigests
	}
	why, _ := Leaves(a.path, c.rules.System)
	switch {
	case why != "":
		p.Kind, p.Detail = Outside, why
	case a.dir || strings.HasSuffix(a.path, "/"):
		p.Kind = Directory
	case !digests:
		p.Kind, p.Detail = Fetch, "no manifest names it"
	case a.found != nil && a.found.ambiguous:
		p.Detail = "more than one file there has a name like it"
	}
	c.problem(p)
	if p.Kind == Missing {
		for _, w := range a.wants {
			if w.list.NoDigests {
				c.res.Problems[len(c.res.Problems)-1].Detail = "it is still to be fetched, by " + w.list.Name
			}
		}
	}
}

// unlistedFiles tells of files that no list names, by no reading of its lines.
func (c *check) unlistedFiles(taken map[string][]want) {
	if c.unread {
		return
	}
	for _, e := range c.unexpected {
		switch {
		case taken[e.Path] != nil:
		case c.rules.Unlisted != nil:
			c.rules.Unlisted(e.Path)
		default:
			c.problem(Problem{Kind: Unexpected, Path: e.Path})
		}
	}
}

func (c *check) partials() {
	if c.unread {
		return
	}
	for path, lacks := range c.partial {
		for _, l := range lacks {
			c.problem(Problem{Kind: Unlisted, Path: path, Lists: []string{l.Name}, Detail: l.Name + " doesn't name it"})
		}
	}
}
