package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/cmd/firmus/internal/statements"
)

func (c *command) reportCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "report", Short: "Statements of what is held and how it is known", Long: "Statements say what is held, how each copy is known, and what they do not show.", Args: cobra.NoArgs,
		Annotations: onlyHelp, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	var held, one asked
	all := false
	holdings := &cobra.Command{
		Use:   "holdings",
		Short: "The statement of all holdings", Long: "Says what is under care, in which stores, what was found there and when it was last read, which files have one copy only, and which promises are kept.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			h, err := statements.MakeHoldings(cmd.Context(), a.Ledger, a.Config.Name, a.Acts.Rules, time.Now())
			if err == nil && all {
				err = h.NameAll(cmd.Context(), a.Ledger)
			}
			if err != nil {
				return err
			}
			return c.state(a, "statement of all holdings", held, h)
		},
	}
	item := &cobra.Command{
		Use:   "item N",
		Short: "The statement of one item", Long: "Says of one item, such as a reel: its files with their versions and checksums, each copy with when it was last read, and who decided what, when and why.",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			i, err := statements.MakeItem(cmd.Context(), a.Ledger, a.Config.Name, a.Acts.Rules, args[0], time.Now())
			if err != nil {
				return err
			}
			if one.as == "html" {
				if err := i.Draw(a.Acts.Hurt(cmd.Context())); err != nil {
					return err
				}
			}
			return c.state(a, "statement of an item", one, i)
		},
	}
	held.flags(holdings.Flags())
	holdings.Flags().BoolVar(&all, "all", false, "name all files that have no or one copy, not 1,000 of them")
	one.flags(item.Flags())
	cmd.AddCommand(holdings, item)
	var asCard, asSheet string
	card := &cobra.Command{
		Use:   "deskcard",
		Short: "One page for the desk, in this archive's own places and names", Long: "Prints one page for the desk: where things are, what to do in the evening, what never to do, and what to do when a letter comes or does not come. It names this archive's own places.",
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			cfg, err := c.load()
			if err != nil {
				return err
			}
			return c.sheet(asCard, app.DeskOf(cfg).Card())
		},
	}
	card.Flags().StringVar(&asCard, "as", "text", "`text|html`: the form; html is a page to print, on A4 or letter paper")
	sheet := &cobra.Command{
		Use:   "takeover",
		Short: "What who takes the archive over must know: places, accounts, keys, promises", Long: "Prints what a person must know who takes the archive over: places, accounts, keys, open findings and promises. It says where secrets lie and never shows one.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			s, err := statements.TakeOver(cmd.Context(), app.DeskOf(a.Config), a.Ledger, a.Acts.Rules, time.Now())
			if err != nil {
				return err
			}
			return c.sheet(asSheet, s)
		},
	}
	sheet.Flags().StringVar(&asSheet, "as", "text", "`text|html`: the form; html is a page to print, on A4 or letter paper")
	cmd.AddCommand(card, sheet, c.reportReelsCommand(), c.reportEventsCommand(), c.reportYearCommand(), c.reportLevelsCommand())
	return cmd
}

// sheet prints a sheet as text, or as a page to print.
func (c *command) sheet(as string, s sheet.Sheet) error {
	switch {
	case c.json:
		var b strings.Builder
		if err := s.Text(&b); err != nil {
			return err
		}
		c.document(map[string]string{"title": s.Title, "text": b.String()})
	case as == "text":
		return s.Text(c.out)
	case as == "html":
		return s.HTML(c.out)
	default:
		return usageError{fmt.Errorf("--as is text or html, not %q", as)}
	}
	return nil
}

// form is a way in which a statement can be printed.
type form struct {
	name  string
	print func() error
}

// statement prints a statement in the form that was asked for.
func (c *command) statement(as string, doc any, forms ...form) error {
	if as == "json" || c.json && as == "text" {
		c.document(doc)
		return nil
	}
	names := []string{"json"}
	for _, f := range forms {
		if f.name == as {
			return f.print()
		}
		names = append(names, f.name)
	}
	return usageError{fmt.Errorf("--as is one of %s, not %q", strings.Join(names, ", "), as)}
}
