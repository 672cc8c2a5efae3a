package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"firmus/fixity/spelling"
)

// exitStatuses are the same for every command (command-line contract).
var exitStatuses = [][2]string{
	{"0", "Intact. Of a command that only shows: it could show."},
	{"1", "A finding is open on what was checked, or a bag, folder or disc is not valid."},
	{"2", "Wrong usage or configuration, or an act that is refused."},
	{"3", "It could not be finished: a store is away or busy, or a read failed."},
}

// helpPage is what help and manual say of a command.
type helpPage struct {
	name, short string
	usage       []string
	text        string
	commands    [][2]string
	examples    string
	options     [][2]string
	everywhere  [][2]string // options of every command
}

func pageOf(cmd *cobra.Command) helpPage {
	p := helpPage{name: cmd.CommandPath(), short: cmd.Short, text: strings.TrimSpace(cmd.Long), examples: strings.TrimRight(cmd.Example, "\n")}
	if p.text == "" {
		p.text = sentence(cmd.Short)
	}
	p.text = filled(p.text)
	use := cmd.UseLine()
	use = strings.Replace(use, " [flags]", "", 1)
	cmd.InitDefaultHelpFlag()
	cmd.LocalFlags().VisitAll(func(f *pflag.Flag) { p.option(cmd, f) })
	if len(p.options) > 0 && !strings.Contains(use, "[OPTIONS]") {
		use += " [OPTIONS]"
	}
	if cmd.Runnable() && cmd.HasParent() && cmd.Annotations["only"] != "help" {
		p.usage = append(p.usage, use)
	}
	for _, sub := range cmd.Commands() {
		if sub.IsAvailableCommand() {
			p.commands = append(p.commands, [2]string{sub.Name(), sentence(sub.Short)})
		}
	}
	if len(p.commands) > 0 {
		p.usage = append(p.usage, cmd.CommandPath()+" COMMAND …")
	}
	return p
}

// option adds an option to its list.
func (p *helpPage) option(cmd *cobra.Command, f *pflag.Flag) {
	if f.Hidden || f.Name == "help" {
		return
	}
	word, means := pflag.UnquoteUsage(f)
	if f.Value.Type() == "bool" {
		word = ""
	} else if word == strings.ToLower(word) && !strings.Contains(word, "|") {
		word = strings.ToUpper(strings.NewReplacer("string", "TEXT", "int64", "N", "int", "N", "strings", "TEXT").Replace(word))
	}
	if word != "" {
		word = " " + word
	}
	means = strings.TrimPrefix(means, strings.TrimSpace(word)+": ")
	means, needed := strings.CutSuffix(means, " (needed)")
	means, without, ok := strings.Cut(means, " (default ")
	if ok {
		without = strings.TrimSuffix(without, ")")
	}
	means = sentence(means)
	if needed {
		means += " Needed."
	}
	if without != "" {
		means += fmt.Sprintf(" Without it: %s.", without)
	}
	if f.DefValue != "" && f.DefValue != "0" && f.DefValue != "false" && f.DefValue != "[]" {
		means += fmt.Sprintf(" Without it: %s.", f.DefValue)
	}
	row := [2]string{"--" + f.Name + word, means}
	if !cmd.HasParent() || cmd.Parent() != nil && cmd.InheritedFlags().Lookup(f.Name) != nil {
		p.everywhere = append(p.everywhere, row)
		return
	}
	p.options = append(p.options, row)
}

// onlyHelp marks a command that by itself does nothing but explain those below it.
var onlyHelp = map[string]string{"only": "help"}

// filled breaks the paragraphs of a text anew, so that all help is equally wide. Lines that
// begin with a blank stay as they are.
func filled(text string) string {
	var out, paragraph []string
	flush := func() {
		if len(paragraph) > 0 {
			out = append(out, wrapped(strings.Join(paragraph, " "), helpWidth)...)
			paragraph = nil
		}
	}
	for line := range strings.SplitSeq(text, "\n") {
		if line == "" || strings.HasPrefix(line, " ") {
			flush()
			out = append(out, line)
			continue
		}
		paragraph = append(paragraph, line)
	}
	flush()
	return strings.Join(out, "\n")
}

// sentence begins a text with a capital and ends it with a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if r, n := utf8.DecodeRuneInString(s); n > 0 && !strings.HasPrefix(s, "--") {
		s = string(unicode.ToUpper(r)) + s[n:]
	}
	if s != "" && !strings.ContainsAny(s[len(s)-1:], ".:?") {
		s += "."
	}
	return s
}

const helpWidth = 88

// writeText writes the page for a terminal.
func (p helpPage) writeText(w io.Writer) {
	for i, u := range p.usage {
		fmt.Fprintf(w, "%-4s %s\n", []string{"Use:", ""}[min(i, 1)], u)
	}
	fmt.Fprintf(w, "\n%s\n", p.text)
	table := func(title string, rows [][2]string) {
		if len(rows) == 0 {
			return
		}
		fmt.Fprintf(w, "\n%s\n", title)
		widest := 0
		for _, r := range rows {
			widest = max(widest, utf8.RuneCountInString(r[0]))
		}
		widest = min(widest, 26)
		for _, r := range rows {
			at, lines := r[0], wrapped(r[1], helpWidth-widest-4)
			if utf8.RuneCountInString(at) > widest {
				fmt.Fprintf(w, "  %s\n", at)
				at = ""
			}
			for _, l := range lines {
				fmt.Fprintf(w, "  %s%s  %s\n", at, strings.Repeat(" ", widest-utf8.RuneCountInString(at)), l)
				at = ""
			}
		}
	}
	if p.examples != "" {
		fmt.Fprintf(w, "\nExamples\n%s\n", p.examples)
	}
	table("Commands", p.commands)
	table("Options", p.options)
	table("Options of every command", p.everywhere)
	if strings.Contains(p.text, "Exit status") {
		return
	}
	table("Exit status", exitStatuses)
}

