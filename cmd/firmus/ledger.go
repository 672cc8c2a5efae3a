package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/named"
)

func (c *command) ledgerCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "ledger", Short: "Check the record, seal it, bring a lost ledger back, or move it", Long: "The record holds every act, every turn of a finding and every run of readings. The ledger is the database that holds the record and what Firmus knows now.", Args: cobra.NoArgs,
		Annotations: onlyHelp, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	var against string
	verify := &cobra.Command{
		Use:   "verify",
		Short: "Read the whole record and check it against its own seals",
		Long: `Reads every event and reading of the record and checks that they are what was
written. Then it compares what the ledger knows with the record, row by row: files,
versions with their digests, findings, copies, acts and discs. Last it counts all files
and copies again and holds that against the numbers that statements are made of. If
those are wrong it says so and counts them anew. It does not compare with the record:

  - ` + strings.Join(ledger.NotVouched, "\n  - ") + `

A record that was cut back, or replaced as a whole, agrees with itself. Only
--against an earlier checkpoint, kept elsewhere, shows that.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.verifyLedger(cmd.Context(), against) },
	}
	verify.Flags().StringVar(&against, "against", "", "an earlier checkpoint `FILE`")
	var out string
	checkpoint := &cobra.Command{
		Use:   "checkpoint",
		Short: "Print the record's seal of now, to be kept elsewhere", Long: "Prints a checkpoint: a short signed text that seals the record as it is now. Keep it away from this computer. \"firmus ledger verify --against FILE\" shows later whether the record was cut back or replaced.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return c.withLedger(cmd.Context(), func(l *ledger.Ledger, k ledger.Key) error {
				text, err := l.Checkpoint(cmd.Context(), k)
				if err != nil {
					return err
				}
				return c.give("checkpoint", text, out, k)
			})
		},
	}
	checkpoint.Flags().StringVar(&out, "out", "", "write it to this `FILE` instead")
	prove := &cobra.Command{
		Use:   "prove SET/PATH",
		Short: "Print a proof that a file's intake stands in the record",
		Long: `Prints a proof that the newest event about a file stands in the record: a text
that anybody can check with the record's public key, without this program's ledger.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return c.prove(cmd.Context(), args[0]) },
	}
	goBack := false
	restore := &cobra.Command{
		Use:   "restore [STORE [BACKUP]]",
		Short: "Bring a lost or broken ledger back from a backup",
		Long: `Brings the ledger back from the newest backup in any store, in STORE alone, or from
BACKUP, the name of a backup's folder there. Stop the daemon first. What is there is
moved to a folder of the state folder, ledger-aside-…, and nothing is removed.

Backups may have grown apart: two computers wrote them, or a ledger was begun anew. Then
they are listed, and you name one.

If the ledger is whole and knows all that the backup knows, restore refuses. With
--go-back it takes the backup all the same: what was recorded since is set aside.

Afterwards run "firmus audit". It finds again what was found after the backup. What was
decided after the backup is open again.`,
		Args:              cobra.MaximumNArgs(2),
		ValidArgsFunction: c.completeStores,
		RunE:              func(cmd *cobra.Command, args []string) error { return c.restore(cmd.Context(), args, goBack) },
	}
	restore.Flags().BoolVar(&goBack, "go-back", false, "go back to the backup although the ledger is whole")
	cmd.AddCommand(verify, checkpoint, prove, restore, c.moveCommand())
	return cmd
}

func (c *command) withLedger(ctx context.Context, fn func(*ledger.Ledger, ledger.Key) error) error {
	return c.withArchive(ctx, func(a *app.App, k ledger.Key) error { return fn(a.Ledger, k) })
}

func (c *command) withArchive(ctx context.Context, fn func(*app.App, ledger.Key) error) error {
	a, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer a.Close()
	k, err := a.Ledger.Key()
	if err != nil {
		return err
	}
	if k.New {
		c.say("a new key for the record was made (%s); the record names the older ones, so that their checkpoints can still be checked", a.Ledger.State())
	}
	return fn(a, k)
}

// give prints a text, or writes it to a file that must not be there yet.
func (c *command) give(name string, text []byte, file string, k ledger.Key) error {
	if file != "" {
		g, err := c.guarded()
		if err != nil {
			return err
		}
		if err := g.Write(file, nil, func(w io.Writer) error { _, err := w.Write(text); return err }); err != nil {
			return err
		}
	}
	switch {
	case c.json:
		c.document(map[string]any{name: string(text), "key": k.Public})
	case file == "":
		c.printf("%s", text)
	default:
		c.printf("written to %s; keep it on another machine, or on paper\n", file)
	}
	return nil
}

