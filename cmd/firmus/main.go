// Command firmus keeps watch over a small sound archive: checksum manifests,
// audits of every copy, findings, and help in putting things right.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log"
	"os"
	"os/signal"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/people"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
)

func main() { os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }

// Exit statuses (command-line contract).
const (
	exitIntact     = 0
	exitFinding    = 1
	exitUsage      = 2
	exitUnfinished = 3
)

// stopWithin is how long after a signal the program ends at the latest. Nothing is
// lost by it: what isn't committed then is done again by the next run.
const stopWithin = 1800 * time.Millisecond

// command is one run of the program.
type command struct {
	in          io.Reader
	out, err    io.Writer
	terminal    io.Writer // stderr itself, for the progress line alone
	raw         io.Writer // stdout itself, for what is no text
	configFile  string
	json        bool
	by          string
	exit        int
	printed     bool // the JSON document is out
	progress    *progress
	interrupted context.Context
	patience    atomic.Int64 // how long after a signal the program ends at the latest
}

// run is main without the process: tests call it.
func run(args []string, in io.Reader, out, errOut io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return runUntil(ctx, args, in, out, errOut)
}

// runUntil stops in order when ctx is done.
func runUntil(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) int {
	log.SetOutput(io.Discard) // a library for FLAC logs there for each frame of odd rates
	c := &command{in: in, out: &plain{w: out}, err: &plain{w: errOut}, terminal: errOut, raw: out, interrupted: ctx}
	c.patience.Store(int64(stopWithin))
	done := make(chan struct{})
	defer close(done)
	go func() {
		<-ctx.Done()
		select {
		case <-done:
		case <-time.After(time.Duration(c.patience.Load())):
			fmt.Fprintln(errOut, "firmus: stopped in the middle of a step that did not end; what was committed is safe")
			os.Exit(exitUnfinished)
		}
	}()
	root := c.root()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	c.progress.stop()
	if err != nil {
		c.fail(err)
	}
	return c.exit
}

// fail says what went wrong, on stderr or as the JSON document, and sets the status.
func (c *command) fail(err error) {
	c.exit = max(c.exit, statusOf(err))
	if errors.Is(err, context.Canceled) && c.interrupted.Err() != nil {
		c.exit, err = exitUnfinished, errors.New("stopped before the end, as asked; what was done is in the ledger, and the next run carries on")
	}
	text := err.Error() // without what the status says already
	for _, said := range []error{fixity.ErrRefused, fixity.ErrNotFound} {
		text = strings.TrimSuffix(text, ": "+said.Error())
	}
	text = report.Plainly(text)
	if c.json && !c.printed {
		c.document(map[string]any{"error": text, "exit": c.exit})
		return
	}
	for i, line := range strings.Split(text, "\n") {
		if i == 0 {
			line = "firmus: " + line
		}
		fmt.Fprintln(c.err, line)
	}
}

// errUsage marks wrong usage.
var errUsage = errors.New("wrong usage")

type usageError struct{ error }

func (usageError) Is(target error) bool { return target == errUsage }

func statusOf(err error) int {
	var bad *config.Error
	switch {
	case errors.Is(err, acts.ErrNoneIntact):
		return exitFinding
	case errors.As(err, &bad), errors.Is(err, errUsage), errors.Is(err, fixity.ErrRefused), errors.Is(err, fixity.ErrNotFound),
		errors.Is(err, fs.ErrNotExist), errors.Is(err, fs.ErrExist), errors.Is(err, ledger.ErrPlace):
		return exitUsage
	}
	return exitUnfinished
}

// document prints the one JSON document of this run.
func (c *command) document(v any) {
	if err := writeJSON(c.out, v); err != nil {
		fmt.Fprintln(c.err, "firmus:", err)
	}
	c.printed = true
}

// writeJSON writes a document as people and programs read it.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

func (c *command) printf(format string, args ...any) { fmt.Fprintf(c.out, format, args...) }

// say is for messages: stderr, one line each.
func (c *command) say(format string, args ...any) {
	c.progress.clear()
	fmt.Fprintln(c.err, "firmus: "+report.Plainly(fmt.Sprintf(format, args...)))
}

func (c *command) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "firmus",
		Short: "Keeps watch over the copies of a sound archive",
		Long: `Firmus keeps checksum manifests for the files of a sound archive and audits every copy
of them, on demand and on a schedule. It says what is no longer as it should be, where
an intact copy is, and what to do.`,
		Example: `  firmus demo      show all of it on an invented archive
  firmus init      begin with your own, in an empty folder`,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if byDoubleClick() {
				return c.doubleClicked(cmd)
			}
			return cmd.Help()
		},
	}
	root.PersistentPreRunE = func(cmd *cobra.Command, _ []string) error {
		if !cmd.Flags().Changed("by") {
			return nil
		}
		return people.CheckBy(c.by)
	}
	root.SetIn(c.in)
	root.SetOut(c.out)
	root.SetErr(c.err)
	root.PersistentFlags().StringVar(&c.configFile, "config", "", "configuration `FILE`; else $FIRMUS_CONFIG, ./firmus.toml, or the system's usual place")
	root.PersistentFlags().BoolVar(&c.json, "json", false, "print the result as one JSON document")
	root.PersistentFlags().StringVar(&c.by, "by", "", "`NAME` of the person who acts; else the account's name")
	root.AddCommand(c.initCommand(), c.intakeCommand(), c.receiveCommand(), c.auditCommand(), c.findingsCommand(), c.finishCommand(), c.recoverCommand(), c.retireCommand(), c.replaceCommand(), c.proposalCommand(),
		c.recogniseCommand(), c.storeCommand(), c.discCommand(),
		c.manifestCommand(), c.bagCommand(), c.ledgerCommand(), c.reportCommand(), c.registerCommand(), c.levelsCommand(), c.serveCommand(), c.openCommand(), c.accountCommand(), c.serviceCommand(), c.checkCommand(), c.versionCommand(), c.demoCommand(), c.manCommand())
	c.plainHelp(root)
	wrapArgs(root)
	return root
}

