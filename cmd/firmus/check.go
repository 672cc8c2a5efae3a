package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/clouds"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/beside"
	"firmus/fixity/ledger"
	"firmus/replicas/ground"
)

// mark is what check says of one thing, in a word. The codes are part of the JSON: never
// change one.
type mark string

const (
	isOK       mark = "ok"          // it was looked at, and works
	notOK      mark = "NOT OK"      // it would not work tonight
	warning    mark = "warning"     // it works, and costs something that one should know
	note       mark = "note"        // it works, and could be better
	notSetUp   mark = "not set up"  // the configuration doesn't ask for it
	notReached mark = "not reached" // it is not here, as may be, and was not looked at
	notTried   mark = "not tried"   // only use shows whether it works
)

type checkLine struct {
	What   string `json:"what"`
	OK     bool   `json:"ok"`
	Mark   mark   `json:"mark"`
	Detail string `json:"detail"`
	// Warning is set if it works, and there is something to know all the same.
	Warning bool `json:"warning,omitempty"`
}

// lineOf is the line of one thing. What is no trouble is called m if that holds.
func lineOf(what, detail string, ok bool, m mark, holds bool) checkLine {
	l := checkLine{What: what, OK: ok, Mark: isOK, Detail: report.Plainly(detail)}
	switch {
	case !ok:
		l.Mark = notOK
	case holds:
		l.Mark = m
	}
	l.Warning = l.Mark == warning
	return l
}

