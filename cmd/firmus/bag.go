package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/manifest"
	"firmus/manifest/bag"
)

func (c *command) bagCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "bag", Short: "Make or verify bags (RFC 8493)", Long: "A bag is a folder with files, their checksums and a label, as archives hand them to each\nother (RFC 8493).", Args: cobra.NoArgs,
		Annotations: onlyHelp, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	var algs, info []string
	mk := &cobra.Command{
		Use:   "make SRC DEST",
		Short: "Make a bag of a folder",
		Long: `Copies all files below SRC into a new bag DEST, reads the copies back and compares
them, and writes the manifests. SRC is only read; DEST must not be there yet. It
needs no configuration and no ledger.`,
		Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return c.makeBag(cmd.Context(), args[0], args[1], algs, info)
		},
	}
	mk.Flags().StringSliceVar(&algs, "alg", nil, "`ALGORITHM` of the manifests' digests; may be repeated (default sha512)")
	mk.Flags().StringArrayVar(&info, "info", nil, "an element of bag-info.txt, `LABEL=VALUE`; may be repeated")
	verify := &cobra.Command{
		Use:   "verify DIR",
		Short: "Check a bag by the book",
		Long: `Checks that a bag is complete and valid (RFC 8493, section 3): versions 0.93 to
1.0. Nothing outside of it is opened, and fetch.txt is checked and never fetched.`,
		Args: cobra.ExactArgs(1),
	}
	cache := cacheFlag(verify)
	verify.RunE = func(cmd *cobra.Command, args []string) error {
		how, err := cache()
		if err != nil {
			return err
		}
		return c.verifyBag(cmd.Context(), args[0], how)
	}
	cmd.AddCommand(mk, verify, c.bagItemCommand())
	return cmd
}

func (c *command) bagItemCommand() *cobra.Command {
	restricted := false
	cmd := &cobra.Command{
		Use:   "item N DEST",
		Short: "Make a bag of an item's files, for another archive",
		Long: `Copies the files of an item, of all sets, into a new bag DEST: each from a store that
was shown to hold its current version, and held against the ledger's digest.

An item is refused if a recording of it is restricted: its set is, or the register doesn't
say plainly that it isn't. --restricted makes the bag all the same, and the bag says so.`,
		Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return c.bagItem(cmd.Context(), args[0], args[1], restricted)
		},
	}
	cmd.Flags().BoolVar(&restricted, "restricted", false, "also if a recording of the item is restricted")
	return cmd
}

func (c *command) bagItem(ctx context.Context, item, dest string, restricted bool) error {
	a, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer a.Close()
	if err := guarded.Of(a.Config).Outside(dest); err != nil {
		return err
	}
	wanted, err := a.Acts.WantedDigests(ctx, item)
	if err != nil {
		return err
	}
	is, err := a.Acts.Restricted(ctx, item)
	if err != nil {
		return err
	}
	if is && !restricted {
		return fmt.Errorf("a recording of item %q is restricted, so no bag was made. If it may leave the house, add --restricted: %w", item, fixity.ErrRefused)
	}
	show := c.fileProgress(item)
	o := bag.MakeOptions{Date: time.Now(), Algorithms: []fixity.Algorithm{fixity.SHA512, fixity.SHA256},
		Info:     bag.Info{{Label: "Source-Organization", Value: a.Config.Name}, {Label: "External-Identifier", Value: item}},
		Progress: func(_ bag.Step, path string, n int64) { show(path, n) },
		Open:     func(dir string) (manifest.Folder, error) { return app.WholeFolder(dir, fixity.Bypassed) }}
	if is {
		o.Info = append(o.Info, bag.Element{Label: "Access", Value: "restricted"})
	}
	c.startProgress(0)
	made, err := bag.Build(ctx, func(yield func(bag.File, error) bool) {
		for x, err := range a.Acts.ItemFiles(ctx, item) {
			if !yield(bag.File{Path: x.Path, ModTime: x.ModTime, Open: x.Open}, err) {
				return
			}
		}
	}, dest, o)
	c.progress.stop()
	if err != nil {
		return err
	}
	if err := holdsWanted(dest, wanted); err != nil {
		// What was just made isn't what it claims to be: it must not leave the house.
		return errors.Join(err, os.RemoveAll(dest))
	}
	return c.madeBag(dest, made)
}

