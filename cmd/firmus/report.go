package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/report"
)

func (c *command) reportCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "report", Short: "Statements of what is held and how it is known", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	var as string
	holdings := &cobra.Command{
		Use:   "holdings",
		Short: "The statement of all holdings",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			h, err := report.MakeHoldings(cmd.Context(), a.Ledger, a.Config.Name, a.Acts.Rules, time.Now())
			if err != nil {
				return err
			}
			return c.statement(as, h, func() { h.Text(c.out) }, func() error { return h.CSV(c.out) })
		},
	}
	item := &cobra.Command{
		Use:   "item N",
		Short: "The statement of one item",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			i, err := report.MakeItem(cmd.Context(), a.Ledger, args[0], time.Now())
			if err != nil {
				return err
			}
			return c.statement(as, i, func() { i.Text(c.out) }, func() error { return i.CSV(c.out) })
		},
	}
	for _, sub := range []*cobra.Command{holdings, item} {
		sub.Flags().StringVar(&as, "as", "text", "`text|json|csv`")
		cmd.AddCommand(sub)
	}
	return cmd
}

// statement prints a statement in the form that was asked for.
func (c *command) statement(as string, doc any, text func(), csv func() error) error {
	switch {
	case as == "json" || c.json && as == "text":
		c.document(doc)
	case as == "text":
		text()
	case as == "csv":
		return csv()
	default:
		return usageError{fmt.Errorf("--as is text, json or csv, not %q", as)}
	}
	return nil
}
