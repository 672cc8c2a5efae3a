package main

import (
	"fmt"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/statements"
)

func (c *command) levelsCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "levels", Short: "State what the ledger can't show of the preservation levels", Long: `"firmus report levels" says which preservation levels are kept. What the ledger can't show,
such as a check for viruses, is stated here by a person, with a day and in words.`, Args: cobra.NoArgs,
		Annotations: onlyHelp, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	var words, on, reason string
	state := &cobra.Command{
		Use:   "state POINT --words TEXT [--on DAY]",
		Short: "State that a point is kept, since when, and how",
		Long: `Keeps a statement about a point of the preservation levels, under the name of who makes
it (--by). "firmus report levels" lists the points. A newer statement about a point stands
for the older ones.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			id, err := a.Deciding.StateLevel(cmd.Context(), args[0], on, words)
			if err != nil {
				return err
			}
			if c.json {
				c.document(map[string]any{"statement": id, "point": args[0]})
				return nil
			}
			c.printf("statement %d about %s is kept, by %s\n", id, args[0], a.Acts.By)
			return nil
		},
	}
	state.Flags().StringVar(&words, "words", "", "what is so, in a sentence or two")
	state.Flags().StringVar(&on, "on", "", "the `DAY` on which it was so, such as 2026-03-01 (default today)")
	withdraw := &cobra.Command{
		Use:   "withdraw N --reason TEXT",
		Short: "Withdraw a statement",
		Long:  "Ends statement N: it counts no more, and stays on record with who withdrew it and why.",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			id, err := strconv.ParseInt(args[0], 10, 64)
			if err != nil {
				return usageError{fmt.Errorf("%q is no number of a statement", args[0])}
			}
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			if err := a.Deciding.WithdrawLevel(cmd.Context(), id, reason); err != nil {
				return err
			}
			if c.json {
				c.document(map[string]any{"withdrawn": id})
				return nil
			}
			c.printf("statement %d is withdrawn\n", id)
			return nil
		},
	}
	withdraw.Flags().StringVar(&reason, "reason", "", "why")
	cmd.AddCommand(state, withdraw)
	return cmd
}

func (c *command) reportLevelsCommand() *cobra.Command {
	var as string
	cmd := &cobra.Command{
		Use:   "levels",
		Short: "Which preservation levels are kept, cell by cell, and how that is known",
		Long: `Says which of the NDSA Levels of Digital Preservation (version 2.0, 2019) are kept. What
the ledger shows is computed from what was read: complete copies in independent stores, in
places that the configuration names, on kinds of media; checks, backups, repairs. All else
rests on statements of named persons ("firmus levels state"). A level is reached only with
all levels below it, and by what is configured alone none is.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			l, err := statements.MakeLevels(cmd.Context(), a.Ledger, a.Config.Name, time.Now())
			if err != nil {
				return err
			}
			return c.statement(as, l, form{"text", func() error { return l.Text(c.out) }}, form{"html", func() error { return l.HTML(c.out) }}, form{"csv", func() error { return l.CSV(c.out) }})
		},
	}
	cmd.Flags().StringVar(&as, "as", "text", "`text|html|csv|json`: the form")
	return cmd
}