func (c *command) verifyLedger(ctx context.Context, against string) error {
	return c.withArchive(ctx, func(a *app.App, k ledger.Key) error {
		l := a.Ledger
		var v ledger.Verified
		err := l.CheckPages(ctx)
		if err == nil {
			v, err = l.Verify(ctx)
		}
		// Noted as the daily check is, also where the ledger can't be written to any more: what
		// was found is told in any case.
		if noted := a.Acts.NoteCheck(ctx, err); noted != nil && err == nil {
			c.say("%v", noted)
		}
		since := ""
		if err == nil && against != "" {
			var text []byte
			if text, err = named.Read(against, 1<<20); err != nil {
				return err
			}
			cp, err2 := l.CheckAgainst(ctx, text, k)
			err = err2
			since = fixity.Count(cp.Size, "event")
		}
		if err == nil {
			why, err2 := a.Events.Differ(ctx)
			if why != "" {
				err = fmt.Errorf("%s: %w", why, ledger.ErrRewritten)
			}
			if err2 != nil {
				c.say("the event files could not be held against the record: %v", err2)
			}
		}
		if errors.Is(err, ledger.ErrDamaged) {
			return fmt.Errorf("%w\nWhat the database says of itself isn't right, so nothing else in it was looked at. Stop the daemon, then: firmus ledger restore", err)
		}
		if errors.Is(err, ledger.ErrRewritten) {
			c.exit = exitFinding
			if c.json {
				c.document(map[string]any{"valid": false, "problem": err.Error(), "events": v.Events, "exit": c.exit})
				return nil
			}
			c.printf("THE RECORD IS NOT WHAT WAS WRITTEN: %v\n", err)
			c.printf("Change nothing. Keep a copy of the state folder, and compare with the backups and with checkpoints kept elsewhere.\n")
			return nil
		}
		if err == nil {
			err = a.Acts.CheckCounts(ctx)
		}
		miscounted := ""
		if errors.Is(err, ledger.ErrMiscounted) {
			c.exit, miscounted, err = exitFinding, err.Error(), nil
		}
		if err != nil {
			return err
		}
		if c.json {
			doc := map[string]any{"valid": true, "unbroken_since": v.Began, "events": v.Events, "readings": v.Readings, "lacking": v.Lacking, "rows": v.Rows, "not_covered": ledger.NotVouched, "root": v.Root.String(), "miscounted": miscounted, "exit": c.exit}
			if v.Since > 0 {
				doc["since"] = map[string]any{"event": v.Since, "at": v.SinceAt}
			}
			c.document(doc)
			return nil
		}
		c.printf("Log unbroken since %s, checked today: %s and %s are what was written.\n", v.Began.Local().Format("2 Jan 2006"), fixity.Count(v.Events, "event"), fixity.Count(v.Readings, "reading"))
		c.printf("What the ledger knows is what the record says: %s.\n", fixity.Count(v.Rows, "row"))
		if v.Since > 0 {
			c.printf("Event %d, of %s, states what the ledger held then. Of what is older the record has the acts and no digests.\n", v.Since, v.SinceAt.Format("2 Jan 2006 15:04 UTC"))
		}
		if v.Lacking > 0 {
			c.printf("The result lines of %s were lost with an earlier ledger; their sums stand in the record.\n", fixity.Count(v.Lacking, "event"))
		}
		if miscounted == "" {
			c.printf("All files and copies were counted again: statements and reports give the right numbers.\n")
		} else {
			c.printf("MISCOUNTED: %s.\n", miscounted)
		}
		c.printf("Not compared with the record:\n  - %s\n", strings.Join(ledger.NotVouched, "\n  - "))
		if since != "" {
			c.printf("The checkpoint, taken after %s, still holds: since then nothing before it was changed or cut off.\n", since)
		} else {
			c.printf("Only an earlier checkpoint (--against FILE) shows whether the log was cut back or replaced as a whole.\n")
		}
		return nil
	})
}

func (c *command) restore(ctx context.Context, args []string, goBack bool) error {
	cfg, err := c.load()
	if err != nil {
		return err
	}
	o := backups.RestoreOrder{By: c.person(), Now: time.Now, Say: c.say, GoBack: goBack}
	if len(args) > 0 {
		o.Of = args[0]
	}
	if len(args) > 1 {
		o.Backup = args[1]
	}
	r, err := app.Restore(ctx, cfg, o)
	if err != nil {
		return err
	}
	for _, p := range r.Passed {
		c.say("passed over: %s", p)
	}
	a, err := c.open(ctx, false) // writes the event files anew, and a key if that was lost
	if err != nil {
		return err
	}
	defer a.Close()
	if c.json {
		c.document(map[string]any{"store": r.Store, "from": r.From, "made": report.InstantOf(r.At), "events": r.Events, "lost": r.Lost.Events,
			"lost_first": report.InstantOf(r.Lost.First), "lost_last": report.InstantOf(r.Lost.Last), "aside": r.Aside, "exit": 0})
		return nil
	}
	c.tellRestored(r)
	c.printf("Now run: firmus audit. If files were taken in after the backup, run firmus intake first.\n")
	return nil
}

// tellRestored says from where the ledger came back, and what was lost; nothing beside a
// JSON document.
func (c *command) tellRestored(r backups.Restored) {
	c.tell("The ledger is back, from %s\n  made %s; its record has %s\n", r.From, report.Local(r.At), fixity.Count(r.Events, "event"))
	switch {
	case r.Lost.Events > 0:
		c.tell("  LOST: %s after it, from %s to %s; they can still be read as text where they are set aside\n",
			fixity.Count(r.Lost.Events, "event"), report.Local(r.Lost.First), report.Local(r.Lost.Last))
	case r.NoEvents:
		c.tell("  What was recorded after it is lost. Nobody can say what that was: no event files of the lost ledger are left\n")
	default:
		c.tell("  Nothing was lost: the event files hold nothing after it\n")
	}
	if r.Aside != "" {
		c.tell("  What was there lies in %s\n", r.Aside)
	}
}

func (c *command) prove(ctx context.Context, arg string) error {
	set, path, _ := strings.Cut(arg, "/")
	return c.withLedger(ctx, func(l *ledger.Ledger, k ledger.Key) error {
		seq := int64(-1)
		if err := l.View(ctx, func(t *ledger.Tx) error {
			f, err := t.Files.At(set, path)
			if err != nil {
				return fmt.Errorf("no file is under care at %q: %w", arg, err)
			}
			seq, err = t.Log.LastAbout(f.ID)
			return err
		}); err != nil {
			return err
		}
		if seq < 0 {
			return fmt.Errorf("no event about %q: %w", arg, fixity.ErrNotFound)
		}
		p, err := l.Prove(ctx, k, seq)
		if err != nil {
			return err
		}
		return c.give("proof", p.Marshal(), "", k)
	})
}
