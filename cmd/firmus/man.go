package main

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/guarded"
	"firmus/replicas/named"
)

func (c *command) manCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "man DIR",
		Short: "Write the manual pages into a folder",
		Long: `Writes a manual page for each command into a folder. "man -l FILE" shows one. In a
folder man1 below a folder of $MANPATH, "man firmus" finds them. A page that somebody
changed since Firmus wrote it isn't replaced.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			g, err := c.guarded()
			if err != nil {
				return err
			}
			if err := g.Outside(args[0]); err != nil {
				return err
			}
			if err := named.Folder(args[0]); err != nil {
				return err
			}
			if err := os.MkdirAll(args[0], 0o755); err != nil {
				return err
			}
			if err := writeManual(g, cmd.Root(), manualDate(), args[0]); err != nil {
				return err
			}
			c.printf("The manual pages were written into %s.\n", args[0])
			return nil
		},
	}
}

// manualDate is the day of the commit that the program was made from, else today.
func manualDate() time.Time {
	if b, ok := debug.ReadBuildInfo(); ok {
		for _, s := range b.Settings {
			if at, err := time.Parse(time.RFC3339, s.Value); s.Key == "vcs.time" && err == nil {
				return at.UTC()
			}
		}
	}
	return time.Now().UTC()
}

// writeManual writes the page of a command and of those below it.
func writeManual(g guarded.Folders, cmd *cobra.Command, date time.Time, dir string) error {
	for _, sub := range cmd.Commands() {
		if sub.IsAvailableCommand() {
			if err := writeManual(g, sub, date, dir); err != nil {
				return err
			}
		}
	}
	p := pageOf(cmd)
	p.everywhere = pageOf(cmd.Root()).everywhere
	var also []string
	if cmd.HasParent() {
		also = append(also, manualName(cmd.Parent()))
	}
	for _, sub := range p.commands {
		also = append(also, manualName(cmd)+"-"+sub[0])
	}
	return g.Page(filepath.Join(dir, manualName(cmd)+".1"), p.roff(manualName(cmd), also, date))
}

func manualName(cmd *cobra.Command) string { return strings.ReplaceAll(cmd.CommandPath(), " ", "-") }

// roff is the page in the language of man(7).
func (p helpPage) roff(name string, also []string, date time.Time) string {
	var b strings.Builder
	esc := strings.NewReplacer(`\`, `\e`, "-", `\-`, "…", "...").Replace
	text := func(s string) {
		for _, line := range strings.Split(s, "\n") {
			switch {
			case strings.HasPrefix(line, " "): // a table or an example stays as it is
				fmt.Fprintf(&b, ".nf\n%s\n.fi\n", esc(line))
			case line == "":
				b.WriteString(".PP\n")
			case strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'"):
				b.WriteString(`\&` + esc(line) + "\n")
			default:
				b.WriteString(esc(line) + "\n")
			}
		}
	}
	rows := func(title string, rows [][2]string) {
		if len(rows) == 0 {
			return
		}
		fmt.Fprintf(&b, ".SH %s\n", title)
		for _, r := range rows {
			fmt.Fprintf(&b, ".TP\n\\fB%s\\fR\n", esc(r[0]))
			text(r[1])
		}
	}
	fmt.Fprintf(&b, ".TH %q 1 %q \"Firmus\" \"Firmus\"\n", strings.ToUpper(name), date.Format("2006-01-02"))
	fmt.Fprintf(&b, ".SH NAME\n%s \\- %s\n.SH SYNOPSIS\n", esc(name), esc(p.short))
	for _, u := range p.usage {
		fmt.Fprintf(&b, "\\fB%s\\fR\n.br\n", esc(u))
	}
	b.WriteString(".SH DESCRIPTION\n")
	text(p.text)
	rows("COMMANDS", p.commands)
	if p.examples != "" {
		b.WriteString(".SH EXAMPLES\n")
		text(p.examples)
	}
	rows("OPTIONS", p.options)
	rows("OPTIONS OF EVERY COMMAND", p.everywhere)
	if !strings.Contains(p.text, "Exit status") {
		rows("EXIT STATUS", exitStatuses)
	}
	if len(also) > 0 {
		b.WriteString(".SH SEE ALSO\n")
		for i, n := range also {
			end := ","
			if i == len(also)-1 {
				end = ""
			}
			fmt.Fprintf(&b, ".BR %s (1)%s\n", esc(n), end)
		}
	}
	return b.String()
}