// wrapArgs makes wrong arguments of every command wrong usage.
func wrapArgs(cmd *cobra.Command) {
	if check := cmd.Args; check != nil {
		cmd.Args = func(cmd *cobra.Command, args []string) error {
			if err := check(cmd, args); errors.Is(err, errUsage) {
				return err
			} else if err != nil {
				return usageError{fmt.Errorf("%w\nsee \"%s --help\"", err, cmd.CommandPath())}
			}
			return nil
		}
	}
	for _, sub := range cmd.Commands() {
		wrapArgs(sub)
	}
}

// load reads the configuration.
func (c *command) load() (*config.Config, error) {
	cwd, err := os.Getwd()
	if err != nil {
		return nil, err
	}
	file, err := config.Find(c.configFile, os.Getenv, cwd)
	if err != nil {
		return nil, fmt.Errorf("%w\n\"firmus init\" makes one", err)
	}
	return config.Load(file)
}

// guarded are the folders that no command writes into at a person's word. A command
// that needs no configuration knows those of one that is there.
func (c *command) guarded() (guarded.Folders, error) {
	cwd, err := os.Getwd()
	if err != nil {
		return guarded.Folders{}, err
	}
	file, err := config.Find(c.configFile, os.Getenv, cwd)
	if errors.Is(err, fs.ErrNotExist) {
		return guarded.Of(nil), nil
	}
	if err != nil {
		return guarded.Folders{}, err
	}
	cfg, err := config.Load(file)
	if errors.Is(err, fs.ErrNotExist) {
		return guarded.Folders{}, usageError{fmt.Errorf("the configuration that --config or FIRMUS_CONFIG names isn't there: %s. Name one that is there, or none: it says which folders hold recordings, and nothing is written into those", file)}
	}
	if err != nil {
		return guarded.Folders{}, fmt.Errorf("look up which folders hold recordings: %w", err)
	}
	return guarded.Of(cfg), nil
}

// outside refuses a place for what is about to be written.
func (c *command) outside(path string) error {
	g, err := c.guarded()
	if err != nil {
		return err
	}
	return g.Outside(path)
}

// open opens the archive. show is set for commands that only show.
func (c *command) open(ctx context.Context, show bool) (*app.App, error) {
	return c.openWith(ctx, app.Options{MustExist: show, Shows: show})
}

// openBeside opens the archive by an order that may begin a ledger where something lies
// of an earlier one.
func (c *command) openBeside(ctx context.Context) (*app.App, error) {
	return c.openWith(ctx, app.Options{BeginBeside: true})
}

func (c *command) openWith(ctx context.Context, o app.Options) (*app.App, error) {
	cfg, err := c.load()
	if err != nil {
		return nil, err
	}
	o.Config, o.By, o.Known, o.Say, o.Progress, o.Version = cfg, c.person(), people.Account(), c.say, c.auditProgress(), app.VersionOf(build())
	a, err := app.Open(ctx, o)
	if err != nil {
		return nil, err
	}
	if odd, err := a.Acts.CheckClock(ctx); err == nil && odd != "" {
		c.say("%s", odd)
	}
	return a, nil
}

// person is who acts: --by, else the account.
func (c *command) person() string {
	if c.by != "" {
		return c.by
	}
	return people.OfComputer()
}

// auditProgress feeds the progress line and says notes.
func (c *command) auditProgress() audit.Progress {
	return audit.Progress{
		File:      func(s fixity.Shard, path string, size int64) { c.progress.file(s.Store, path) },
		Bytes:     func(n int64) { c.progress.add(n) },
		Elsewhere: func(store string, files, bytes int64) { c.progress.others(store, files, bytes) },
		Note:      func(s fixity.Shard, text string) { c.say("%s, %s: %s", s.Store, s.Set, text) },
	}
}

// cacheFlag adds --cache.
func cacheFlag(cmd *cobra.Command) func() (fixity.Cache, error) {
	v := cmd.Flags().String("cache", "", "`drop|allow`: let the system's memory answer (allow), or empty it of each file first (drop). Without this option Firmus reads past it, from the drive itself")
	return func() (fixity.Cache, error) {
		switch *v {
		case "":
			return fixity.Bypassed, nil
		case "drop":
			return fixity.Dropped, nil
		case "allow":
			return fixity.Allowed, nil
		}
		return "", usageError{fmt.Errorf("--cache is drop or allow, not %q", *v)}
	}
}
