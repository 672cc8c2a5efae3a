package main

import (
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/statements"
)

func (c *command) reportYearCommand() *cobra.Command {
	var f asked
	cmd := &cobra.Command{
		Use:   "year [YEAR]",
		Short: "What was done in a year, month by month",
		Long: `Says month by month what was taken in, read, found and put right, which discs were
checked, and which files were brought back as a proof. It shows how many files were
read within the promise at each month's end. What can't be known of earlier months
stays blank, and the statement says why. Without YEAR it is this year.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			typed := ""
			if len(args) > 0 {
				typed = args[0]
			}
			now := time.Now()
			year, err := statements.YearOf(typed, now)
			if err != nil {
				return err
			}
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			y, err := statements.MakeYear(cmd.Context(), a.Ledger, a.Config.Name, a.Acts.Rules, year, now)
			if err != nil {
				return err
			}
			return c.state(a, "statement of a year", f, y)
		},
	}
	f.flags(cmd.Flags())
	return cmd
}
