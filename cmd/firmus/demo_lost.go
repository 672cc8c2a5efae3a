package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// known is what the record says, as the demo compares it.
type known struct {
	Findings []string // number, kind and place of each that is open
	Files    []string
	Discs    []string
	Events   int64
}

// lostState loses the state folder, as a drive does that dies, shows that nothing is
// begun in its place, and brings the ledger back from a backup in a store. What was lost
// stays beside until the ledger is back, and goes only then.
func (d *demonstration) lostState(ctx context.Context) error {
	c, cfg := d.c, d.app.Config
	c.step("At night the ledger is backed up to the studio's drive. Then the drive with the state\n   folder dies, and the ledger, which knows of all copies, is gone with it")
	kept, err := d.app.Backups.Backup(ctx)
	if err != nil {
		return err
	}
	for _, b := range kept {
		d.must(b.Trouble == "", "the ledger was not backed up to %s: %s", b.Store, b.Trouble)
	}
	before, err := d.known(ctx)
	if err != nil {
		return err
	}
	key, err := d.app.Ledger.Key()
	if err != nil {
		return err
	}
	seal, err := d.app.Ledger.Checkpoint(ctx, key)
	if err != nil {
		return err
	}
	if err := d.app.Close(); err != nil {
		return err
	}
	lost := filepath.Join(d.dir, "lost-"+filepath.Base(cfg.State))
	if err := os.Rename(cfg.State, lost); err != nil {
		return err
	}

	c.step("The next audit begins no new ledger beside those backups. It names the ways on")
	c.tell("  firmus audit\n")
	if err := d.refusedWithout(ctx, cfg); err != nil {
		return err
	}

	c.step("The archivist takes the first of them")
	c.tell("  firmus ledger restore\n")
	r, err := app.Restore(ctx, cfg, backups.RestoreOrder{By: demoPerson, Now: time.Now, Say: d.note})
	if err != nil {
		return err
	}
	if err := d.open(ctx, cfg); err != nil {
		return err
	}
	c.tellRestored(r)
	if err := d.sameAs(ctx, before, seal); err != nil {
		return err
	}
	if c.exit == exitIntact { // else both are there to be looked at
		return os.RemoveAll(lost)
	}
	c.tell("The lost state folder lies in %s\n", lost)
	return nil
}

// refusedWithout does what a command does that finds no ledger, and says what it says.
func (d *demonstration) refusedWithout(ctx context.Context, cfg *config.Config) error {
	a, err := app.Open(ctx, app.Options{Config: cfg, By: demoPerson, Say: d.note})
	if err == nil {
		d.must(false, "a new ledger was begun beside the backups of the lost one")
		return a.Close()
	}
	var gone *backups.LostError
	if !errors.As(err, &gone) {
		return err
	}
	for l := range strings.Lines(err.Error()) {
		d.c.tell("      %s", l)
	}
	d.c.tell("\n")
	_, err = os.Lstat(cfg.State)
	d.must(errors.Is(err, os.ErrNotExist), "a refused command made the state folder %s", cfg.State)
	return nil
}

// sameAs holds what is known now against what was known before the loss.
func (d *demonstration) sameAs(ctx context.Context, before known, seal []byte) error {
	after, err := d.known(ctx)
	if err != nil {
		return err
	}
	d.must(slices.Equal(before.Findings, after.Findings), "open were %q, and after the restore %q", before.Findings, after.Findings)
	d.must(slices.Equal(before.Files, after.Files), "%d files were under care, and after the restore %d", len(before.Files), len(after.Files))
	d.must(slices.Equal(before.Discs, after.Discs), "%d discs were known, and after the restore %d", len(before.Discs), len(after.Discs))
	key, err := d.app.Ledger.Key()
	if err != nil {
		return err
	}
	v, err := d.app.Ledger.Verify(ctx)
	if err == nil {
		_, err = d.app.Ledger.CheckAgainst(ctx, seal, key)
	}
	if errors.Is(err, ledger.ErrRewritten) {
		d.must(false, "the restored record: %v", err)
		return nil
	}
	if err != nil {
		return err
	}
	d.c.step("The same is known as before: %s, %s, and %s open", fixity.Count(len(after.Files), "file"),
		fixity.Count(len(after.Discs), "disc"), fixity.Count(len(after.Findings), "finding"))
	d.c.tell("  firmus ledger verify --against CHECKPOINT\nThe log is unbroken: %s, %s. The checkpoint that was\ntaken before the loss, after %s, still holds.\n",
		fixity.Count(v.Events, "event"), fixity.Count(v.Readings, "reading"), fixity.Count(before.Events, "event"))
	return nil
}

// known gathers what the ledger knows.
func (d *demonstration) known(ctx context.Context) (k known, err error) {
	err = d.app.Ledger.View(ctx, func(t *ledger.Tx) error {
		open, err := t.Findings.Open("")
		if err != nil {
			return err
		}
		for _, f := range open {
			k.Findings = append(k.Findings, fixity.Number(f.ID)+" "+string(f.Kind)+" "+f.Store+"/"+f.Set+"/"+f.Path)
		}
		for _, s := range d.app.Config.Sets {
			files, err := t.Files.Under(s.Name, "")
			if err != nil {
				return err
			}
			for _, f := range files {
				k.Files = append(k.Files, f.Set+"/"+f.Path)
			}
		}
		discs, err := t.Discs.All()
		if err != nil {
			return err
		}
		for _, x := range discs {
			k.Discs = append(k.Discs, x.Number+" "+x.Twin)
		}
		k.Events, err = t.Log.Count()
		return err
	})
	return k, err
}
