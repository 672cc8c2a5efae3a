package main

import (
	"os"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

func (c *command) manCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "man DIR",
		Short: "Write the manual pages into a folder",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := os.MkdirAll(args[0], 0o755); err != nil {
				return err
			}
			root := cmd.Root()
			root.DisableAutoGenTag = true
			date := time.Time{}
			if err := doc.GenManTree(root, &doc.GenManHeader{Title: "FIRMUS", Section: "1", Source: "Firmus", Manual: "Firmus", Date: &date}, args[0]); err != nil {
				return err
			}
			c.printf("written to %s\n", args[0])
			return nil
		},
	}
}
