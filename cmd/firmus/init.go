package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
)

func (c *command) initCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "init [DIR]",
		Short: "Ask four questions and write a configuration",
		Long: `Asks four questions and writes firmus.toml into this folder, or into DIR. It never
replaces a file. The second copies must lie on another drive: two stores on one drive
count as one copy. Firmus says so if the folders lie on one.`,
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
	g, err := c.guarded()
	if err != nil {
		return err
	}
	if err := g.Outside(path); err != nil {
		return err
	}
	in := bufio.NewReader(c.in)
	name, err1 := c.ask(in, "What are the holdings called?", "Our sound archive")
	masters, err2 := c.ask(in, "In which folder do masters (untouched transfers) arrive?", "studio/masters")
	access, err3 := c.ask(in, "In which folder are access files made? (\"none\" if there are none)", "studio/access")
	vault, err4 := c.ask(in, "Which folder on another drive holds the second copies?", "vault")
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		return usageError{err}
	}
	text := sampleConfig(name, masters, access, vault)
	if _, err := config.Parse([]byte(text), path); err != nil {
		return fmt.Errorf("with these answers the configuration would not do:\n%w", err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if err := g.Write(path, nil, func(w io.Writer) error { _, err := io.WriteString(w, text); return err }); err != nil {
		return err
	}
	if cfg, err := config.Load(path); err == nil {
		if shared, err := app.CheckVolumes(ctx, cfg, nil); err == nil {
			for _, s := range shared {
				c.say("%s", s.Words())
			}
		}
	}
	if c.json {
		c.document(map[string]any{"config": path, "exit": 0})
		return nil
	}
	c.printf("%s was written. Look it over, then:\n  firmus check      what would not work\n  firmus intake     take the files under care\n  firmus audit      compare and read every copy\n", path)
	return nil
}

// ask puts a question on stderr, so that stdout holds the result only.
func (c *command) ask(in *bufio.Reader, question, preset string) (string, error) {
	fmt.Fprintf(c.err, "%s [%s] ", question, preset)
	line, err := in.ReadString('\n')
	if err != nil && line == "" {
		fmt.Fprintln(c.err)
		return preset, nil // no more input: what is proposed
	}
	line = strings.TrimSpace(line)
	if strings.ContainsFunc(line, func(r rune) bool { return r < ' ' }) {
		return "", errors.New("an answer holds a character that can't be seen")
	}
	if line == "" {
		return preset, nil
	}
	return line, nil
}

func sampleConfig(name, masters, access, vault string) string {
	var b strings.Builder
	sets := func(m, a string) string {
		if access == "none" {
			return fmt.Sprintf("{ masters = %s }", quote(m))
		}
		return fmt.Sprintf("{ masters = %s, access = %s }", quote(m), quote(a))
	}
	fmt.Fprintf(&b, "name  = %s\n", quote(name))
	b.WriteString("state = \"state\"            # the ledger and its backups; paths are relative to this file\n\n")
	b.WriteString("[set.masters]\nrole = \"master\"            # frozen: any change is a finding\n\n")
	if access != "none" {
		b.WriteString("[set.access]\nrole = \"access\"            # may be edited, and counts as finished when at rest for\nediting = \"3d\"\n\n")
	}
	fmt.Fprintf(&b, "[store.studio]\nkind = \"disk\"\narrivals = true            # new files appear here\n# place = \"Room 12\"        # where it stands, in words\nsets = %s\nread_within = \"30d\"        # every byte is read at least this often\n\n", sets(masters, access))
	fmt.Fprintf(&b, "[store.vault]\nkind = \"disk\"\n# place = \"Town hall safe\" # another place than the studio's, so that no fire takes both\nsets = %s\nexpect_within = \"3d\"       # new files should be here by then\n", sets(filepath.ToSlash(filepath.Join(vault, "masters")), filepath.ToSlash(filepath.Join(vault, "access"))))
	b.WriteString("# Two stores on one drive count as one copy, because one drive that dies takes both.\n# For a trial, or a pool of drives, this says that the store counts all the same:\n# own_drive = true\n")
	b.WriteString("# manifests = true         # write manifests and backups of the ledger here, too\n")
	b.WriteString("# visiting = true          # if this drive lives in a safe and is seldom plugged in\n")
	return b.String()
}

// quote writes a TOML string: literal where that is possible, for Windows paths.
func quote(s string) string {
	if !strings.Contains(s, "'") {
		return "'" + s + "'"
	}
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}