func (c *command) checkCommand() *cobra.Command {
	var mail bool
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Say what would not work tonight",
		Long: `Looks at the configuration, the state folder, the ledger and each store's folders, and
says what would not work. It changes nothing and reads no recording. A word before each
line says what was found:

  ok           It was looked at, and works.
  NOT OK       It would not work tonight.
  warning      It works, but stores on one drive count as one copy.
  note         It works, and could be better.
  not set up   The configuration doesn't ask for it.
  not reached  It isn't here now, as may be. It was not looked at.
  not tried    Only use shows whether it works.

With --mail, Firmus sends a test letter to everybody who gets letters. If the server
takes it, Firmus tries again to send the letters that the server refused before.

Exit status: 0 if nothing is NOT OK, 3 if something is, 2 if the configuration is wrong.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.check(cmd.Context(), mail) },
	}
	cmd.Flags().BoolVar(&mail, "mail", false, "send a test letter")
	return cmd
}

func (c *command) check(ctx context.Context, mail bool) error {
	cfg, err := c.load()
	if err != nil {
		return err
	}
	lines, err := c.checks(ctx, cfg, true, mail)
	if err != nil {
		return err
	}
	ok := true
	for _, l := range lines {
		ok = ok && l.OK
	}
	if !ok {
		c.exit = exitUnfinished
	}
	if c.json {
		c.document(map[string]any{"ok": ok, "checks": lines, "exit": c.exit})
		return nil
	}
	for _, l := range lines {
		c.printf("%-12s%s", l.Mark, l.What)
		if l.Detail != "" {
			c.printf(": %s", l.Detail)
		}
		c.printf("\n")
	}
	return nil
}

// checks says of each thing that a configuration asks for whether it would work. With
// daemon it also looks whether one runs, and at its address.
func (c *command) checks(ctx context.Context, cfg *config.Config, daemon, mail bool) ([]checkLine, error) {
	a, err := app.Open(ctx, app.Options{Config: cfg, By: c.person(), Say: c.say, MustExist: true, Shows: true, MakesNothing: true, Version: app.VersionOf(build())})
	if err == nil {
		defer a.Close()
	}
	return c.checksOf(ctx, cfg, a, err, daemon, mail)
}

// checksOf are those of an archive that is open; noLedger is why it couldn't be opened.
func (c *command) checksOf(ctx context.Context, cfg *config.Config, a *app.App, noLedger error, daemon, mail bool) ([]checkLine, error) {
	lines := []checkLine{lineOf("configuration", cfg.File, true, isOK, true), c.checkState(cfg)}
	problems, err := clouds.Check(ctx, cfg, time.Now)
	if err != nil {
		return nil, err
	}
	grave := map[string]bool{} // stores of which no set can be reached, as is said once
	for _, p := range problems {
		grave[p.Store] = grave[p.Store] || p.Grave
	}
	switch err := noLedger; {
	case err == nil:
		lines = append(lines, lineOf("ledger", a.Ledger.Where(), true, isOK, true))
		odd, err := a.Acts.CheckClock(ctx)
		if err != nil {
			return nil, err
		}
		lines = append(lines, lineOf("clock", odd, odd == "", isOK, true))
		stores, err := a.Acts.CheckStores(ctx)
		if err != nil {
			return nil, err
		}
		if err := a.Ledger.View(ctx, func(t *ledger.Tx) error {
			out, err := t.Stores.TakenOut()
			for _, x := range out {
				lines = append(lines, lineOf("store "+x.Store, x.Words(), true, warning, true))
			}
			return err
		}); err != nil {
			return nil, err
		}
		for _, s := range stores {
			if grave[s.Store] && !s.OK || !a.Acts.Reaches(s.Store) {
				continue
			}
			lines = append(lines, lineOf(fmt.Sprintf("store %s, set %s", s.Store, s.Set), s.Detail, s.OK, notReached, s.Away))
		}
		shared, err := c.checkHosts(ctx, a, stores)
		if err != nil {
			return nil, err
		}
		lines = append(lines, shared...)
	case errors.Is(err, fixity.ErrNotFound):
		lines = append(lines, lineOf("ledger", "there is none yet: the first intake begins one", true, notSetUp, true))
		for _, s := range cfg.Stores {
			for _, r := range s.Sets {
				if s.Kind != config.Disk {
					continue
				}
				st, err := ground.Stat(r.Path)
				detail := r.Path
				switch {
				case errors.Is(err, fs.ErrNotExist) && s.Visiting:
					lines = append(lines, lineOf(fmt.Sprintf("store %s, set %s", s.Name, r.Set), "not here now, as may be: it visits", true, notReached, true))
					continue
				case errors.Is(err, fs.ErrNotExist):
					detail = "NOT FOUND: there is no folder " + r.Path + ". Make it, connect its drive, or correct its path in firmus.toml"
				case err != nil:
					detail = err.Error()
				case !st.IsDir():
					detail = r.Path + " is a file, not a folder"
				}
				lines = append(lines, lineOf(fmt.Sprintf("store %s, set %s", s.Name, r.Set), detail, err == nil && st.IsDir(), isOK, true))
			}
		}
	default:
		lines = append(lines, lineOf("ledger", err.Error(), false, isOK, true))
	}
	for _, s := range cfg.Stores {
		if s.Readers > 0 {
			lines = append(lines, lineOf("store "+s.Name, fmt.Sprintf("files read side by side: %d", s.Readers), true, isOK, true))
		}
	}
	shared, err := app.CheckVolumes(ctx, cfg, a)
	if err != nil {
		return nil, err
	}
	for _, s := range shared {
		lines = append(lines, lineOf("volumes", s.Words(), true, warning, true))
	}
	if cfg.Register != nil {
		detail, ok := app.CheckRegister(ctx, cfg)
		lines = append(lines, lineOf("register", detail, ok, isOK, true))
	}
	two, err := c.checkTwoPeople(ctx, cfg, a)
	if err != nil {
		return nil, err
	}
	lines = append(lines, two...)
	backups, err := app.CheckBackups(ctx, cfg, a)
	if err != nil {
		return nil, err
	}
	if backups != "" {
		lines = append(lines, lineOf("backups", backups, true, note, true))
	}
	for _, p := range problems {
		lines = append(lines, lineOf("store "+p.Store, p.Text, !p.Grave, notReached, p.Away))
	}
	for _, d := range app.InDrives(cfg) {
		lines = append(lines, lineOf("disc in "+d.Drive, d.Words(), d.State != checking.DriveUnread, isOK, true))
	}
	for _, d := range app.CheckDrives(ctx, cfg) {
		lines = append(lines, lineOf("store "+d.Store, d.Detail, d.OK, notReached, d.Away))
	}
	if daemon {
		more, err := c.checkDaemon(ctx, cfg, a, noLedger != nil && !errors.Is(noLedger, fixity.ErrNotFound))
		if err != nil {
			return nil, err
		}
		lines = append(lines, more...)
	}
	letters, err := c.checkMail(ctx, cfg, a, mail)
	if err != nil {
		return nil, err
	}
	return append(lines, letters...), nil
}

// checkTwoPeople says whether two people can decide, where a set asks for that; a is nil while
// there is no ledger.
func (c *command) checkTwoPeople(ctx context.Context, cfg *config.Config, a *app.App) ([]checkLine, error) {
	if !cfg.TwoPeople() || a == nil {
		return nil, nil
	}
	var n int64
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { _, n, err = t.People.CountAccounts(); return err }); err != nil {
		return nil, err
	}
	text := fmt.Sprintf("%s can decide: one proposes, another confirms", fixity.Count(n, "reviewer"))
	if n < 2 {
		text = fmt.Sprintf("a set has two_people = true, and %s: nobody can sign off, settle or retire anything of it. Add accounts of reviewers: firmus account add", fixity.OneOr(n, "only one reviewer has an account", "no reviewer has an account"))
	}
	return []checkLine{lineOf("two people", text, n >= 2, isOK, true)}, nil
}

// checkState tries to write where the ledger is kept, or would be.
func (c *command) checkState(cfg *config.Config) checkLine {
	f, err := beside.File(app.Nearest(cfg.State), ".firmus-check-", 0o600)
	if err != nil {
		return lineOf("state folder", fmt.Sprintf("nothing can be written there: %v", err), false, isOK, true)
	}
	f.Close()
	os.Remove(f.Name())
	return lineOf("state folder", cfg.State, true, isOK, true)
}
