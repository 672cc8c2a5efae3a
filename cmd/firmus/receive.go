package main

import (
	"strings"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/report"
)

func (c *command) receiveCommand() *cobra.Command {
	var into, sides, reason string
	cmd := &cobra.Command{
		Use:   "receive SOURCE --into SET/PATH",
		Short: "Copy recordings from a recorder's stick, read back and compared",
		Long: `Copies all files of a stick or folder into a set's arrivals store. Each file is read twice
from the stick, and each copy is read back from the drive and compared before it gets its
name. Nothing is overwritten. The files are then taken in.

--sides A,B names the recordings by item (the last part of PATH) and side, in the
order in which the recorder wrote them. Parts of a recording that a card split stay
together.

Keep the stick until Firmus says that it may be erased. That needs a second independent
store that has been read: copy the files there, then run "firmus audit". A recording
that is empty, silent, cut short or not complete is a finding. Then keep the stick and
the reel until it was transferred again.

A folder that is a store, the state folder or a backup, holds one or lies in one is no
source (exit 2).`,
		Args: cobra.ExactArgs(1),
	}
	cmd.Flags().StringVar(&into, "into", "", "`SET/PATH`: where the files go (needed)")
	cmd.Flags().StringVar(&sides, "sides", "", "`A,B`: the sides, in the order in which they were recorded")
	cmd.Flags().StringVar(&reason, "reason", "", "why")
	cache := cacheFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if into == "" {
			return usageError{plainError("say where the files go: --into SET/PATH")}
		}
		how, err := cache()
		if err != nil {
			return err
		}
		src, err := folder(args[0], how)
		if err != nil {
			return err
		}
		a, err := c.open(cmd.Context(), false)
		if err != nil {
			return err
		}
		defer a.Close()
		o := receiving.ReceiveOrder{Source: src, Name: src.Root(), Into: into, Reason: reason}
		if sides != "" {
			o.Sides = strings.Split(sides, ",")
		}
		c.startProgress(0)
		res, err := a.Receiving.Receive(cmd.Context(), o)
		c.progress.stop()
		if err != nil {
			return err
		}
		c.exit = res.Intake.Exit()
		if c.json {
			doc := struct {
				receiving.ReceiveResult
				Findings []report.Finding `json:"findings"`
				Exit     int              `json:"exit"`
			}{res, []report.Finding{}, c.exit}
			for _, f := range res.Intake.Findings {
				doc.Findings = append(doc.Findings, a.Finding(f, true))
			}
			c.document(doc)
			return nil
		}
		for _, f := range res.Files {
			what := "copied, read back, the same"
			if f.Already {
				what = "was there already, the same"
			}
			c.printf("%s  ->  %s/%s  %s: %s\n    the recorder's clock says %s\n", report.Show(f.Name), res.Set, report.Show(f.Path), report.Size(f.Size), what, f.Dated.Format("2 Jan 2006 15:04:05"))
			for _, n := range f.Notes {
				c.printf("    LOOK AT IT: %s\n", n)
			}
		}
		c.printTrouble(res.Intake)
		if res.Erase {
			c.printf("The stick may be erased: %s.\n", res.Why)
		} else {
			c.printf("KEEP THE STICK: %s.\n", res.Why)
		}
		return c.printFindings(cmd.Context(), a, res.Intake.Findings, nil, true)
	}
	return cmd
}
