// Package people says who may open the pages: accounts, what is kept of their passwords,
// and how often a password may be guessed. It knows nothing of HTTP.
package people

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// LeastPassword is how many characters a password has at least. Guessing over the net is
// slowed down, and what is kept of a password is slow to try; 12 is *common practice*
// where both are so.
const LeastPassword = 12

// Settings of argon2id: the second recommended choice of RFC 9106, section 4, which needs
// 64 MiB for each try.
const (
	passes  = 3
	memory  = 64 << 10 // KiB
	threads = 4
	salt    = 16 // bytes
	key     = 32
)

// Most that a stored secret may ask for: nobody's row makes the program hang.
const (
	mostPasses = 16
	mostMemory = 1 << 20 // KiB
)

// trying lets only so many passwords be tried at a time: each takes 64 MiB.
var trying = make(chan struct{}, 2)

// Secret is what is kept of a password: a PHC string with argon2id's settings, a salt and
// the result.
func Secret(password string) string {
	s := make([]byte, salt)
	rand.Read(s)
	trying <- struct{}{}
	defer func() { <-trying }()
	k := argon2.IDKey([]byte(password), s, passes, memory, threads, key)
	b := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memory, passes, threads, b.EncodeToString(s), b.EncodeToString(k))
}

// Matches says that a password is the one of which secret was kept. A secret that isn't
// well formed matches nothing.
func Matches(ctx context.Context, secret, password string) (bool, error) {
	select {
	case trying <- struct{}{}:
		defer func() { <-trying }()
	case <-ctx.Done():
		return false, ctx.Err()
	}
	var v, m, t, p int
	parts := strings.Split(secret, "$")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return false, nil
	}
	if _, err := fmt.Sscanf(parts[2], "v=%d", &v); err != nil || v != argon2.Version {
		return false, nil
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &m, &t, &p); err != nil || m < 8 || m > mostMemory || t < 1 || t > mostPasses || p < 1 || p > 255 {
		return false, nil
	}
	s, err1 := base64.RawStdEncoding.DecodeString(parts[4])
	k, err2 := base64.RawStdEncoding.DecodeString(parts[5])
	if err1 != nil || err2 != nil || len(k) < 16 {
		return false, nil
	}
	got := argon2.IDKey([]byte(password), s, uint32(t), uint32(m), uint8(p), uint32(len(k)))
	return subtle.ConstantTimeCompare(got, k) == 1, nil
}

// nobody's secret is tried where there is no such account, so that the time doesn't tell
// which names there are.
var nobody = fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", argon2.Version, memory, passes, threads)

// SignIn gives the account of a name if the password is its own; fixity.ErrDenied if not,
// whichever of the two was wrong.
func SignIn(ctx context.Context, l *ledger.Ledger, name, password string) (ledger.Account, error) {
	var a ledger.Account
	err := l.View(ctx, func(t *ledger.Tx) (err error) { a, err = t.People.Account(name); return err })
	known := err == nil
	if errors.Is(err, fixity.ErrNotFound) {
		a, err = ledger.Account{Secret: nobody}, nil
	}
	if err != nil {
		return ledger.Account{}, err
	}
	right, err := Matches(ctx, a.Secret, password)
	if err == nil && (!right || !known) {
		err = fixity.ErrDenied
	}
	if err != nil {
		return ledger.Account{}, err
	}
	return a, nil
}

// CheckName refuses what can be nobody's name.
func CheckName(name string) error {
	switch {
	case name == "" || strings.TrimSpace(name) != name || !utf8.ValidString(name) || utf8.RuneCountInString(name) > 64:
		return fmt.Errorf("the name of an account has 1 to 64 characters and no blanks around it: %w", fixity.ErrRefused)
	case strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return fmt.Errorf("the name %q holds signs that can't be seen: %w", name, fixity.ErrRefused)
	}
	return nil
}

// CheckBy refuses what can't stand in the record as the name of who acts.
func CheckBy(name string) error {
	switch {
	case strings.TrimSpace(name) == "" || len(name) > 200:
		return fmt.Errorf("the name of who acts has 1 to 200 bytes: %w", fixity.ErrRefused)
	case !utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return fmt.Errorf("the name %q is no line of plain text. Type it anew: %w", name, fixity.ErrRefused)
	}
	return nil
}