// wrapped breaks a text into lines of at most n characters.
func wrapped(s string, n int) []string {
	lines := []string{""}
	for _, word := range strings.Fields(s) {
		last := lines[len(lines)-1]
		switch {
		case last == "":
			lines[len(lines)-1] = word
		case utf8.RuneCountInString(last)+1+utf8.RuneCountInString(word) <= n:
			lines[len(lines)-1] = last + " " + word
		default:
			lines = append(lines, word)
		}
	}
	return lines
}

// plainHelp gives every command help and messages of our own.
func (c *command) plainHelp(root *cobra.Command) {
	help := func(cmd *cobra.Command) {
		p := pageOf(cmd)
		if cmd.HasParent() {
			p.everywhere = pageOf(root).everywhere
		}
		p.writeText(c.out)
	}
	root.SetHelpFunc(func(cmd *cobra.Command, _ []string) { help(cmd) })
	root.SetUsageFunc(func(cmd *cobra.Command) error { help(cmd); return nil })
	root.SetHelpCommand(&cobra.Command{
		Use:   "help [COMMAND]",
		Short: "Explain a command",
		RunE: func(cmd *cobra.Command, args []string) error {
			of, rest, err := root.Find(args)
			if err != nil || len(rest) > 0 {
				return noCommand(of, rest)
			}
			help(of)
			return nil
		},
	})
	root.CompletionOptions.DisableDefaultCmd = true
	root.AddCommand(completionCommand(c))
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return usageError{fmt.Errorf("%w%s\nsee \"%s --help\"", err, likeOption(cmd, err.Error()), cmd.CommandPath())}
	})
	groups(root)
}

// groups makes every command that has others below it say which are there, if the word
// behind it is none of them.
func groups(cmd *cobra.Command) {
	if cmd.HasSubCommands() {
		cmd.Args = func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return noCommand(cmd, args)
			}
			return nil
		}
	}
	for _, sub := range cmd.Commands() {
		groups(sub)
	}
}

// noCommand says that a command has none of that name, and which may be meant.
func noCommand(cmd *cobra.Command, args []string) error {
	var names []string
	for _, sub := range cmd.Commands() {
		if sub.IsAvailableCommand() {
			names = append(names, sub.Name())
		}
	}
	word := ""
	if len(args) > 0 {
		word = args[0]
	}
	for _, sub := range cmd.Commands() { // "firmus signoff": it lies deeper
		for _, deep := range sub.Commands() {
			if deep.Name() == word {
				return usageError{fmt.Errorf("there is no command %q: use \"%s\"", cmd.CommandPath()+" "+word, deep.CommandPath())}
			}
		}
	}
	return usageError{fmt.Errorf("there is no command %q%s\nsee \"%s --help\"", cmd.CommandPath()+" "+word, spelling.Ask(word, names), cmd.CommandPath())}
}

// likeOption is what to add to a message about an option that isn't known.
func likeOption(cmd *cobra.Command, message string) string {
	_, got, ok := strings.Cut(message, "unknown flag: --")
	if !ok {
		return ""
	}
	var names []string
	for _, set := range []*pflag.FlagSet{cmd.Flags(), cmd.InheritedFlags()} {
		set.VisitAll(func(f *pflag.Flag) {
			if !f.Hidden {
				names = append(names, f.Name)
			}
		})
	}
	like := spelling.Like(got, names)
	if len(like) == 0 {
		return ""
	}
	return fmt.Sprintf(" (did you mean --%s?)", like[0])
}

func completionCommand(c *command) *cobra.Command {
	shells := []string{"bash", "zsh", "fish", "powershell"}
	return &cobra.Command{
		Use:   "completion bash|zsh|fish|powershell",
		Short: "Print what makes a shell complete commands with the Tab key",
		Long: `Prints a script for a shell. With it, the Tab key completes commands, options and names
of stores.`,
		Example: `  bash        source <(firmus completion bash)
  zsh         firmus completion zsh > "${fpath[1]}/_firmus"
  fish        firmus completion fish | source
  powershell  firmus completion powershell | Out-String | Invoke-Expression`,
		Args:      cobra.ExactArgs(1),
		ValidArgs: shells,
		RunE: func(cmd *cobra.Command, args []string) error {
			root := cmd.Root()
			switch slices.Index(shells, args[0]) {
			case 0:
				return root.GenBashCompletionV2(c.out, true)
			case 1:
				return root.GenZshCompletion(c.out)
			case 2:
				return root.GenFishCompletion(c.out, true)
			case 3:
				return root.GenPowerShellCompletionWithDesc(c.out)
			}
			return usageError{fmt.Errorf("%q is no shell that Firmus knows%s: %s", args[0], spelling.Ask(args[0], shells), strings.Join(shells, ", "))}
		},
	}
}
