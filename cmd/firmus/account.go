package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/people"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

func (c *command) openCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "open",
		Short: "Print a link that opens the pages once",
		Long: `Prints a link to open in a browser on this computer. It opens the pages of the running
daemon once, within a day. If there are accounts, it prints the address to sign in at.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			listen := a.Config.Web.Listen
			if listen == "" {
				return usageError{fmt.Errorf("%s has no [web] listen: no pages are served", a.Config.File)}
			}
			url, err := a.NewLink(cmd.Context(), listen)
			if err != nil {
				return err
			}
			if conn, err := net.DialTimeout("tcp", strings.TrimPrefix(strings.TrimPrefix(app.PagesAt(a.Config, listen), "http://"), "https://"), time.Second); err != nil {
				c.say("nothing answers there yet. Start the daemon: firmus serve")
			} else {
				conn.Close()
			}
			if c.json {
				c.document(map[string]any{"url": url, "exit": 0})
				return nil
			}
			c.printf("%s\n", url)
			return nil
		},
	}
}

func (c *command) accountCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "account",
		Short: "Say who may open the pages",
		Long: `Accounts of people who may open the pages, each with a role: a viewer looks; a technician
does the work of the day too (receive, recognise, finish, check discs, put right); a reviewer
decides too (sign off, settle, stores). From the first account on, everybody signs in.

A password is typed on the terminal, or read as one line from stdin. The ledger keeps
only what argon2id makes of it.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(c.accountAdd(), c.accountList(), c.accountRemove(), c.accountReset())
	return cmd
}

const roleHelp = "`viewer|technician|reviewer`: what the person may do"

func (c *command) accountAdd() *cobra.Command {
	var role string
	cmd := &cobra.Command{
		Use: "add NAME", Short: "Add an account", Args: cobra.ExactArgs(1),
		Long: "Adds an account. The password has 12 characters at least; several words are best.",
		RunE: func(cmd *cobra.Command, args []string) error {
			if role == "" {
				return usageError{errors.New("say what the person may do: --role viewer, --role technician or --role reviewer")}
			}
			r, err := people.Role(role)
			if err != nil {
				return err
			}
			if err := people.CheckName(args[0]); err != nil {
				return err
			}
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			password, err := c.password(args[0])
			if err != nil {
				return err
			}
			if err := people.Add(cmd.Context(), a.Ledger, a.Acts.Now(), args[0], password, r, c.person()); err != nil {
				return err
			}
			return c.accountDone(args[0], "added")
		},
	}
	cmd.Flags().StringVar(&role, "role", "", roleHelp+" (needed)")
	return cmd
}

func (c *command) accountDone(name, what string) error {
	if c.json {
		c.document(map[string]any{"account": name, "done": what, "exit": 0})
		return nil
	}
	c.printf("account %s: %s\n", name, what)
	return nil
}

type accountJSON struct {
	Name string            `json:"name"`
	Role fixity.PersonRole `json:"role"`
	Made *report.Instant   `json:"made"`
	By   string            `json:"by"`
}

func (c *command) accountList() *cobra.Command {
	return &cobra.Command{
		Use: "list", Short: "List the accounts", Long: "Lists the accounts with their roles.", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			out := []accountJSON{}
			if err := a.Ledger.View(cmd.Context(), func(t *ledger.Tx) error {
				all, err := t.People.Accounts()
				for _, x := range all {
					out = append(out, accountJSON{x.Name, x.Role, report.InstantOf(x.Made), x.MadeBy})
				}
				return err
			}); err != nil {
				return err
			}
			if c.json {
				c.document(map[string]any{"accounts": out, "exit": 0})
				return nil
			}
			if len(out) == 0 {
				c.printf("There is no account. Whoever sits at this computer opens the pages by a link: firmus open\n")
			}
			for _, x := range out {
				c.printf("%-24s %-11s since %s, by %s\n", x.Name, x.Role, day(x.Made.Time), x.By)
			}
			return nil
		},
	}
}

func (c *command) accountRemove() *cobra.Command {
	return &cobra.Command{
		Use: "remove NAME", Short: "Remove an account", Long: "Removes an account. Its browsers are signed out at once.", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			if err := people.Remove(cmd.Context(), a.Ledger, a.Acts.Now(), args[0], a.Needs(), c.person()); err != nil {
				return err
			}
			return c.accountDone(args[0], "removed")
		},
	}
}

func (c *command) accountReset() *cobra.Command {
	var role string
	cmd := &cobra.Command{
		Use: "reset NAME", Short: "Give an account a new password, or another role", Args: cobra.ExactArgs(1),
		Long: "Gives an account a new password. With --role it gives another role and leaves the password. Its browsers are signed out at once.",
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			var r fixity.PersonRole
			password := ""
			if role != "" {
				r, err = people.Role(role)
			} else {
				password, err = c.password(args[0])
			}
			if err != nil {
				return err
			}
			if err := people.Reset(cmd.Context(), a.Ledger, a.Acts.Now(), args[0], password, r, a.Needs(), c.person()); err != nil {
				return err
			}
			return c.accountDone(args[0], "changed")
		},
	}
	cmd.Flags().StringVar(&role, "role", "", roleHelp+"; the password stays")
	return cmd
}

// password asks for a new password: twice on a terminal, where it isn't shown, else it is
// one line of stdin.
func (c *command) password(name string) (string, error) {
	f, ok := c.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		line, err := bufio.NewReader(io.LimitReader(c.in, 4096)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", err
		}
		p := strings.TrimRight(line, "\r\n")
		return p, people.CheckPassword(name, p)
	}
	ask := func(what string) (string, error) {
		fmt.Fprint(c.terminal, what)
		b, err := term.ReadPassword(int(f.Fd()))
		fmt.Fprintln(c.terminal)
		return string(b), err
	}
	p, err := ask("Password for " + report.Show(name) + " (12 characters at least): ")
	if err != nil {
		return "", err
	}
	if err := people.CheckPassword(name, p); err != nil {
		return "", err
	}
	again, err := ask("Once more: ")
	if err == nil && again != p {
		err = usageError{errors.New("the two are not the same; nothing was changed")}
	}
	return p, err
}
