package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/register/preview"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/setup"
	"firmus/fixity"
)

func (c *command) initCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "init [DIR]",
		Short: "Ask some questions and write a configuration",
		Long: `Asks where the recordings are, and writes firmus.toml into this folder or into DIR. It
never replaces a file. At the end it asks for the register and shows what it would read of
it; you can leave it out. Press Enter to take what stands in brackets. Answer "none" for
what you don't have.

The second copies must lie on another drive: two stores on one drive count as one copy.
Firmus says so if the folders lie on one.`,
		Example: `  firmus init
  firmus init D:\firmus`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			dir := "."
			if len(args) > 0 {
				dir = args[0]
			}
			return c.init(cmd.Context(), dir)
		},
	}
}

func (c *command) init(ctx context.Context, dir string) error {
	path := filepath.Join(dir, "firmus.toml")
	if _, err := os.Lstat(path); err == nil {
		return usageError{fmt.Errorf("%s is there already; it was not touched", path)}
	}
	if _, err := os.Stat(c.configFile); c.configFile != "" && errors.Is(err, fs.ErrNotExist) {
		return usageError{fmt.Errorf("init begins a new configuration, firmus.toml, in the folder that you name (firmus init DIR). --config names one that is there already, and %s isn't", c.configFile)}
	}
	g, err := c.guarded()
	if err != nil {
		return err
	}
	if err := g.Outside(path); err != nil {
		return err
	}
	v := &interview{c: c, ctx: ctx, in: bufio.NewReader(c.in), person: c.atTerminal(), draft: setup.New(path)}
	if err := v.all(); err != nil {
		return err
	}
	if _, err := v.draft.Config(); err != nil {
		return usageError{fmt.Errorf("with these answers the configuration would not do, and nothing was written:\n%s", setup.WrongWith(err))}
	}
	if err := v.draft.Write(g); err != nil {
		return err
	}
	lacks := v.draft.Lacking()
	if cfg, err := config.Load(path); err == nil && len(lacks) == 0 {
		if shared, err := app.CheckVolumes(ctx, cfg, nil); err == nil {
			for _, s := range shared {
				c.say("%s", s.Words())
			}
		}
	}
	if c.json {
		c.document(map[string]any{"config": path, "not_there": append([]string{}, lacks...), "exit": 0})
		return nil
	}
	firmus := c.commandFor(path)
	c.printf("%s was written.\n", path)
	if len(lacks) > 0 {
		c.printf("Not there yet:\n")
		for _, l := range lacks {
			c.printf("  %s\n", l)
		}
		c.printf("Connect the drive, make what lacks, or correct the path in %s.\n", path)
	}
	c.printf("Look it over, then:\n")
	for _, x := range [][2]string{{"check", "says what would not work"}, {"intake", "takes the files under care"}, {"audit", "compares and reads every copy"}} {
		c.printf("  %s %-8s %s\n", firmus, x[0], x[1])
	}
	return nil
}

// commandFor is how a command begins that uses a configuration from the folder where
// the person stands.
func (c *command) commandFor(path string) string {
	cwd, err := os.Getwd()
	if err != nil {
		cwd = string(filepath.Separator)
	}
	_, rest, _ := strings.Cut(config.CommandIn(cwd, path), "firmus")
	return startedBy(os.Args[0]) + rest
}

