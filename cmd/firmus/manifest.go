package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/manifest"
	"firmus/replicas/disk"
)

func (c *command) manifestCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "manifest", Short: "Write or verify a folder's checksum manifest", Long: "A manifest is a text file with the checksum of each file of a folder (RFC 8493).", Args: cobra.NoArgs,
		Annotations: onlyHelp, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	var alg string
	var replace bool
	write := &cobra.Command{
		Use:   "write DIR",
		Short: "Write the manifest of a folder",
		Long: `Reads every file below a folder and writes manifest-sha256.txt into it. It needs
no configuration and no ledger. Each file is read twice, from the drive itself: if the two
readings disagree, no manifest is written, since a loose cable may be to blame. A file that
is as a manifest there already says is read once.

A manifest that is there already is replaced only if all that it says still holds. If
something has changed since, "manifest verify" says what, and --replace replaces the
manifest all the same.`,
		Args: cobra.ExactArgs(1),
	}
	write.Flags().StringVar(&alg, "alg", "sha256", "digest `ALGORITHM`: sha256, sha512, sha1, md5, blake3 …")
	write.Flags().BoolVar(&replace, "replace", false, "replace a manifest that says something else")
	cacheW := cacheFlag(write)
	write.RunE = func(cmd *cobra.Command, args []string) error {
		cache, err := cacheW()
		if err != nil {
			return err
		}
		return c.writeManifest(cmd.Context(), args[0], alg, replace, cache)
	}
	verify := &cobra.Command{
		Use:   "verify DIR",
		Short: "Compare a folder with its manifests",
		Long: `Reads every file that the manifests in a folder list, and says what is altered,
missing or unexpected. A folder with a bagit.txt is checked as a bag. It needs no
configuration and no ledger.`,
		Args: cobra.ExactArgs(1),
	}
	cacheV := cacheFlag(verify)
	verify.RunE = func(cmd *cobra.Command, args []string) error {
		cache, err := cacheV()
		if err != nil {
			return err
		}
		return c.verifyManifest(cmd.Context(), args[0], cache)
	}
	cmd.AddCommand(write, verify)
	return cmd
}

// folder opens a folder named on the command line.
func folder(dir string, cache fixity.Cache) (*disk.Dir, error) {
	st, err := os.Stat(dir)
	if err != nil {
		return nil, err
	}
	if !st.IsDir() {
		return nil, usageError{fmt.Errorf("%s is not a folder: name the folder that the files lie in", dir)}
	}
	return app.Folder(dir, cache)
}

func (c *command) writeManifest(ctx context.Context, dir, alg string, replace bool, cache fixity.Cache) error {
	a := manifest.ParseAlgorithm(alg)
	if !a.Digest() {
		return usageError{fmt.Errorf("digest algorithm %q is not known", alg)}
	}
	d, err := folder(dir, cache)
	if err != nil {
		return err
	}
	if err := c.outside(dir); err != nil {
		return fmt.Errorf("write a manifest: %w\nin a store \"firmus intake\" writes the manifests, from the record: one made from what lies there now would call a damaged file right", err)
	}
	name := manifest.Name(a)
	old, err := d.ReadFile(ctx, name, maxManifest)
	if err != nil && !errors.Is(err, fixity.ErrVanished) {
		return err
	}
	known := digestsOf(old, a)
	c.startProgress(0)
	var text bytes.Buffer
	sum, err := manifest.Compute(ctx, d, map[fixity.Algorithm]io.Writer{a: &text}, manifest.Options{Progress: c.fileProgress(dir),
		Known: func(path string, d fixity.Digest) bool { return known[path] == d }})
	c.progress.stop()
	if err != nil {
		return fmt.Errorf("%s: no manifest was written: %w", dir, err)
	}
	if !replace {
		if said := contradiction(old, text.Bytes(), a); said != "" {
			return usageError{fmt.Errorf("%s in %s says something else (%s). \"firmus manifest verify\" says what has changed; --replace replaces it all the same", name, dir, said)}
		}
	}
	if err := d.Replace(ctx, name, func(w io.Writer) error { _, err := w.Write(text.Bytes()); return err }); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	for _, w := range sum.Warnings {
		c.say("%s", w)
	}
	if c.json {
		c.document(map[string]any{"manifest": name, "files": sum.Files, "bytes": sum.Bytes, "cache": sum.Cache, "warnings": warningTexts(sum.Warnings), "exit": 0})
		return nil
	}
	c.printf("%s: %s, %s\n", name, fixity.Count(int64(sum.Files), "file"), report.Size(sum.Bytes))
	return nil
}

