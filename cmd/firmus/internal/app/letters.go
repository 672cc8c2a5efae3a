package app

import (
	"fmt"
	"os"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/letters"
	"firmus/fixity"
	"firmus/replicas/named"
)

// Letters are those of this archive; fixity.ErrNotFound if the configuration has no
// [mail]. change, if not nil, changes the options first.
func (a *App) Letters(change func(*letters.Options)) (*letters.Letters, error) {
	o, err := letterOptions(a.Config, a.Acts.Now)
	if err != nil {
		return nil, err
	}
	o.Ledger, o.Rules, o.Layout, o.Where = a.Ledger, a.Acts.Rules, hearing.LayoutOf, a.Where()
	if change != nil {
		change(&o)
	}
	return letters.New(o)
}

// TestLetters are letters without a ledger: they can send a test and nothing else.
func TestLetters(c *config.Config, now func() time.Time) (*letters.Letters, error) {
	o, err := letterOptions(c, now)
	if err != nil {
		return nil, err
	}
	return letters.New(o)
}

func letterOptions(c *config.Config, now func() time.Time) (letters.Options, error) {
	if c.Mail == nil {
		return letters.Options{}, fmt.Errorf("%s has no [mail]: no letters are sent: %w", c.File, fixity.ErrNotFound)
	}
	m := c.Mail
	o := letters.Options{Now: now, Name: c.Name, Titles: c.TitlesInLetters, Pages: c.Web.Address, Mail: letters.Mail{
		Server: m.Server, From: m.From, To: m.To, Deputy: m.Deputy, TLS: m.TLS, User: m.User, Weekday: m.Weekly.Day, At: m.Weekly.At,
		Password: func() (string, error) { return readPassword(m.PasswordFile) },
	}}
	o.Host, _ = os.Hostname()
	o.Closed = func(t time.Time) bool {
		for _, d := range c.Closed {
			if d.Contain(t) {
				return true
			}
		}
		return false
	}
	o.Share = func(store string) bool {
		s, _ := c.Store(store)
		if s.Kind == config.Cloud {
			return true
		}
		for _, r := range s.Sets {
			// A share's name on Windows; elsewhere a share looks like any other folder.
			if strings.HasPrefix(r.Path, `\\`) || strings.HasPrefix(r.Path, "//") {
				return true
			}
		}
		return false
	}
	return o, nil
}

// readPassword reads a file that holds a password and nothing else.
func readPassword(file string) (string, error) {
	b, err := named.Read(file, 1<<16)
	if err != nil {
		return "", err
	}
	p := strings.TrimRight(string(b), "\r\n")
	if p == "" || strings.ContainsAny(p, "\r\n\x00") {
		return "", fmt.Errorf("%s must hold one line, the password: %w", file, fixity.ErrRefused)
	}
	return p, nil
}

// CheckPassword says whether the mail password can be read; it isn't in the error.
func CheckPassword(c *config.Config) error {
	_, err := readPassword(c.Mail.PasswordFile)
	return err
}
