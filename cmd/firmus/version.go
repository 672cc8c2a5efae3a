package main

import (
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

func (c *command) versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print version, commit and Go", Long: "Prints the version of the program, the commit it was made from, and the version of Go.",
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			version, commit, when := "unknown", "unknown", ""
			if b, ok := debug.ReadBuildInfo(); ok {
				version = b.Main.Version
				for _, s := range b.Settings {
					switch s.Key {
					case "vcs.revision":
						commit = s.Value
					case "vcs.time":
						when = s.Value
					case "vcs.modified":
						if s.Value == "true" {
							commit += " (changed since)"
						}
					}
				}
			}
			if c.json {
				c.document(map[string]string{"version": version, "commit": commit, "committed": when, "go": runtime.Version(), "system": runtime.GOOS + "/" + runtime.GOARCH})
				return nil
			}
			c.printf("firmus %s\ncommit %s %s\n%s %s/%s\n", version, commit, when, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return nil
		},
	}
}
