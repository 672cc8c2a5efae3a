package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/statements"
)

func (c *command) reportReelsCommand() *cobra.Command {
	var as asked
	var f reels.Filter
	cmd := &cobra.Command{
		Use:   "reels",
		Short: "Where each side of each reel is in the work, and what comes next",
		Long: `Says of each side of each reel where it is: on the shelf, transferred, whole, edited, in
each store, on which discs, and what comes next. Title, base, condition and treatment are
the register's own words. What it says can't be transferred again comes first.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if f.Next != "" && !slices.Contains(reels.Nexts, f.Next) {
				return usageError{fmt.Errorf("--next is one of %s, not %q", list(reels.Nexts), f.Next)}
			}
			if f.Only != "" && !slices.Contains(reels.Onlys, f.Only) {
				return usageError{fmt.Errorf("--only is one of %s, not %q", list(reels.Onlys), f.Only)}
			}
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			r, err := statements.MakeReels(cmd.Context(), a.Ledger, a.Config.Name, a.Acts.Rules, f, time.Now())
			if err != nil {
				return err
			}
			return c.state(a, "list of reels", as, r)
		},
	}
	fl := cmd.Flags()
	as.flags(fl)
	fl.StringVar((*string)(&f.Next), "next", "", "only sides with which this `STEP` comes next; a wrong word lists them")
	fl.StringVar((*string)(&f.Only), "only", "", "only sides of which the register says so: `"+list(reels.Onlys)+"`")
	fl.StringVar(&f.Base, "base", "", "only sides of reels with this `BASE` in the register")
	return cmd
}

func list[T ~string](all []T) string {
	out := make([]string, len(all))
	for i, x := range all {
		out[i] = string(x)
	}
	return strings.Join(out, "|")
}
