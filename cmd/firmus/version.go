package main

import (
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

func (c *command) versionCommand() *cobra.Command {
	var licences bool
	cmd := &cobra.Command{
		Use:   "version",
		Short: "Print version, commit and Go",
		Long: `Prints the version of the program, the commit it was made from, and the version of Go.

With --licences it lists what the program is made of: each module, its version, and the
licence under which it may be passed on, by its SPDX identifier.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			if licences {
				return c.licences()
			}
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
	cmd.Flags().BoolVar(&licences, "licences", false, "list the modules that the program is made of, with their licences")
	return cmd
}

// licences prints what the program is made of.
func (c *command) licences() error {
	made := madeOf()
	if c.json {
		c.document(made)
		return nil
	}
	var module, version int
	for _, m := range made {
		module, version = max(module, len(m.Module)), max(version, len(m.Version))
	}
	for _, m := range made {
		c.printf("%-*s  %-*s  %s\n", module, m.Module, version, m.Version, m.Licence)
	}
	return nil
}
