package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/handover"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/manifest"
	"firmus/manifest/bag"
)

func (c *command) bagItemCommand() *cobra.Command {
	restricted := false
	cmd := &cobra.Command{
		Use:   "item N DEST",
		Short: "Make a bag of an item's files, for another archive",
		Long: `Copies the files of an item, of all sets, into a new bag DEST. Each comes from the best
copy that is known, and is held against the ledger's digests; where a copy isn't the
version any more, the next one is taken, and the first is read again at once: the finding
about it is named, and the exit status is 1. If no store gives a file whole, no bag is made
(1 as well).

Beside the files lie, below metadata: the register's rows about the item under the
register's own heads (register.csv, register.json), and the history of its files as
PREMIS 3.0 (premis.xml).

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
	is, err := a.Acts.Restricted(ctx, item)
	if err != nil {
		return err
	}
	if is && !restricted {
		return fmt.Errorf("a recording of item %q is restricted, so no bag was made. If it may leave the house, add --restricted: %w", item, fixity.ErrRefused)
	}
	files, err := a.Acts.ItemFiles(ctx, item)
	if err != nil {
		return err
	}
	if err := namesForBag(a, files); err != nil {
		return err
	}
	show := c.fileProgress(item)
	now := time.Now()
	o := bag.MakeOptions{Date: now, Algorithms: []fixity.Algorithm{fixity.SHA512, fixity.SHA256},
		Info:     bag.Info{{Label: "Source-Organization", Value: a.Config.Name}, {Label: "External-Identifier", Value: item}},
		Progress: func(_ bag.Step, path string, n int64) { show(path, n) },
		Open:     func(dir string) (manifest.Folder, error) { return app.WholeFolder(dir, fixity.Bypassed) }}
	if is {
		o.Info = append(o.Info, bag.Element{Label: "Access", Value: "restricted"})
	}
	h := handover.Handed{Item: item, Package: rand.Text(), Restricted: is, Now: map[int64]int64{}}
	var gone []ledger.HandedFile
	for _, f := range files {
		h.Now[f.ID] = f.Current.N
		gone = append(gone, ledger.HandedFile{File: f.ID, Version: f.Current.N})
	}
	// Before the bag has its name: the record may tell of a bag that never got it, if the
	// computer fails just then, but no bag leaves the house that the record doesn't know.
	o.Whole = func(m bag.Made) error {
		to, err := filepath.Abs(dest)
		if err != nil {
			return err
		}
		return a.Acts.HandedOver(ctx, ledger.HandOver{Item: item, To: to, Package: h.Package, Restricted: is, Manifest: m.Manifest, Digest: m.Digest, Files: gone})
	}
	if o.Tags, err = c.itemTags(ctx, a, h, now); err != nil {
		return err
	}
	c.startProgress(0)
	made, err := bag.Build(ctx, func(yield func(bag.File, error) bool) {
		for i, f := range files {
			fill := func(ctx context.Context, begin func() (io.Writer, error)) (time.Time, error) {
				return a.Acts.Give(ctx, files, i, begin)
			}
			if !yield(bag.File{Path: f.Name(), Fill: fill, Want: []fixity.Digest{f.Current.SHA256}}, nil) {
				return
			}
		}
	}, dest, o)
	if again := c.readPassed(ctx, a, files); again != nil && err == nil {
		c.progress.stop()
		return errors.Join(c.madeBag(dest, made), again)
	}
	c.progress.stop()
	if err != nil {
		return err
	}
	return c.madeBag(dest, made)
}

// readPassed has copies read again that gave other bytes than they should, and says what
// follows.
func (c *command) readPassed(ctx context.Context, a *app.App, files []acts.ItemFile) error {
	found, unread, err := a.Acts.ReadPassed(ctx, files)
	if err != nil {
		return fmt.Errorf("read again what gave other bytes: %w", err)
	}
	for _, f := range found {
		c.exit = max(c.exit, exitFinding)
		c.say("finding [%d] is open about %s/%s in %s (%s). What to do: firmus findings show %d", f.ID, f.Set, report.Show(f.Path), f.Store, f.Kind, f.ID)
	}
	for _, s := range unread {
		c.exit = max(c.exit, exitFinding)
		c.say("a copy in %s that could not be used is not judged yet. Have it looked at: firmus audit %s", s, s)
	}
	return nil
}

// namesForBag refuses names that no manifest can hold (RFC 8493, section 2.1.3: UTF-8), and
// says what to do about them.
func namesForBag(a *app.App, files []acts.ItemFile) error {
	var odd []string
	in := ""
	for _, f := range files {
		if !utf8.ValidString(f.Path) {
			odd = append(odd, f.Set+"/"+report.Show(f.Path))
			s, _ := a.Acts.Rules.Arrivals(f.Set)
			in = s.Name
		}
	}
	if len(odd) == 0 {
		return nil
	}
	return fmt.Errorf("a bag's manifest holds names in UTF-8 only, and no bag was made. Rename in %s, audit it, and sign off the new place, then make the bag: %s: %w", in, strings.Join(odd, ", "), fixity.ErrRefused)
}

// itemTags are what lies beside an item's files.
func (c *command) itemTags(ctx context.Context, a *app.App, h handover.Handed, now time.Time) ([]bag.TagFile, error) {
	story, err := handover.ItemText(ctx, a.Ledger, teller(a, now), h)
	if err != nil {
		return nil, err
	}
	tags := []bag.TagFile{{Path: "metadata/premis.xml", Text: story}}
	rows, ok, err := handover.RowsOf(ctx, a.Ledger, a.Config.Name, h.Item)
	switch {
	case err != nil:
		return nil, err
	case !ok:
		return tags, nil
	case len(rows.Rows) == 0:
		c.say("the register has no row about item %q, so the bag has none", h.Item)
		return tags, nil
	}
	asCSV, err := rows.CSV()
	if err != nil {
		return nil, err
	}
	asJSON, err := rows.JSON()
	return append(tags, bag.TagFile{Path: "metadata/register.csv", Text: asCSV}, bag.TagFile{Path: "metadata/register.json", Text: asJSON}), err
}

func teller(a *app.App, now time.Time) handover.Teller {
	t := handover.Teller{Archive: a.Config.Name, Version: "unknown", By: a.Acts.By, Now: now}
	if b, ok := debug.ReadBuildInfo(); ok && b.Main.Version != "" {
		t.Version = b.Main.Version
	}
	return t
}