// startedBy is how a person starts this program again: by its name if that finds it, else
// by the path that started it. What "go run" built is gone by then.
func startedBy(started string) string {
	if !strings.ContainsAny(started, `/\`) || strings.Contains(started, "go-build") {
		return "firmus"
	}
	if found, err := exec.LookPath("firmus"); err == nil {
		a, err := os.Stat(found)
		b, err2 := os.Stat(started)
		if err == nil && err2 == nil && os.SameFile(a, b) {
			return "firmus"
		}
	}
	return config.InShell(started)
}

// interview asks a person for what a configuration needs.
type interview struct {
	c      *command
	ctx    context.Context
	in     *bufio.Reader
	person bool // somebody types: what doesn't do is asked for again
	draft  *setup.Draft
	ended  bool // there is no more input, and the rest is taken as proposed
}

// errStopped says that somebody ended the questions.
var errStopped = errors.New("the questions were not answered to the end; nothing was written")

// atTerminal says that a person types what the program reads.
func (c *command) atTerminal() bool {
	f, ok := c.in.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// line reads what is typed. It doesn't wait on once the program is to stop.
func (v *interview) line() (string, error) {
	type read struct {
		line string
		err  error
	}
	got := make(chan read, 1)
	go func() {
		line, err := v.in.ReadString('\n')
		got <- read{line, err}
	}()
	select {
	case <-v.ctx.Done():
		return "", v.ctx.Err()
	case r := <-got:
		if r.err != nil && r.line != "" {
			r.err = nil
		}
		return r.line, r.err
	}
}

// all asks for everything. The first four questions are those that each archive has an
// answer to.
func (v *interview) all() error {
	for i := 0; ; i++ {
		all := v.draft.Questions()
		if i == len(all) {
			break
		}
		if err := v.ask(all[i]); err != nil {
			return err
		}
	}
	if lacks := v.draft.Masters(); lacks == "" {
		return usageError{errors.New(setup.WithoutMasters + "; nothing was written")}
	}
	return v.register()
}

// shownInit is how many problems of a register the questions show.
const shownInit = 5

// register asks for the register, shows what would be read of it, and keeps it if the person
// finds the columns right.
func (v *interview) register() error {
	const ask = "The register, your spreadsheet that says what each reel holds (XLSX, ODS or CSV), or none"
	for {
		line, err := v.typed(ask, setup.None)
		if err != nil || v.ended {
			return err
		}
		answer, wrong := setup.Clean(line)
		if wrong == "" && (answer == "" || strings.EqualFold(answer, setup.None)) {
			return nil
		}
		var p preview.Preview
		if wrong == "" {
			path := v.draft.Whole(answer)
			if p, err = preview.Make(v.ctx, preview.Order{Path: v.draft.At(path), Name: filepath.ToSlash(path)}); err != nil {
				if wrong = err.Error(); v.ctx.Err() != nil {
					return errStopped
				}
			}
		} else {
			wrong = "it " + wrong
		}
		switch {
		case wrong != "" && !v.person:
			return usageError{fmt.Errorf("the register does not do; nothing was written: %s", wrong)}
		case wrong != "":
			fmt.Fprintf(v.c.err, "  That doesn't do: %s.\n  You can leave the register out, and look at it later: firmus register try FILE\n", strings.TrimSuffix(wrong, "."))
			continue
		}
		for _, s := range p.Summary() {
			fmt.Fprintf(v.c.err, "  %s\n", s)
		}
		for _, s := range p.Lines() {
			fmt.Fprintf(v.c.err, "    %s\n", s)
		}
		for i, x := range p.Problems {
			if i == shownInit {
				fmt.Fprintf(v.c.err, "  and %s more problems; firmus register try shows them\n", fixity.Number(int64(len(p.Problems)-i)))
				break
			}
			fmt.Fprintf(v.c.err, "  %s: %s\n", preview.Where(x), report.RegisterRow(x.Tells))
		}
		for {
			line, err := v.typed("  Firmus guesses the columns from the header. Are they right? If not, the register is left out.", "yes")
			if err != nil || v.ended {
				return err
			}
			switch strings.ToLower(strings.TrimSpace(line)) {
			case "", "yes", "y":
				v.draft.KeepRegister(p.Block)
				return nil
			case "no", "n":
				fmt.Fprintln(v.c.err, "  The register was left out. To choose the columns: firmus register try FILE")
				return nil
			}
			if !v.person {
				return usageError{fmt.Errorf("the answer about the register's columns is neither yes nor no; nothing was written")}
			}
			fmt.Fprintln(v.c.err, "  Type yes or no.")
		}
	}
}

// typed puts a question and gives what was typed. If the input has ended, the rest is taken
// as proposed; a person who ended it gets nothing.
func (v *interview) typed(words, preset string) (string, error) {
	if v.ended {
		return "", nil
	}
	fmt.Fprintf(v.c.err, "%s [%s] ", words, preset)
	line, err := v.line()
	if err != nil {
		fmt.Fprintln(v.c.err)
		if v.ctx.Err() != nil || v.person {
			return "", errStopped
		}
		v.c.say("the input ended: the rest is as proposed")
		v.ended = true
	}
	return line, nil
}

// ask puts a question on stderr, so that stdout holds the result only. Without an answer
// it takes what is proposed. If there is no folder of a name, a person is asked once more.
func (v *interview) ask(q setup.Question) error {
	words, preset, folder := q.Words(setup.NoneMeans(q.Key)), q.Preset, q.Kind == setup.Folder
	missing := "" // the folder that was named, and isn't there
	for !v.ended {
		line, err := v.typed(words, preset)
		if err != nil {
			return err
		}
		if v.ended {
			break
		}
		answer, wrong := setup.Clean(line)
		if answer == "" {
			answer = preset
		}
		if folder {
			answer = v.draft.Whole(answer)
		}
		if wrong == "" && v.person {
			wrong = v.draft.Wrong(q, answer)
		}
		switch {
		case wrong != "" && !v.person:
			return usageError{fmt.Errorf("the answer to %q %s; nothing was written", q.Ask, wrong)}
		case wrong != "":
			fmt.Fprintf(v.c.err, "  That doesn't do: %s.\n", wrong)
			continue
		case folder && v.person && answer != missing && !strings.EqualFold(answer, setup.None) && !v.draft.There(answer):
			words, preset, missing = fmt.Sprintf("  There is no folder %s. Press Enter to take it all the same, or type another.", v.draft.At(answer)), answer, answer
			continue
		}
		v.draft.Answer(q.Key, answer)
		return nil
	}
	if folder {
		preset = v.draft.Whole(preset)
	}
	v.draft.Answer(q.Key, preset)
	return nil
}
