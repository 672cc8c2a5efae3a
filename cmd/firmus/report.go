package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/config"
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
	var asCard, asSheet string
	card := &cobra.Command{
		Use:   "deskcard",
		Short: "One page for the desk, in this archive's own places and names",
		Args:  cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			cfg, err := c.load()
			if err != nil {
				return err
			}
			var b strings.Builder
			report.DeskCard(&b, deskOf(cfg))
			return c.printable(asCard, "Desk card", b.String())
		},
	}
	card.Flags().StringVar(&asCard, "as", "text", "`text|html`")
	sheet := &cobra.Command{
		Use:   "takeover",
		Short: "What who takes the archive over must know: places, accounts, keys, promises",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			var b strings.Builder
			if err := report.TakeOver(cmd.Context(), &b, deskOf(a.Config), a.Ledger, a.Acts.Rules, time.Now()); err != nil {
				return err
			}
			return c.printable(asSheet, "Take-over sheet", b.String())
		},
	}
	sheet.Flags().StringVar(&asSheet, "as", "text", "`text|html`")
	cmd.AddCommand(card, sheet)
	return cmd
}

// deskOf is what the configuration says of the archive's places and people.
func deskOf(cfg *config.Config) report.Desk {
	d := report.Desk{Name: cfg.Name, Config: cfg.File, State: cfg.State, Secrets: []string{filepath.Join(cfg.State, "record.key")}}
	for _, s := range cfg.Sets {
		d.Sets = append(d.Sets, s.Name)
	}
	for _, s := range cfg.Stores {
		p := report.Place{Store: s.Name, Kind: string(s.Kind), Place: s.Place, Arrivals: s.Arrivals, Visiting: s.Visiting, Follows: s.Follows, Roots: map[string]string{}}
		for _, r := range s.Sets {
			p.Roots[r.Set] = r.Path
		}
		d.Places = append(d.Places, p)
		if s.Credentials != "" {
			d.Secrets = append(d.Secrets, s.Credentials)
		}
	}
	if m := cfg.Mail; m != nil {
		d.MailSent, d.Letters, d.Deputy = true, m.To, m.Deputy
		d.Weekly = fmt.Sprintf("%s %02d:%02d", m.Weekly.Day, int(m.Weekly.At.Hours()), int(m.Weekly.At.Minutes())%60)
		if m.PasswordFile != "" {
			d.Secrets = append(d.Secrets, m.PasswordFile)
		}
	}
	return d
}

// printable prints a sheet as text, or as a page to print.
func (c *command) printable(as, title, text string) error {
	switch {
	case c.json:
		c.document(map[string]string{"title": title, "text": text})
	case as == "text":
		c.printf("%s", text)
	case as == "html":
		return report.Printable(c.out, title, text)
	default:
		return usageError{fmt.Errorf("--as is text or html, not %q", as)}
	}
	return nil
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
