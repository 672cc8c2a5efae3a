package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/fixity"
	"firmus/fixity/expr"
)

func (c *command) moveCommand() *cobra.Command {
	to := ""
	cmd := &cobra.Command{
		Use:   "move --to URL",
		Short: "Move the ledger to PostgreSQL, or back into the state folder",
		Long: `Moves the ledger, from where the configuration says that it is, to the PostgreSQL
database of a URL (postgres://USER@HOST/DATABASE), or back into the state folder with
--to embedded. Stop all daemons first. The database must be there and hold no ledger.

The record goes on: it is copied whole, every event and reading is compared, and then
everything is held against it and counted again. Only then the old ledger is told: its
record ends with where it was moved to, and it can't be opened or written to any more. If
the move is cut off, give the same order again.

Afterwards name the new place in firmus.toml: [ledger] url, or none for the state folder.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.moveLedger(cmd.Context(), to) },
	}
	cmd.Flags().StringVar(&to, "to", "", "a PostgreSQL `URL`, or embedded")
	return cmd
}

var sharedOnly = expr.Once(`^\s*(url|hosts|at_once)\s*=`)

// onlyShared lists the lines of a configuration that an embedded ledger has no use for.
func onlyShared(file string) (string, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	table := ""
	for i, line := range strings.Split(string(text), "\n") {
		if s := strings.TrimSpace(line); strings.HasPrefix(s, "[") {
			table = s
		}
		m := sharedOnly().FindStringSubmatch(line)
		if m == nil || (m[1] == "url") != strings.HasPrefix(table, "[ledger]") {
			continue
		}
		fmt.Fprintf(&b, "  line %d, %s: %s\n", i+1, table, strings.TrimSpace(urlPassword().ReplaceAllString(line, "${1}…@")))
	}
	return b.String(), nil
}

// urlPassword is the password in a URL, which isn't shown.
var urlPassword = expr.Once(`(://[^:@/]*:)[^@/]*@`)

func (c *command) moveLedger(ctx context.Context, to string) error {
	if to == "" {
		return usageError{errors.New("ledger move needs --to: a PostgreSQL URL, or embedded")}
	}
	cfg, err := c.load()
	if err != nil {
		return err
	}
	m, err := app.MoveLedger(ctx, cfg, to, c.person(), time.Now())
	if err != nil {
		return err
	}
	if c.json {
		c.document(map[string]any{"to": m.To, "events": m.Events, "rows": m.Rows, "aside": m.Aside, "exit": 0})
		return nil
	}
	c.printf("The ledger was moved to %s: %s and %s, compared one by one.\n", m.To, fixity.Count(m.Events, "event"), fixity.Count(m.Rows, "row"))
	if m.Aside != "" {
		c.printf("An older one that lay there is now %s.\n", m.Aside)
	}
	if to == app.Embedded {
		lines, err := onlyShared(cfg.File)
		if err != nil {
			return err
		}
		c.printf("Now take [ledger] url out of %s, and what is for computers that share a ledger:\n%s", cfg.File, lines)
	} else {
		c.printf("Now write it into %s:\n\n[ledger]\nurl = %q\n", cfg.File, m.To)
	}
	return nil
}
