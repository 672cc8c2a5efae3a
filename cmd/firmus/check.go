package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
)

type checkLine struct {
	What   string `json:"what"`
	OK     bool   `json:"ok"`
	Detail string `json:"detail"`
	// Warning is set if it works, and there is something to know all the same.
	Warning bool `json:"warning,omitempty"`
}

func (c *command) checkCommand() *cobra.Command {
	var mail bool
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Say what would not work tonight",
		Long: `Looks at the configuration, the state folder, the ledger and each store's folders,
and says what would not work. It changes nothing and reads no recording.

With --mail it sends a test letter to everybody who gets letters. If the server takes
it, letters that it refused before are tried again.

Stores that lie on one volume are a warning: they count as one copy.

Exit status 3 if something would not work, 2 if the configuration is wrong.`,
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
	lines := []checkLine{{What: "configuration", OK: true, Detail: cfg.File}, c.checkState(cfg)}
	a, err := app.Open(ctx, app.Options{Config: cfg, By: c.person(), Say: c.say, MustExist: true})
	switch {
	case err == nil:
		defer a.Close()
		lines = append(lines, checkLine{What: "ledger", OK: true, Detail: a.Ledger.Where()})
		odd, err := a.Acts.CheckClock(ctx)
		if err != nil {
			return err
		}
		lines = append(lines, checkLine{What: "clock", OK: odd == "", Detail: odd})
		stores, err := a.Acts.CheckStores(ctx)
		if err != nil {
			return err
		}
		for _, s := range stores {
			lines = append(lines, checkLine{What: fmt.Sprintf("store %s, set %s", s.Store, s.Set), OK: s.OK, Detail: s.Detail})
		}
	case errors.Is(err, fixity.ErrNotFound):
		lines = append(lines, checkLine{What: "ledger", OK: true, Detail: "none yet: \"firmus intake\" begins one"})
		for _, s := range cfg.Stores {
			for _, r := range s.Sets {
				if s.Kind != config.Disk {
					continue
				}
				st, err := os.Stat(r.Path)
				l := checkLine{What: fmt.Sprintf("store %s, set %s", s.Name, r.Set), OK: err == nil && st.IsDir(), Detail: r.Path}
				if err != nil {
					l.Detail = err.Error()
				} else if !st.IsDir() {
					l.Detail = r.Path + " is not a folder"
				}
				lines = append(lines, l)
			}
		}
	default:
		lines = append(lines, checkLine{What: "ledger", Detail: err.Error()})
	}
	shared, err := app.CheckVolumes(ctx, cfg, a)
	if err != nil {
		return err
	}
	for _, s := range shared {
		lines = append(lines, checkLine{What: "volumes", OK: true, Warning: true, Detail: s.Words()})
	}
	clouds, err := app.CheckClouds(ctx, cfg, time.Now)
	if err != nil {
		return err
	}
	for _, p := range clouds {
		lines = append(lines, checkLine{What: "store " + p.Store, OK: !p.Grave, Detail: p.Text})
	}
	for _, d := range app.InDrives(cfg) {
		lines = append(lines, checkLine{What: "disc in " + d.Drive, OK: d.State != app.DriveUnread, Detail: d.Words()})
	}
	for _, d := range app.CheckDrives(ctx, cfg) {
		lines = append(lines, checkLine{What: "store " + d.Store, OK: d.OK, Detail: d.Detail})
	}
	daemon, err := c.checkDaemon(ctx, cfg, a)
	if err != nil {
		return err
	}
	lines = append(lines, daemon...)
	letters, err := c.checkMail(ctx, cfg, a, mail)
	if err != nil {
		return err
	}
	lines = append(lines, letters...)
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
		mark := "ok      "
		switch {
		case !l.OK:
			mark = "NOT OK  "
		case l.Warning:
			mark = "warning "
		}
		c.printf("%s%s", mark, l.What)
		if l.Detail != "" {
			c.printf(": %s", l.Detail)
		}
		c.printf("\n")
	}
	return nil
}

// checkState tries to write where the ledger is kept, or would be.
func (c *command) checkState(cfg *config.Config) checkLine {
	l := checkLine{What: "state folder", Detail: cfg.State}
	dir := cfg.State
	for {
		if _, err := os.Stat(dir); err == nil {
			break
		}
		up := filepath.Dir(dir)
		if up == dir {
			break
		}
		dir = up
	}
	f, err := os.CreateTemp(dir, ".firmus-check-*")
	if err != nil {
		l.Detail = fmt.Sprintf("nothing can be written there: %v", err)
		return l
	}
	f.Close()
	os.Remove(f.Name())
	l.OK = true
	return l
}
