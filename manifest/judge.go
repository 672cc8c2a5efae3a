package manifest

import (
	"context"
	"errors"
	"fmt"
	pathpkg "path"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// first goes through everything once: reads what is listed and lies there, and
// keeps what is only listed or only there.
func (c *check) first(ctx context.Context) error {
	var clashes Clashes
	twice := func(l *list, first, again Line) {
		detail := fmt.Sprintf("also in line %d", first.Number)
		if first.Digest != again.Digest {
			detail += ", with another digest"
		}
		c.twice(again.Path, []string{l.Name}, again.Number, first.Digest == again.Digest, detail)
	}
	var err error
	c.incomplete, err = c.merge(ctx, twice, func(path string, e *fixity.Entry, wants []want) error {
		if e == nil {
			c.absent = append(c.absent, &absent{path: path, wants: wants})
			return nil
		}
		if own(path) && len(wants) == 0 {
			return nil
		}
		if other, _ := clashes.Add(path); other != "" {
			c.warn.Add(Warning{Reason: Clash, File: path, Detail: "the other is " + show(other)})
		}
		if e.Type != fixity.File {
			return c.noFile(*e, wants)
		}
		if c.rules.OwnManifests {
			c.cover(path)
		}
		if len(wants) == 0 {
			c.unlisted(*e)
			return nil
		}
		c.lacking(path, wants)
		return c.judge(ctx, *e, wants, nil)
	})
	return err
}

// noFile deals with what is never opened.
func (c *check) noFile(e fixity.Entry, wants []want) error {
	c.others[e.Path] = e
	if e.Type == fixity.LeftOut {
		if len(wants) > 0 || c.rules.Strict {
			c.unjudged(e.Path, e.Path, wants)
		} else {
			c.warn.Add(Warning{Reason: LeftOut, Path: e.Path})
		}
		return nil
	}
	kind, _ := kindOf(e.Type)
	switch {
	case len(wants) > 0:
		c.problem(Problem{Kind: kind, Path: e.Path, Lists: names(wants), Line: wants[0].line.Number})
	case c.rules.Strict && c.rules.Unlisted == nil:
		c.problem(Problem{Kind: kind, Path: e.Path})
	default:
		c.silent = append(c.silent, e)
	}
	return nil
}

// unjudged deals with a listed path that lies where the listing leaves things out.
func (c *check) unjudged(path, leftOut string, wants []want) {
	if c.rules.Told != nil {
		c.warn.Add(Warning{Reason: LeftOut, File: wants[0].list.Name, Line: wants[0].line.Number, Path: path})
		return
	}
	c.failed(fmt.Errorf("%w: %q is left out by the listing, so %q can't be judged", fixity.ErrIncomplete, leftOut, path))
}

// kindOf is the kind of problem that an entry is that isn't a file, and its name.
func kindOf(t fixity.Type) (Kind, string) {
	switch t {
	case fixity.Link:
		return Link, "a link"
	case fixity.Online:
		return Online, "a placeholder"
	}
	return Special, "a FIFO, socket or device"
}

// cover notes a folder that has a manifest of its own, by that manifest's path.
// Entries below one folder follow each other, so what was seen of it before is
// at the end of unexpected.
func (c *check) cover(path string) {
	dir, name := pathpkg.Split(path)
	if a, _, _ := ParseName(name); dir == "" || a == "" {
		return
	}
	if c.coveredIn != "" && strings.HasPrefix(path, c.coveredIn) {
		return
	}
	c.coveredIn = dir
	n := len(c.unexpected)
	for n > 0 && strings.HasPrefix(c.unexpected[n-1].Path, dir) {
		n--
	}
	c.covered[dir] = len(c.unexpected) - n
	c.unexpected = c.unexpected[:n]
}

func (c *check) unlisted(e fixity.Entry) {
	switch {
	case c.rules.Ours != nil && c.rules.Ours(e.Path):
	case c.coveredIn != "" && strings.HasPrefix(e.Path, c.coveredIn):
		c.covered[c.coveredIn]++
	default:
		c.unexpected = append(c.unexpected, e)
	}
}

// lacking notes a file that not every list names where that is asked for.
func (c *check) lacking(path string, wants []want) {
	if !c.rules.EveryList {
		return
	}
	var lacks []*list
	digests := 0
	for _, l := range c.lists {
		if l.NoDigests {
			continue
		}
		digests++
		if !slices.ContainsFunc(wants, func(w want) bool { return w.list == l }) {
			lacks = append(lacks, l)
		}
	}
	if len(lacks) > 0 && len(lacks) < digests {
		c.partial[path] = lacks
	}
}

// judge reads a file and compares it with what the lists say of it. found is how
// the lists' path was read, nil if it is the file's own.
func (c *check) judge(ctx context.Context, e fixity.Entry, wants []want, found *candidate) error {
	var algs []fixity.Algorithm
	for _, w := range wants {
		reasons := w.line.Reasons
		if found != nil {
			reasons = append(slices.Clone(found.reasons(w)), found.also...)
		}
		for _, why := range reasons {
			c.warn.Add(Warning{Reason: why, File: w.list.Name, Line: w.line.Number, Path: w.line.Path, Detail: found.detail(e.Path)})
		}
		if w.line.Sized && w.line.Size != e.Size {
			c.warn.Add(Warning{Reason: LengthDiffers, File: w.list.Name, Line: w.line.Number, Path: e.Path,
				Detail: fmt.Sprintf("%d bytes, not %d", e.Size, w.line.Size)})
		}
		if !w.list.NoDigests {
			algs = append(algs, w.line.Digest.Algorithm)
		}
		if c.rules.Told != nil {
			if err := c.rules.Told(e, w.list.Name, w.line); err != nil {
				return err
			}
		}
	}
	if c.rules.Told != nil {
		return nil
	}
	if len(algs) == 0 {
		p := Problem{Kind: Fetch, Path: e.Path, Lists: names(wants), Line: wants[0].line.Number, Detail: "no manifest names it"}
		c.problem(p)
		return nil
	}
	sums, err := c.read(ctx, e, algs)
	if err != nil {
		switch {
		case stops(ctx, err):
			return err
		case errors.Is(err, fixity.ErrUnreadable):
			c.problem(Problem{Kind: Unreadable, Path: e.Path, Lists: names(wants), Detail: err.Error()})
		default:
			c.failed(err)
		}
		return nil
	}
	var agree, differ []string
	var line int
	var detail string
	for _, w := range wants {
		if w.list.NoDigests {
			continue
		}
		if got, _ := sums.Get(w.line.Digest.Algorithm); got == w.line.Digest {
			agree = append(agree, w.list.Name)
			continue
		}
		if len(differ) == 0 {
			line = w.line.Number
		}
		differ = append(differ, w.list.Name)
	}
	if len(differ) == 0 {
		return nil
	}
	if len(agree) > 0 {
		detail = "it agrees with " + strings.Join(agree, ", ")
	}
	c.problem(Problem{Kind: Altered, Path: e.Path, Lists: differ, Line: line, Detail: detail})
	return nil
}

// read gives the digests of one file. A result is only believed when the reader
// came to its end without an error.
func (c *check) read(ctx context.Context, e fixity.Entry, algs []fixity.Algorithm) (digest.Sums, error) {
	sums, cache, err := readFile(ctx, c.f, e, algs, c.rules.Progress)
	if err != nil {
		return sums, err
	}
	c.res.AddRead(sums.Size, cache)
	return sums, nil
}

func readFile(ctx context.Context, f Folder, e fixity.Entry, algs []fixity.Algorithm, progress func(string, int64)) (digest.Sums, fixity.Cache, error) {
	r, err := f.Open(ctx, e, 0)
	if err != nil {
		return digest.Sums{}, "", err
	}
	defer r.Close()
	o := digest.Options{Algorithms: algs}
	if progress != nil {
		o.Progress = func(n int64) { progress(e.Path, n) }
	}
	sums, err := o.Read(ctx, r)
	if err != nil {
		return sums, "", fmt.Errorf("read %q: %w", e.Path, err)
	}
	return sums, r.Cache(), nil
}

func names(wants []want) []string {
	var s []string
	for _, w := range wants {
		s = append(s, w.list.Name)
	}
	return s
}
