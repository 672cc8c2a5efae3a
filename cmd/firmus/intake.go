package main

import (
	"context"
	"errors"
	"runtime/debug"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

func (c *command) intakeCommand() *cobra.Command {
	var o receiving.IntakeOrder
	var wait string
	var rebuild bool
	cmd := &cobra.Command{
		Use:   "intake [SET…]",
		Short: "Take new files under care and write manifests",
		Long: `Takes the files that are new in the arrivals store under care. Firmus compares
all stores within reach. If they agree on a file, it is taken in. If they differ, the
file is disputed, and a person decides. Then manifest-sha256.txt is written into each
first-level folder. A recording that is empty, silent, cut short or not complete is
taken in, and is a finding.

--from-manifests makes a lost ledger anew. The record comes from its event files (in
the state folder, or in a store's .firmus-ledger). The files come from the stores, and
are compared with the manifests. If there is a backup, use "firmus ledger restore"
instead: a backup knows more.`,
		Args: cobra.ArbitraryArgs,
	}
	cmd.Flags().StringVar(&wait, "wait", "", "`TIME` to wait for a store that somebody else works on, such as 10m or 2h")
	cmd.Flags().BoolVar(&rebuild, "from-manifests", false, "make a lost ledger anew from manifests and event files")
	cache := cacheFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		var err error
		if o.Cache, err = cache(); err != nil {
			return err
		}
		if o.Wait, err = duration(wait); err != nil {
			return err
		}
		o.Sets = args
		// Many small files leave much garbage, of which little is kept: to look for it half as
		// often is a tenth of the time.
		defer debug.SetGCPercent(debug.SetGCPercent(200))
		open := func(ctx context.Context) (*app.App, error) { return c.open(ctx, false) }
		if rebuild {
			open = c.openBeside
		}
		a, err := open(cmd.Context())
		if err != nil {
			return err
		}
		defer a.Close()
		c.startProgress(0)
		var res receiving.IntakeResult
		if rebuild {
			var r receiving.RebuildResult
			r, err = a.Receiving.Rebuild(cmd.Context(), o)
			res = r.Intake
		} else {
			res, err = a.Receiving.Intake(cmd.Context(), o)
		}
		c.progress.stop()
		if err != nil && res.Taken == 0 {
			return err
		}
		c.exit = res.Exit()
		if err != nil {
			c.exit = max(c.exit, statusOf(err))
		}
		if c.json {
			for _, w := range res.Warnings {
				c.say("%s", w)
			}
			c.document(intakeJSON(a, res, err, c.exit))
			return err
		}
		c.printf("%s taken under care, %s\n", fixity.Count(res.Taken, "file"), report.Size(res.Bytes))
		if res.Agreed > 0 {
			c.printf("  %s: a second store or a list beside them agrees\n", fixity.Number(res.Agreed))
		}
		if res.OneOnly > 0 {
			c.printf("  %s: known from one place only, until a second store has been read\n", fixity.Number(res.OneOnly))
		}
		if res.Disputed > 0 {
			c.printf("  %s: DISPUTED, see below\n", fixity.Number(res.Disputed))
		}
		if res.Unfinished > 0 {
			c.printf("  %s: NOT A WHOLE RECORDING, see below\n", fixity.Number(res.Unfinished))
		}
		if res.Manifests > 0 {
			c.printf("  %s written\n", fixity.Count(int64(res.Manifests), "manifest"))
		}
		c.printTrouble(res)
		for _, n := range res.Notes {
			mark := "LOOK AT IT"
			if !n.Whole {
				mark = "NOT WHOLE"
			}
			c.printf("  %s: %s/%s: %s\n", mark, n.Set, report.Show(n.Path), n.Means)
		}
		return errors.Join(err, c.printFindings(cmd.Context(), a, res.Findings, nil, true))
	}
	return cmd
}

// printTrouble prints what an intake has to say besides what it took in.
func (c *command) printTrouble(res receiving.IntakeResult) {
	for _, w := range res.Warnings {
		c.say("%s", w)
	}
	for _, t := range res.Trouble {
		c.printf("  NOT FINISHED: %s\n", t)
	}
}

func intakeJSON(a *app.App, res receiving.IntakeResult, err error, exit int) any {
	doc := struct {
		receiving.IntakeResult
		Findings []report.Finding `json:"findings"`
		Error    string           `json:"error,omitempty"`
		Exit     int              `json:"exit"`
	}{IntakeResult: res, Findings: []report.Finding{}, Exit: exit}
	doc.Warnings, doc.Trouble = notNil(res.Warnings), notNil(res.Trouble)
	for _, f := range res.Findings {
		doc.Findings = append(doc.Findings, a.Finding(f, true))
	}
	if err != nil {
		doc.Error = err.Error()
	}
	return doc
}