// holdsWanted compares a new bag's manifest with the ledger's digests.
func holdsWanted(dest string, wanted map[string]fixity.Digest) error {
	f, err := os.Open(filepath.Join(dest, manifest.Name(fixity.SHA256)))
	if err != nil {
		return err
	}
	defer f.Close()
	n := 0
	for l, err := range manifest.Read(f, manifest.ReadOptions{Algorithm: fixity.SHA256, Rule: manifest.BagRule}) {
		if err != nil {
			return err
		}
		p := strings.TrimPrefix(l.Path, "data/")
		if wanted[p] != l.Digest {
			return fmt.Errorf("%s is not what it should be where it was copied from: audit its stores; the bag was taken away again", report.Show(p))
		}
		n++
	}
	if n != len(wanted) {
		return fmt.Errorf("the bag holds %d of %d files; it was taken away again", n, len(wanted))
	}
	return nil
}

func (c *command) makeBag(ctx context.Context, src, dest string, algs, info []string) error {
	show := c.fileProgress(src)
	o := bag.MakeOptions{Date: time.Now(), Progress: func(_ bag.Step, path string, n int64) { show(path, n) },
		Open: func(dir string) (manifest.Folder, error) { return app.WholeFolder(dir, fixity.Bypassed) }}
	for _, a := range algs {
		alg := manifest.ParseAlgorithm(a)
		if alg == "" {
			return usageError{fmt.Errorf("digest algorithm %q is not known", a)}
		}
		o.Algorithms = append(o.Algorithms, alg)
	}
	for _, x := range info {
		label, value, ok := strings.Cut(x, "=")
		if !ok {
			return usageError{fmt.Errorf("--info is LABEL=VALUE, not %q", x)}
		}
		o.Info = append(o.Info, bag.Element{Label: label, Value: value})
	}
	if _, err := folder(src, fixity.Bypassed); err != nil {
		return err
	}
	if err := c.outside(dest); err != nil {
		return err
	}
	c.startProgress(0)
	made, err := bag.Make(ctx, src, dest, o)
	c.progress.stop()
	if err != nil {
		return err
	}
	return c.madeBag(dest, made)
}

func (c *command) madeBag(dest string, made bag.Made) error {
	for _, w := range made.Warnings {
		c.say("%s", w)
	}
	if c.json {
		c.document(made)
		return nil
	}
	c.printf("%s: a bag of %s, %s; each was read back and compared\n", dest, fixity.Count(int64(made.Files), "file"), report.Size(made.Bytes))
	return nil
}

func (c *command) verifyBag(ctx context.Context, dir string, cache fixity.Cache) error {
	if _, err := folder(dir, cache); err != nil {
		return err
	}
	d, err := app.WholeFolder(dir, cache)
	if err != nil {
		return err
	}
	c.startProgress(0)
	res, err := bag.Verify(ctx, d, bag.Options{Progress: c.fileProgress(dir)})
	c.progress.stop()
	return c.verified(dir, res.Result, res, err)
}

// isBag says that a folder is meant as a bag.
func isBag(ctx context.Context, dir string) (bool, error) {
	d, err := app.WholeFolder(dir, fixity.Bypassed)
	if err != nil {
		return false, err
	}
	_, err = d.Stat(ctx, "bagit.txt")
	if errors.Is(err, fixity.ErrVanished) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("%s: %w", filepath.Join(dir, "bagit.txt"), err)
	}
	return true, nil
}
