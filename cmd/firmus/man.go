package main

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"

	"firmus/cmd/firmus/internal/guarded"
)

func (c *command) manCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "man DIR",
		Short: "Write the manual pages into a folder",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			g, err := c.guarded()
			if err != nil {
				return err
			}
			if err := g.Outside(args[0]); err != nil {
				return err
			}
			if err := os.MkdirAll(args[0], 0o755); err != nil {
				return err
			}
			root := cmd.Root()
			root.DisableAutoGenTag = true
			date := time.Time{}
			h := doc.GenManHeader{Title: "FIRMUS", Section: "1", Source: "Firmus", Manual: "Firmus", Date: &date}
			if err := writeManual(g, root, h, args[0]); err != nil {
				return err
			}
			c.printf("written to %s\n", args[0])
			return nil
		},
	}
}

// writeManual writes the page of a command and of those below it.
func writeManual(g guarded.Folders, cmd *cobra.Command, h doc.GenManHeader, dir string) error {
	for _, sub := range cmd.Commands() {
		if !sub.IsAvailableCommand() || sub.IsAdditionalHelpTopicCommand() {
			continue
		}
		if err := writeManual(g, sub, h, dir); err != nil {
			return err
		}
	}
	name := strings.ReplaceAll(cmd.CommandPath(), " ", "-")
	return g.Write(filepath.Join(dir, name+".1"), guarded.Manual, func(w io.Writer) error { return doc.GenMan(cmd, &h, w) })
}