// CheckPassword refuses one that is too short, too long, or the name itself.
func CheckPassword(name, password string) error {
	switch n := utf8.RuneCountInString(password); {
	case n < LeastPassword:
		return fmt.Errorf("a password has %d characters at least; several words are best: %w", LeastPassword, fixity.ErrRefused)
	case len(password) > 1024:
		return fmt.Errorf("a password has at most 1,024 bytes: %w", fixity.ErrRefused)
	case strings.EqualFold(password, name):
		return fmt.Errorf("the password must not be the name: %w", fixity.ErrRefused)
	}
	return nil
}

// Role reads the name of a role.
func Role(text string) (fixity.PersonRole, error) {
	for _, r := range fixity.PersonRoles {
		if text == string(r) {
			return r, nil
		}
	}
	return "", fmt.Errorf("%q is no role. The roles are: viewer, technician, reviewer: %w", text, fixity.ErrRefused)
}

// Needs are what the configuration asks of the accounts.
type Needs struct {
	Any bool // the pages are served beyond this computer
	Two bool // a set asks for a second person (two_people)
}

// TwoAreNeeded says what to do where a set asks for two people and there are fewer.
const TwoAreNeeded = "two_people needs two accounts with the role reviewer, one to propose and one to confirm: firmus account add NAME --role reviewer"

// keeps refuses if the accounts that are left don't do. before is how many reviewers there
// were.
func (n Needs) keeps(t *ledger.Tx, before int64) error {
	all, reviewers, err := t.People.CountAccounts()
	switch {
	case err != nil:
		return err
	case n.Two && reviewers < 2 && reviewers < before:
		return fmt.Errorf("fewer than two reviewers would be left. %s: %w", TwoAreNeeded, fixity.ErrRefused)
	case n.Any && all == 0:
		return fmt.Errorf("the pages are served beyond this computer ([web] listen), and there would be no account left: %w", fixity.ErrRefused)
	}
	return nil
}

// Check says whether the accounts do for what the configuration asks.
func (n Needs) Check(ctx context.Context, l *ledger.Ledger) error {
	return l.View(ctx, func(t *ledger.Tx) error {
		all, reviewers, err := t.People.CountAccounts()
		switch {
		case err != nil:
			return err
		case n.Two && reviewers < 2:
			return fmt.Errorf("%s: %w", TwoAreNeeded, fixity.ErrRefused)
		case n.Any && all == 0:
			return fmt.Errorf("[web] listen serves the pages beyond this computer, and nobody has an account. Add one first: firmus account add NAME --role reviewer: %w", fixity.ErrRefused)
		}
		return nil
	})
}

// Add makes an account.
func Add(ctx context.Context, l *ledger.Ledger, now time.Time, name, password string, role fixity.PersonRole, by string) error {
	if err := CheckName(name); err != nil {
		return err
	}
	if err := CheckPassword(name, password); err != nil {
		return err
	}
	s := Secret(password)
	return l.Tx(ctx, now, func(t *ledger.Tx) error {
		all, _, err := t.People.CountAccounts()
		if err == nil && all == 0 { // from now on nobody is in without a name
			err = t.People.EndSessionsOf("")
		}
		if err != nil {
			return err
		}
		return t.People.AddAccount(ledger.Account{Name: name, Role: role, Secret: s}, by)
	})
}

// Reset gives an account another password, another role, or both; its sessions end.
func Reset(ctx context.Context, l *ledger.Ledger, now time.Time, name, password string, role fixity.PersonRole, n Needs, by string) error {
	secret := ""
	if password != "" {
		if err := CheckPassword(name, password); err != nil {
			return err
		}
		secret = Secret(password)
	}
	return l.Tx(ctx, now, func(t *ledger.Tx) error {
		_, before, err := t.People.CountAccounts()
		if err != nil {
			return err
		}
		if err := t.People.ChangeAccount(name, secret, role, by); err != nil {
			return noAccount(name, err)
		}
		return n.keeps(t, before)
	})
}

// Remove removes an account; its sessions end.
func Remove(ctx context.Context, l *ledger.Ledger, now time.Time, name string, n Needs, by string) error {
	return l.Tx(ctx, now, func(t *ledger.Tx) error {
		_, before, err := t.People.CountAccounts()
		if err != nil {
			return err
		}
		if err := t.People.RemoveAccount(name, by); err != nil {
			return noAccount(name, err)
		}
		return n.keeps(t, before)
	})
}

func noAccount(name string, err error) error {
	if errors.Is(err, fixity.ErrNotFound) {
		return fmt.Errorf("there is no account %q (firmus account list): %w", name, fixity.ErrNotFound)
	}
	return err
}
