package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
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
