package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"syscall"
	"time"
	_ "time/tzdata" // Windows and bare containers have no time zones of their own

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/systemservice"
)

// daemonStops is how long after a signal the daemon ends at the latest.
const daemonStops = 10 * time.Second

func (c *command) serveCommand() *cobra.Command {
	var format, level string
	var browser bool
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run all the time: schedule, watch, letters, pages, metrics",
		Long: `Audits each store at its time, makes up what was missed while the computer was off,
watches the stores' folders, takes new files in when they have settled, sends letters,
and serves the pages, /metrics, /healthz and /readyz at [web] listen. Without accounts it
prints a link that opens the pages once; "firmus open" makes a new one.

Without a configuration it serves pages that ask for what one needs, write firmus.toml, and
begin the first intake. The link that it prints opens them, on this computer only. A file
that --config or FIRMUS_CONFIG names must be there.

SIGHUP reads the configuration anew; if anything is wrong with it the old one stays in
force. SIGINT and SIGTERM stop within ten seconds. A second instance refuses to start
(exit status 3).`,
		Args: cobra.NoArgs,
	}
	cmd.Flags().StringVar(&format, "log", "text", "`text|json`: how the log is written, to stderr")
	cmd.Flags().StringVar(&level, "log-level", "info", "`debug|info|warn|error`: what the log holds")
	cmd.Flags().BoolVar(&browser, "open", false, "open the pages in a browser, also where the daemon runs already; a new configuration goes where a person's programs keep theirs")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		log, err := c.logger(format, level)
		if err != nil {
			return err
		}
		return systemservice.Run(cmd.Context(), func(ctx context.Context) error { return c.serve(ctx, log, browser) })
	}
	return cmd
}

// logger writes the log to stderr; under systemd's journal without the time, which
// the journal has.
func (c *command) logger(format, level string) (*slog.Logger, error) {
	var o slog.HandlerOptions
	var l slog.Level
	if err := l.UnmarshalText([]byte(level)); err != nil {
		return nil, usageError{fmt.Errorf("--log-level is debug, info, warn or error, not %q", level)}
	}
	o.Level = l
	journal := os.Getenv("JOURNAL_STREAM") != ""
	o.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
		if journal && a.Key == slog.TimeKey && len(groups) == 0 {
			return slog.Attr{}
		}
		switch a.Key {
		case "error", "trouble", "why", "text":
			a.Value = slog.StringValue(report.Plainly(a.Value.String()))
		}
		return a
	}
	switch format {
	case "text":
		return slog.New(slog.NewTextHandler(c.err, &o)), nil
	case "json":
		return slog.New(slog.NewJSONHandler(c.err, &o)), nil
	}
	return nil, usageError{fmt.Errorf("--log is text or json, not %q", format)}
}

func (c *command) serve(ctx context.Context, log *slog.Logger, browser bool) error {
	link := func(url string) { fmt.Fprintln(c.err, "open "+url) }
	if browser {
		link = c.show
	}
	c.patience.Store(int64(daemonStops))
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	reload := make(chan struct{})
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-hup:
			}
			select {
			case <-ctx.Done():
				return
			case reload <- struct{}{}:
			}
		}
	}()
	stopping := context.AfterFunc(ctx, func() { systemservice.Notify("STOPPING=1") })
	defer stopping()
	err := app.RunDaemon(ctx, app.DaemonOptions{
		Load: func() (*config.Config, error) {
			cfg, err := c.load()
			if err == nil {
				useCredentials(cfg, os.Getenv("CREDENTIALS_DIRECTORY"))
			}
			return cfg, err
		},
		By: c.daemonName(), Log: log, Build: build(), Reload: reload,
		Ready:     func() { systemservice.Notify("READY=1") },
		Reloading: func() { systemservice.Notify("RELOADING=1") },
		Alive:     func() { systemservice.Notify("WATCHDOG=1") },
		Link:      link, Setup: c.setup(browser), Opened: c.tells,
	})
	if browser && errors.Is(err, app.ErrSecond) {
		return c.openRunning(ctx)
	}
	return err
}

// daemonName is who acts when nobody does.
func (c *command) daemonName() string {
	if c.by != "" {
		return c.by
	}
	return "the daemon"
}

// useCredentials takes secrets from where the system's service manager lays them for
// this process only (systemd.exec(5), LoadCredential=), if they are there.
func useCredentials(cfg *config.Config, dir string) {
	if dir == "" {
		return
	}
	take := func(path *string, name string) {
		if p := filepath.Join(dir, name); *path != "" {
			if _, err := os.Stat(p); err == nil {
				*path = p
			}
		}
	}
	if cfg.Mail != nil {
		take(&cfg.Mail.PasswordFile, systemservice.MailPassword)
	}
	for i := range cfg.Stores {
		take(&cfg.Stores[i].Credentials, systemservice.StoreCredential(cfg.Stores[i].Name))
	}
}

func build() metrics.Build {
	b := metrics.Build{Version: "unknown", Commit: "unknown", Go: runtime.Version()}
	if info, ok := debug.ReadBuildInfo(); ok {
		b.Version = info.Main.Version
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				b.Commit = s.Value
			}
		}
	}
	return b
}
