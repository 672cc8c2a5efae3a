package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

func (c *command) proposalCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "proposal",
		Short: "Decide with a second person",
		Long: `If a set has two_people = true, a sign-off, a migration, retiring files or a store, replacing a
store and settling need two people, each with an account as a reviewer. The first orders
it as always; that is kept as a proposal. The second confirms it, and then it is done. --by NAME says who you are. If what
it is about changes meanwhile, the proposal is void. By command any name can be typed, so one
account of the computer can't do both: the second person signs in on the pages. Without a command it lists what waits.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.listProposals(cmd) },
	}
	var reason string
	list := &cobra.Command{
		Use: "list", Short: "List the proposals that wait", Long: "Lists the proposals that wait for a second person.", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.listProposals(cmd) },
	}
	confirm := &cobra.Command{
		Use: "confirm N", Short: "Confirm what another person proposed", Args: cobra.ExactArgs(1),
		Long: "Confirms a proposal, which is done then. Whoever made it can't confirm it. The record names both people.\nIf it was to replace a store, the new drive is read in full at once.",
		RunE: func(cmd *cobra.Command, args []string) error {
			id, err := c.numberOf(args[0], "proposal")
			if err != nil {
				return err
			}
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			done, err := a.Deciding.Confirm(cmd.Context(), id)
			return errors.Join(c.afterDone(cmd.Context(), a, done), err) // what was done is told though what follows failed
		},
	}
	back := &cobra.Command{
		Use: "take-back N", Short: "End a proposal without doing it", Args: cobra.ExactArgs(1),
		Long: "Ends a proposal without doing it. Whoever made it takes it back; another reviewer refuses it, with a reason.",
		RunE: func(cmd *cobra.Command, args []string) error {
			id, err := c.numberOf(args[0], "proposal")
			if err != nil {
				return err
			}
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			if err := a.Deciding.TakeBack(cmd.Context(), id, reason); err != nil {
				return err
			}
			if c.json {
				c.document(map[string]any{"proposal": id, "done": "taken-back", "exit": 0})
				return nil
			}
			c.printf("proposal %d was taken back. Nothing was changed.\n", id)
			return nil
		},
	}
	back.Flags().StringVar(&reason, "reason", "", "why; needed to refuse what another person proposed")
	cmd.AddCommand(list, confirm, back)
	return cmd
}

type proposalJSON struct {
	ID     int64           `json:"id"`
	Act    string          `json:"act"`
	What   string          `json:"what"`
	By     string          `json:"by"`
	Reason string          `json:"reason"`
	Made   *report.Instant `json:"made"`
	Void   string          `json:"void"` // what is so now, if what it is about has changed
}

func (c *command) listProposals(cmd *cobra.Command) error {
	a, err := c.open(cmd.Context(), true)
	if err != nil {
		return err
	}
	defer a.Close()
	all, err := a.Deciding.Waiting(cmd.Context())
	if err != nil {
		return err
	}
	if c.json {
		out := []proposalJSON{}
		for _, p := range all {
			out = append(out, proposalJSON{p.ID, p.Act, p.Decision.InWords(), p.By, p.Reason, report.InstantOf(p.Made), p.Void})
		}
		c.document(map[string]any{"proposals": out, "exit": 0})
		return nil
	}
	if len(all) == 0 {
		c.printf("No proposal waits for a second person.\n")
	}
	for _, p := range all {
		c.printf("%5d  %s, proposed by %s, %s: %s\n", p.ID, p.Decision.InWords(), report.Show(p.By), day(p.Made), report.Show(p.Reason))
		if p.Void != "" {
			c.printf("       It is void, because what it was about has changed: %s\n", p.Void)
		}
	}
	return nil
}

// afterDone carries out the audit that a decision asks for, and prints what came of it; of
// other decisions it prints what they did.
func (c *command) afterDone(ctx context.Context, a *app.App, d deciding.Decided) error {
	if o, ok := d.Follows(); ok {
		return c.auditWith(ctx, a, o)
	}
	return c.showDone(d)
}

// showDone prints what came of a decision.
func (c *command) showDone(d deciding.Decided) error {
	switch {
	case d.Proposal != 0 && c.json:
		c.document(map[string]any{"proposal": d.Proposal, "exit": 0})
	case d.Proposal != 0:
		c.printf("proposal %d: nothing is changed yet. Another reviewer confirms it, signed in on the pages, or under another account of this computer: firmus --by NAME proposal confirm %d\n", d.Proposal, d.Proposal)
	case d.Retired != nil:
		if d.Store != "" && !c.json {
			if d.Set != "" {
				c.printf("%s is retired in %s: none of its files is expected there any more\n", d.Set, d.Store)
			} else {
				c.printf("%s is retired; take it out of the configuration\n", d.Store)
			}
		}
		return c.showPlan(*d.Retired, "retired", false)
	case len(d.Settled) > 0 && c.json:
		out := []int64{}
		for _, f := range d.Settled {
			out = append(out, f.ID)
		}
		c.document(map[string]any{"settled": out, "exit": 0})
	case len(d.Settled) > 0:
		for _, f := range d.Settled {
			c.printf("[%d] settled: %s\n", f.ID, strings.TrimSpace(f.Reason))
		}
	case len(d.Replaced) == 1 && c.json:
		c.document(d.Replaced[0])
	case len(d.Replaced) > 0 && c.json:
		c.document(map[string]any{"replaced": d.Replaced, "exit": 0})
	case len(d.Replaced) > 0:
		for _, r := range d.Replaced {
			c.printf("%s/%s was replaced by %s/%s: the same samples, %s\n", r.Old.Set, report.Show(r.Old.Path), r.New.Set, report.Show(r.New.Path), r.Samples)
		}
	case len(d.SignedOff) > 0 && c.json:
		c.document(map[string]any{"signed_off": d.SignedOff, "exit": 0})
	default:
		for i, x := range d.SignedOff {
			if i == 20 && len(d.SignedOff) > 25 {
				c.printf("and %s more\n", fixity.Number(int64(len(d.SignedOff)-i)))
				break
			}
			c.printf("[%d] %s/%s/%s: %s\n", x.Finding, x.Store, x.Set, report.Show(x.Path), x.Did)
		}
	}
	return nil
}

// numberOf reads a number that a command was given.
func (c *command) numberOf(word, of string) (int64, error) {
	n, err := strconv.ParseInt(word, 10, 64)
	if err != nil || n < 1 {
		return 0, usageError{fmt.Errorf("%q is not the number of a %s", word, of)}
	}
	return n, nil
}
