package manifest

import (
	"context"
	"io"
	"slices"

	"firmus/fixity"
)

// Summary is what Compute did.
type Summary struct {
	Files    int          // lines in each manifest
	Bytes    int64        // bytes in those files
	Cache    fixity.Cache // the weakest treatment of the page cache among the reads
	Warnings []Warning
}

// Compute reads the files of f once, in the order of their paths, and writes a
// manifest of them by each algorithm of out. The folder's own manifest-<alg>.txt
// are not listed; those of folders below are files like others. Links, special
// files, placeholders and what is left out as litter are not listed, which
// warnings say.
//
// With an error the texts are not to be used: some file could not be listed or
// read, of whatever cause, and the error wraps it.
func Compute(ctx context.Context, f Folder, out map[fixity.Algorithm]io.Writer, o Options) (Summary, error) {
	shards, err := f.Shards(ctx)
	if err != nil {
		return Summary{}, err
	}
	if o.Root {
		shards = []string{""}
	}
	c := computing{f: f, o: o, out: map[fixity.Algorithm]*Writer{}}
	for a, w := range out {
		c.algs = append(c.algs, a)
		c.out[a] = NewWriter(w, a)
	}
	slices.Sort(c.algs)
	for e, err := range entries(ctx, f, shards) {
		if err != nil {
			return Summary{}, incomplete(err)
		}
		if err := c.take(ctx, e); err != nil {
			return Summary{}, err
		}
	}
	for _, a := range c.algs {
		names, err := c.out[a].Finish()
		if err != nil {
			return Summary{}, err
		}
		if a == fixity.BLAKE3 {
			c.warn.Add(Warning{Reason: NotInRFC, File: Name(a)})
		}
		for _, w := range names {
			c.warn.Add(w)
		}
	}
	c.sum.Warnings = c.warn.List()
	return c.sum, nil
}

type computing struct {
	f       Folder
	o       Options
	algs    []fixity.Algorithm
	out     map[fixity.Algorithm]*Writer
	clashes Clashes
	warn    Warnings
	sum     Summary
}

func (c *computing) take(ctx context.Context, e fixity.Entry) error {
	if own(e.Path) {
		return nil
	}
	switch e.Type {
	case fixity.File:
	case fixity.LeftOut:
		c.warn.Add(Warning{Reason: LeftOut, Path: e.Path})
		return nil
	default:
		c.warn.Add(Warning{Reason: NotFollowed, File: e.Path})
		return nil
	}
	if _, _, ok := ParseName(e.Path); ok {
		return nil
	}
	if other, _ := c.clashes.Add(e.Path); other != "" {
		c.warn.Add(Warning{Reason: Clash, File: e.Path, Detail: "the other is " + show(other)})
	}
	sums, cache, err := readFile(ctx, c.f, e, c.algs, c.o.Progress)
	if err != nil {
		return err
	}
	for _, a := range c.algs {
		d, _ := sums.Get(a)
		if err := c.out[a].Add(e.Path, d); err != nil {
			return err
		}
	}
	c.sum.Files++
	c.sum.Bytes += sums.Size
	c.sum.Cache = weaker(c.sum.Cache, cache)
	return nil
}
