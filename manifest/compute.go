package manifest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// Summary is what Compute did.
type Summary struct {
	Files    int          // lines in each manifest
	Bytes    int64        // bytes in those files
	Cache    fixity.Cache // the weakest treatment of the page cache among the reads
	Warnings []Warning
}

// ErrUnsteady says that a file gave other bytes when it was read once more.
var ErrUnsteady = errors.New("it gave other bytes when it was read once more. Unless somebody saved it just now, check cable, port and hub, and try again")

// Compute reads the files of f, in the order of their paths, and writes a
// manifest of them by each algorithm of out. Each is read twice, except where
// Options.Known bears the first reading out: one wrong reading would else be what
// the manifest vouches for. The folder's own manifest-<alg>.txt
// are not listed; those of folders below are files like others. Links, special
// files, placeholders and what is left out as litter are not listed, which
// warnings say.
//
// With an error the texts are not to be used: some file could not be listed or
// read, of whatever cause, and the error wraps it; ErrUnsteady if its two readings
// disagree.
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
	known := c.o.Known != nil
	for _, a := range c.algs {
		d, _ := sums.Get(a)
		known = known && c.o.Known(e.Path, d)
		if err := c.out[a].Add(e.Path, d); err != nil {
			return err
		}
	}
	if !known {
		var tell func(int64)
		if c.o.Progress != nil {
			tell = func(n int64) { c.o.Progress(e.Path, n) }
		}
		open := func(ctx context.Context) (fixity.Reader, error) { return c.f.Open(ctx, e, 0) }
		if err := Again(ctx, open, sums, c.algs[0], tell); err != nil {
			return fmt.Errorf("read %q: %w", e.Path, err)
		}
	}
	c.sum.Files++
	c.sum.Bytes += sums.Size
	c.sum.Cache = weaker(c.sum.Cache, cache)
	return nil
}

// Again reads a file once more and compares one of the digests that its first reading
// gave: nobody knows what it holds, and one wrong reading is not to be believed. open
// gives the file from its beginning; progress, if set, is told the bytes that were just read.
// The error is ErrUnsteady if the readings disagree, else that of the reading.
func Again(ctx context.Context, open func(context.Context) (fixity.Reader, error), first digest.Sums, a fixity.Algorithm, progress func(int64)) error {
	r, err := open(ctx)
	if err != nil {
		return err
	}
	defer r.Close()
	second, err := digest.Options{Algorithms: []fixity.Algorithm{a}, Progress: progress}.Read(ctx, r)
	if err != nil {
		return err
	}
	was, _ := first.Get(a)
	if is, _ := second.Get(a); is != was {
		return ErrUnsteady
	}
	return nil
}
