package main

import (
	"fmt"
	"os"
	"runtime"
	"strings"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/systemservice"
)

func (c *command) serviceCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "service",
		Short: "Make the daemon a service of the system", Long: "The daemon is \"firmus serve\". As a service it starts with the computer.",
		Args:        cobra.NoArgs,
		Annotations: onlyHelp,
		RunE:        func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(c.serviceInstall(), c.serviceRemove(), c.serviceStatus())
	return cmd
}

func (c *command) serviceInstall() *cobra.Command {
	var root, user, group, binary string
	cmd := &cobra.Command{
		Use:   "install",
		Short: "Install and start the service",
		Long: `On Linux: writes a systemd unit with a tight sandbox, beside it what is particular to
this computer (the folders of the configuration, its secrets, the disc drive), and an
account of its own; then starts it. That account must be able to read the recordings,
and to write where markers, manifests and backups go. On macOS and Windows the
service manager is told.

The state folder and what is in it go to that account, and nobody else can read them.
--group NAME lets the people of a group read and write there (2770, files 0660). Their
commands then work beside the service.

With --root the files are written below another folder and nothing is started.`,
		Args: cobra.NoArgs,
	}
	cmd.Flags().StringVar(&root, "root", "", "write below this `DIR` and start nothing (Linux)")
	cmd.Flags().StringVar(&user, "user", defaultUser(), "`NAME` of the account it runs under")
	cmd.Flags().StringVar(&group, "group", "", "`NAME` of the group whose people may use firmus beside the service (Linux)")
	cmd.Flags().StringVar(&binary, "binary", "", "`FILE` of the program (default this one)")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		cfg, err := c.load()
		if err != nil {
			return err
		}
		if root != "" {
			if err := guarded.Of(cfg).Outside(root); err != nil {
				return err
			}
		}
		o := serviceOptions(cfg)
		o.Root, o.User, o.Group, o.Binary = root, user, group, binary
		if o.Binary == "" {
			if o.Binary, err = os.Executable(); err != nil {
				return err
			}
		}
		wrote, err := systemservice.Install(cmd.Context(), o)
		if err != nil {
			return fmt.Errorf("install the service: %w", err)
		}
		return c.toldFiles("installed", wrote)
	}
	return cmd
}

func defaultUser() string {
	if runtime.GOOS == "linux" {
		return "firmus"
	}
	return "" // the service manager's own
}

// serviceOptions are what the configuration says of folders, devices and secrets.
func serviceOptions(cfg *config.Config) systemservice.Options {
	o := systemservice.Options{Config: cfg.File, State: cfg.State, Credentials: map[string]string{}}
	for _, s := range cfg.Stores {
		for _, r := range s.Sets {
			if s.Kind != config.Disk {
				continue
			}
			if s.Marker || s.Manifests {
				o.Writes = append(o.Writes, r.Path)
			} else {
				o.Reads = append(o.Reads, r.Path)
			}
		}
		if s.Drive != "" && strings.HasPrefix(s.Drive, "/dev/") {
			o.Devices = append(o.Devices, s.Drive)
		}
		if s.Credentials != "" {
			o.Credentials[systemservice.StoreCredential(s.Name)] = s.Credentials
		}
	}
	if cfg.Mail != nil && cfg.Mail.PasswordFile != "" {
		o.Credentials[systemservice.MailPassword] = cfg.Mail.PasswordFile
	}
	return o
}

func (c *command) serviceRemove() *cobra.Command {
	var root string
	cmd := &cobra.Command{
		Use:   "remove",
		Short: "Stop the service and remove it; state and recordings stay", Long: "Stops the service and removes it. The state folder and the recordings stay.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			gone, err := systemservice.Remove(cmd.Context(), systemservice.Options{Root: root})
			if err != nil {
				return fmt.Errorf("remove the service: %w", err)
			}
			return c.toldFiles("removed", gone)
		},
	}
	cmd.Flags().StringVar(&root, "root", "", "the service was written below this `DIR` (Linux)")
	return cmd
}

func (c *command) serviceStatus() *cobra.Command {
	var root string
	cmd := &cobra.Command{
		Use:   "status",
		Short: "Say whether the service is installed and runs", Long: "Says whether the service is installed and whether it runs.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := systemservice.State(cmd.Context(), systemservice.Options{Root: root})
			if err != nil {
				return err
			}
			if c.json {
				c.document(s)
				return nil
			}
			c.printf("%s\n", s.Detail)
			return nil
		},
	}
	cmd.Flags().StringVar(&root, "root", "", "the service was written below this `DIR` (Linux)")
	return cmd
}

func (c *command) toldFiles(what string, files []string) error {
	if c.json {
		c.document(map[string]any{what: notNil(files)})
		return nil
	}
	for _, f := range files {
		c.printf("%s %s\n", what, f)
	}
	return nil
}