func warningTexts(ws []manifest.Warning) []string {
	out := []string{}
	for _, w := range ws {
		out = append(out, w.String())
	}
	return out
}

// maxManifest bounds a manifest that is held in memory, in bytes: ten million files.
const maxManifest = 1 << 30

// digestsOf are what a folder's manifest says of each path; a line that can't be read says
// nothing.
func digestsOf(text []byte, a fixity.Algorithm) map[string]fixity.Digest {
	out := map[string]fixity.Digest{}
	for l, err := range manifest.Read(bytes.NewReader(text), manifest.ReadOptions{Algorithm: a, Rule: manifest.FolderRule}) {
		if err == nil {
			out[l.Path] = l.Digest
		}
	}
	return out
}

// contradiction says the first line of an old manifest that a new one doesn't bear out.
func contradiction(old, fresh []byte, a fixity.Algorithm) string {
	o := manifest.ReadOptions{Algorithm: a, Rule: manifest.FolderRule}
	now := digestsOf(fresh, a)
	for l, err := range manifest.Read(bytes.NewReader(old), o) {
		if err != nil {
			return err.Error()
		}
		d, found := now[l.Path]
		for _, r := range l.Others {
			if !found {
				d, found = now[r.Path]
			}
		}
		switch {
		case !found:
			return fmt.Sprintf("%s is no longer there", report.Show(l.Path))
		case d != l.Digest:
			return fmt.Sprintf("%s has another digest", report.Show(l.Path))
		}
	}
	return ""
}

func (c *command) verifyManifest(ctx context.Context, dir string, cache fixity.Cache) error {
	d, err := folder(dir, cache)
	if err != nil {
		return err
	}
	if yes, err := isBag(ctx, dir); err != nil || yes {
		if err != nil {
			return err
		}
		return c.verifyBag(ctx, dir, cache)
	}
	c.startProgress(0)
	res, err := manifest.Verify(ctx, d, manifest.Options{Progress: c.fileProgress(dir)})
	c.progress.stop()
	return c.verified(dir, res, res, err)
}

// fileProgress feeds the progress line from a walk over a folder.
func (c *command) fileProgress(dir string) func(string, int64) {
	last := ""
	return func(path string, n int64) {
		if path != last {
			c.progress.file(dir, path)
			last = path
		}
		c.progress.add(n)
	}
}

// verified prints what verifying a folder or bag showed; doc is its JSON.
func (c *command) verified(dir string, res manifest.Result, doc any, err error) error {
	if !res.Valid {
		c.exit = exitFinding
	}
	if err != nil {
		c.exit = max(c.exit, statusOf(err))
	}
	if c.json {
		c.document(doc)
		return err
	}
	for _, w := range res.Warnings {
		c.say("%s", w)
	}
	for _, p := range res.Problems {
		c.printf("%s\n", problem(p))
	}
	switch {
	case err != nil:
	case res.Valid:
		c.printf("%s is valid: %s read, %s, every digest agrees\n", dir, fixity.Count(int64(res.Read), "file"), report.Size(res.Bytes))
	default:
		c.printf("%s is NOT VALID: %s\n", dir, fixity.Count(len(res.Problems), "problem"))
	}
	return err
}

// problem is one reason why a folder isn't valid, in words.
func problem(p manifest.Problem) string {
	s := fmt.Sprintf("%s: %s", report.Show(cmp.Or(p.Path, ".")), p.Kind.Means())
	if len(p.Lists) > 0 && p.Lists[0] != p.Path {
		s += "; " + p.Lists[0]
	}
	if p.Line > 0 {
		s += fmt.Sprintf(", line %d", p.Line)
	}
	if p.Detail != "" {
		s += fmt.Sprintf(" (%s)", p.Detail)
	}
	return s
}
