package main

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/demo"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/statements"
)

// note keeps what acts say on the way: the demo says it at its place, and each once.
func (d *demonstration) note(format string, args ...any) {
	if s := fmt.Sprintf(format, args...); !slices.Contains(d.notes, s) {
		d.notes = append(d.notes, s)
	}
}

// rest says, on stderr, what was kept and has not been told at its place.
func (d *demonstration) rest() {
	for _, s := range d.notes {
		if !strings.Contains(s, demo.Lender) {
			d.c.say("%s", s)
		}
	}
}

// owners shows what is said of a file that belongs to a personal account: a note, and
// no finding.
func (d *demonstration) owners(ctx context.Context) error {
	h, err := statements.MakeHoldings(ctx, d.app.Ledger, d.app.Config.Name, d.app.Acts.Rules, time.Now())
	if err != nil {
		return err
	}
	d.c.step("One master in the cloud is somebody's own: that is a note, and no finding")
	var others []report.Owner
	for _, o := range h.Owners {
		if !o.Own {
			others = append(others, o)
			d.c.tell("%s (%s).\n", o.Text("cloud"), o.Owner)
		}
	}
	told := slices.ContainsFunc(d.notes, func(s string) bool { return strings.Contains(s, demo.Lender) && strings.Contains(s, demo.Lent) })
	d.must(told && len(others) == 1 && others[0].Files == 1 && others[0].Owner == demo.Lender, "of %d accounts with files in the cloud it was told", len(others))
	d.c.tell("Audits say which, and the weekly letter repeats it, long before the account is closed.\n")
	return nil
}

// stay serves the pages, and keeps the cloud answering, until the program is stopped.
func (d *demonstration) stay(ctx context.Context, port uint16) error {
	d.c.tell("\nThe cloud answers at %s\nuntil you stop this with Ctrl-C. Meanwhile, in another terminal:\n  cd %s\n  firmus audit cloud       look into the cloud again\nAfterwards it is away, as may be; all else goes on.\n", d.cloud.Address(), d.dir)
	d.c.tell("\nAnd look at the same on pages, in a browser on this computer:\n")
	err := d.app.ServePages(ctx, slog.New(slog.DiscardHandler), fmt.Sprintf("127.0.0.1:%d", port), func(url string) {
		fmt.Fprintln(d.c.err, "open "+url)
	})
	if err != nil {
		return fmt.Errorf("serve the pages: %w", err)
	}
	return nil
}
