package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/demo"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

func (c *command) demoCommand() *cobra.Command {
	var keep string
	var once bool
	var port uint16
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "See it work on an invented archive",
		Long: `Makes the invented Quillmere Valley Song Survey with a studio drive, a vault, a folder
in the cloud and discs, takes it under care and audits it. It lives a week,
reads its own register, loses its own state folder, and brings the ledger back from a backup. Then it damages
some copies on purpose, audits again, says what was found and what to do, and puts right what
it can. The folder it leaves is an ordinary one, with firmus.toml: go on trying things there. The discs in
it are images.

The cloud is a test server on this computer. It answers until the demo is stopped, and so do
the pages.

With --once it ends by itself, and the exit status is 0 if just the planted damage was found
and the ledger came back as it was, else 1.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.demo(cmd.Context(), keep, once, port) },
	}
	cmd.Flags().StringVar(&keep, "keep", "", "make it in this `DIR`, which must be empty or not there")
	cmd.Flags().BoolVar(&once, "once", false, "end with a verdict, and remove the folder unless --keep names it")
	cmd.Flags().Uint16Var(&port, "port", 0, "serve the pages at this `N`, a port of this computer; else at one that is free")
	return cmd
}

func (c *command) demo(ctx context.Context, dir string, once bool, port uint16) error {
	if dir == "" {
		var err error
		if dir, err = os.MkdirTemp("", "firmus-demo-"); err != nil {
			return err
		}
		if once {
			defer os.RemoveAll(dir)
		}
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return err
	}
	if err := c.outside(dir); err != nil {
		return err
	}
	d := &demonstration{c: c, dir: dir}
	if err := d.prepare(ctx); err != nil {
		if errors.Is(err, demo.ErrNotEmpty) {
			return usageError{err}
		}
		return err
	}
	defer func() { d.app.Close() }() // another, once the ledger was restored
	defer d.cloud.Close()
	defer d.rest()
	clean, err := d.audit(ctx, "Every copy was read. Nothing is wrong so far")
	if err != nil {
		return err
	}
	if n := len(clean); n > 0 {
		c.exit = exitFinding
		c.step("%s before anything was damaged: that must not be", fixity.Count(int64(n), "finding"))
	}
	if err := d.joins(ctx); err != nil {
		return err
	}
	if err := d.owners(ctx); err != nil {
		return err
	}
	if err := d.week(ctx); err != nil {
		return err
	}
	if err := d.shelf(ctx); err != nil {
		return err
	}
	if err := d.register(ctx); err != nil {
		return err
	}
	if err := d.lostState(ctx); err != nil {
		return err
	}
	planted, err := demo.Plant(dir, time.Now())
	if err != nil {
		return err
	}
	inCloud, err := d.cloud.Plant()
	if err != nil {
		return err
	}
	planted = append(planted, inCloud...)
	planted = append(planted, demo.NotWhole)
	if d.onDiscs, err = demo.PlantDiscs(dir, d.discs); err != nil {
		return err
	}
	c.step("Now %s, each to one copy, as such things happen; and one transfer was cut short", fixity.Count(d.accidents(planted)-1, "accident"))
	found, err := d.audit(ctx, "")
	if err != nil {
		return err
	}
	onDiscs, err := d.readDiscs(ctx, "The discs are taken out of their boxes and read again")
	if err != nil {
		return err
	}
	found = append(found, onDiscs...)
	if err := d.verdict(ctx, planted, found, once); err != nil || once {
		return err
	}
	return d.stay(ctx, port)
}

// step tells what the demo does; stdout, unless that is for the JSON document.
func (c *command) step(format string, args ...any) {
	if !c.json {
		c.printf("\n== "+format+"\n", args...)
	}
}

type demonstration struct {
	c     *command
	dir   string
	app   *app.App
	cloud *demo.Cloud
	notes []string // what was said on the way, each once

	discs   []demo.Disc
	onDiscs map[string][]demo.Planted // what was planted on each
}

// demoPerson acts in the demo.
const demoPerson = "the demo"

func (d *demonstration) open(ctx context.Context, cfg *config.Config) (err error) {
	d.app, err = app.Open(ctx, app.Options{Config: cfg, By: demoPerson, Say: d.note, Progress: d.c.auditProgress()})
	if err == nil {
		d.c.tells(d.app)
	}
	return err
}

// accidents is how many were planted in all.
func (d *demonstration) accidents(planted []demo.Planted) int64 {
	n := len(planted)
	for _, p := range d.onDiscs {
		n += len(p)
	}
	return int64(n)
}

func (d *demonstration) prepare(ctx context.Context) error {
	c := d.c
	w, err := demo.Make(d.dir, time.Now())
	if err != nil {
		return err
	}
	c.step("The Quillmere Valley Song Survey: %s of %s, in %s", fixity.Count(int64(w.Files), "file"), fixity.Count(len(w.Items), "reel"), d.dir)
	if !c.json {
		c.printf("A valley that doesn't exist; its songs were made by this program. Each file lies on\nthe studio drive and in the vault, and each master in a folder in the cloud.\n")
	}
	if d.cloud, err = demo.OpenCloud(d.dir, time.Now); err != nil {
		return err
	}
	cfg, err := config.Load(filepath.Join(d.dir, "firmus.toml"))
	if err != nil {
		return err
	}
	// The folder in the cloud is added later.
	first := *cfg
	first.Stores = slices.DeleteFunc(slices.Clone(cfg.Stores), func(s config.Store) bool { return s.Kind == config.Cloud })
	if err := d.open(ctx, &first); err != nil {
		return err
	}
	res, err := d.app.Receiving.Intake(ctx, receiving.IntakeOrder{})
	if err != nil {
		return err
	}
	if res.Exit() != 0 {
		return fmt.Errorf("intake did not go well: %v", res.Trouble)
	}
	c.step("Taken under care: %s, %s; %s written beside them", fixity.Count(res.Taken, "file"), report.Size(res.Bytes), fixity.Count(int64(res.Manifests), "manifest"))
	return nil
}

// joins shows that a store which is added later holds what it holds.
func (d *demonstration) joins(ctx context.Context) error {
	cfg, err := config.Load(filepath.Join(d.dir, "firmus.toml"))
	if err != nil {
		return err
	}
	if err := d.app.Close(); err != nil {
		return err
	}
	if err := d.open(ctx, cfg); err != nil {
		return err
	}
	rs, err := d.app.Acts.Audit(ctx, acts.AuditOrder{Stores: []string{"cloud"}, Full: true, Cache: fixity.Bypassed})
	if err != nil || len(rs) != 1 {
		return err
	}
	r := rs[0]
	d.c.step("A folder in the cloud is added, which was filled long ago. It joins")
	d.c.tell("%-8s %s read, %s intact, %s awaited: it is still being filled. Nothing of it is a finding.\n",
		r.Store, fixity.Count(r.Read, "file"), fixity.Number(r.States[fixity.Intact]), fixity.Number(r.States[fixity.Awaited]))
	d.must(len(r.Findings) == 0 && r.States[fixity.Intact] > 0, "the cloud that joined has %d findings, %d files intact", len(r.Findings), r.States[fixity.Intact])
	return nil
}

// week shows ordinary life: what is told at intake, what waits for a word, and that
// afterwards nothing is wrong. Whatever doesn't go as told is a failure of the demo.
func (d *demonstration) week(ctx context.Context) error {
	c, a := d.c, d.app
	if err := demo.Week(d.dir, time.Now()); err != nil {
		return err
	}
	res, err := a.Receiving.Intake(ctx, receiving.IntakeOrder{})
	if err != nil {
		return err
	}
	c.step("A week of ordinary life. New transfers: %s taken in, and two of them are told at once", fixity.Count(res.Taken, "file"))
	told := map[string]bool{}
	for _, n := range res.Notes {
		told[n.Path] = true
		c.tell("%s/%s: %s\n", n.Set, n.Path, n.Means)
	}
	d.must(len(res.Notes) == 2 && told[demo.CutTransfer] && told[demo.Silenced], "intake told of %d files", len(res.Notes))
	c.tell("One is not whole. That stays a finding until it is transferred again: keep the stick\nand the reel. Firmus doesn't say that a stick with this recording may be erased.\n")
	d.must(res.Unfinished == 1, "intake opened %d findings about recordings that are not whole", res.Unfinished)

	if err := errors.Join(demo.Reorganise(d.dir), demo.Reedit(d.dir, time.Now()), demo.Retag(d.dir, time.Now())); err != nil {
		return err
	}
	found, err := d.audit(ctx, "")
	if err != nil {
		return err
	}
	found = slices.DeleteFunc(found, isCutTransfer)
	var edits, titles []int64
	incident, moved, retagged := int64(0), int64(0), false
	for _, f := range found {
		if f.Kind == fixity.Kind(fixity.Misplaced) && f.Incident != 0 {
			incident, moved = f.Incident, moved+1
		} else if f.Path == demo.Reedited {
			edits = append(edits, f.ID)
		} else if f.Path == demo.Retagged {
			titles = append(titles, f.ID)
			retagged = retagged || f.Anatomy == fixity.DescriptionOnly
		}
	}
	c.step("A folder of songs was given another name, an access file was saved again, and a\n   title was written into a master")
	c.tell("The audit asks: %d findings, %d of them one incident. Of the master it says that the\nsound itself is the same, sample for sample. Of the access file it asks first:\n", len(found), moved)
	asked, err := d.askedOf(ctx, edits)
	if err != nil {
		return err
	}
	c.tell("The archivist looks, listens, and signs off.\n")
	d.must(asked, "the access file that was edited was not asked about first")
	d.must(retagged, "the changed title was not told from changed sound")
	d.must(moved == demo.Songs && len(edits) == 1 && len(titles) == 1 && len(found) == demo.Songs+2, "the audit told of %d files in another folder and of %d changed", moved, len(found)-int(moved))
	if incident != 0 && len(edits) > 0 && len(titles) > 0 {
		if _, err := a.Deciding.SignOff(ctx, deciding.SignOffOrder{Findings: titles, Description: true, Reason: "the title was added"}); err != nil {
			return err
		}
		if _, err := a.Deciding.SignOff(ctx, deciding.SignOffOrder{Findings: edits, Incident: incident, Files: int64(len(found) - len(titles)), Reason: "so it is meant"}); err != nil {
			return err
		}
	}

	if err := demo.Migrate(d.dir, time.Now()); err != nil {
		return err
	}
	if _, err := a.Receiving.Intake(ctx, receiving.IntakeOrder{}); err != nil {
		return err
	}
	r, err := a.Deciding.Replace(ctx, deciding.ReplaceOrder{Pairs: []deciding.Pair{{Old: "masters/" + demo.Original, New: "masters/" + demo.Migrated}}, Reason: "kept as FLAC from now on"})
	if err != nil {
		return err
	}
	c.step("A FLAC took a WAVE's place")
	c.tell("%s holds the samples of %s, proved by decoding it\n", r[0].New.Path, r[0].Old.Path)
	if err := d.cloud.Upload(demo.Retagged, demo.CutTransfer, demo.Silenced); err != nil {
		return err
	}
	found, err = d.audit(ctx, "")
	d.must(len(found) == 1 && isCutTransfer(found[0]), "%d findings after all was signed off", len(found))
	c.step("The vault has not followed yet, which it may for three days. One finding stays open:\n   the transfer that is not whole")
	return err
}

// askedOf prints what is asked of an access file that was saved again, and says whether the
// first step asks whether that was meant.
func (d *demonstration) askedOf(ctx context.Context, edits []int64) (bool, error) {
	for _, id := range edits {
		var f ledger.Finding
		if err := d.app.Ledger.View(ctx, func(t *ledger.Tx) (err error) { f, err = t.Findings.Get(id); return err }); err != nil {
			return false, err
		}
		m, err := d.c.matter(ctx, d.app, f)
		if err != nil {
			return false, err
		}
		steps := m.Steps()
		if len(steps) == 0 || !strings.HasPrefix(steps[0].Text.String(), "Was this edited on purpose?") {
			return false, nil
		}
		for _, s := range m.More(f) {
			d.c.tell("  %s\n", s)
		}
		d.c.tell("  1. %s\n", steps[0].Text)
	}
	return len(edits) > 0, nil
}

// isCutTransfer says that a finding is about the transfer that was cut short.
func isCutTransfer(f ledger.Finding) bool {
	return f.Kind == fixity.Unfinished && f.Path == demo.CutTransfer
}

// putRight puts right what the program can, by one order for each drive, and gives the
// findings that ended by it. What is left is a person's to do.
func (d *demonstration) putRight(ctx context.Context) (done []int64, err error) {
	c := d.c
	c.step("What the program can put right, it does now, by one order for each drive. What lay there\n   is kept, and each file is read again at its place")
	for _, s := range []string{"studio", "vault"} {
		res, err := d.app.Recovering.Recover(ctx, recovering.Order{Store: s, Reason: "the demo's accidents"})
		if err != nil {
			return done, err
		}
		var left []string
		shown := false
		for _, x := range res.Items {
			switch {
			case x.State != recovering.PutBack:
				left = append(left, fmt.Sprintf("  left: %s/%s: %s\n", x.Set, report.Show(x.Path), x.Why))
				continue
			case x.Finding != 0:
				done = append(done, x.Finding)
			}
			if !shown { // one of each drive
				shown = true
				c.tell("%s", recoveryText(x))
			}
		}
		n, _ := res.Count(recovering.PutBack)
		c.tell("%-8s %s put back, and read there: intact\n%s", s, fixity.Counted(n, "copy", "was", "were"), strings.Join(left, ""))
		d.must(n > 0, "nothing was put right in %s", s)
	}
	return done, d.app.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Findings.Open("")
		for _, f := range all {
			d.must(!slices.Contains(done, f.ID), "finding %d was put right, and is still open", f.ID)
		}
		c.tell("%s left to a person: what is on discs and in the cloud,\nwhat is nobody's, and what only somebody who knows it can decide.\n", fixity.Counted(len(all), "finding", "is", "are"))
		return err
	})
}

// must says, and remembers for the exit status, that something didn't go as told.
func (d *demonstration) must(ok bool, format string, args ...any) {
	if !ok {
		d.c.exit = exitFinding
		d.c.step("NOT AS IT SHOULD BE: "+format, args...)
	}
}

// tell prints what a step is about; nothing beside a JSON document.
func (c *command) tell(format string, args ...any) {
	if !c.json {
		c.printf(format, args...)
	}
}

// audit reads every copy and gives the open findings.
func (d *demonstration) audit(ctx context.Context, fine string) ([]ledger.Finding, error) {
	results, err := d.app.Acts.Audit(ctx, acts.AuditOrder{Full: true, Cache: fixity.Bypassed})
	if err != nil {
		return nil, err
	}
	var all []ledger.Finding
	for _, r := range results {
		if len(r.Trouble) > 0 {
			return nil, fmt.Errorf("audit of %s did not finish: %v", r.Store, r.Trouble)
		}
		all = append(all, r.Findings...)
	}
	if len(all) == 0 && fine != "" {
		d.c.step("%s", fine)
		if !d.c.json {
			for _, r := range results {
				d.c.printf("%-8s %s read, %s intact", r.Store, fixity.Count(r.Read, "file"), fixity.Number(r.States[fixity.Intact]))
				for _, s := range []fixity.State{fixity.Behind, fixity.Awaited} {
					if n := r.States[s]; n > 0 {
						d.c.printf(", %s %s", fixity.Number(n), s)
					}
				}
				d.c.printf("\n")
			}
		}
	}
	return all, nil
}

func (d *demonstration) verdict(ctx context.Context, planted []demo.Planted, found []ledger.Finding, once bool) error {
	c := d.c
	lacking, extra := d.compare(planted, found)
	if len(lacking)+len(extra) > 0 {
		c.exit = exitFinding
	}
	if c.json {
		out := []report.Finding{}
		for _, f := range found {
			out = append(out, d.app.Finding(f, true))
		}
		put, err := d.putRight(ctx)
		if err != nil {
			return err
		}
		c.document(map[string]any{"dir": d.dir, "planted": d.accidents(planted), "found": len(found), "lacking": len(lacking), "extra": len(extra), "findings": out, "put_right": len(put), "exit": c.exit})
		return nil
	}
	c.step("Found by reading every copy again: %s", fixity.Count(len(found), "finding"))
	slices.SortStableFunc(found, func(a, b ledger.Finding) int { return b.Urgency.Level() - a.Urgency.Level() })
	heading := fixity.Urgency("")
	told := map[int64]int64{} // findings that are one thing with one that was told
	for _, f := range found {
		if f.Urgency != heading {
			heading = f.Urgency
			c.printf("\n%s\n", report.Urgency(heading))
		}
		if s := d.storyOf(f, planted); s != "" {
			c.printf("\n  What had happened: %s\n", s)
		}
		c.printFinding(f, false, true)
		m, err := c.matter(ctx, d.app, f)
		if err != nil {
			return err
		}
		c.printSaid(m)
		if with := told[f.ID]; with != 0 {
			c.printf("      One thing with finding %d, and one decision: the steps are there.\n", with)
			continue
		}
		if m.Swap() {
			for _, o := range m.Findings {
				told[o.ID] = f.ID
			}
		}
		c.printMore(m, f)
		c.printSteps(m)
	}
	c.printf("\n")
	for _, p := range lacking {
		c.printf("NOT FOUND though planted: %s, %s in %s/%s\n", p.Kind, report.Show(p.Path), p.Store, p.Set)
	}
	for _, f := range extra {
		c.printf("FOUND though nobody planted it: %s, %s in %s/%s\n", f.Kind, report.Show(f.Path), f.Store, f.Set)
	}
	if len(lacking)+len(extra) == 0 {
		c.printf("Every one of the %d planted accidents was found, and nothing else.\n", d.accidents(planted))
	}
	put, err := d.putRight(ctx)
	if err != nil {
		return err
	}
	if !once {
		first := int64(1)
		for _, f := range found {
			if !slices.Contains(put, f.ID) {
				first = f.ID
				break
			}
		}
		c.printf("\nGo on in %s:\n  firmus findings          what is open\n  firmus findings show %-3d all about one\n  firmus audit --full      read everything again\n  firmus disc list         the discs\n  firmus report holdings\nRemove the folder when you have seen enough.\n", d.dir, first)
	}
	return nil
}
