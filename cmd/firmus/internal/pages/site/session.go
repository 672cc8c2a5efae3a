package site

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/people"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// How long a session lasts: it ends when it wasn't used for a while, and in any case some
// time after it began. Whoever opened a one-time link sits at this computer, whose own
// account is their door; an account may be open on any.
const (
	idle     = 12 * time.Hour
	longest  = 14 * 24 * time.Hour
	idleHere = 7 * 24 * time.Hour
	LongHere = 60 * 24 * time.Hour
	noteUse  = 10 * time.Minute // how exactly it is noted when a session was used
)

// LinkFor is how long a one-time link may be opened.
const LinkFor = 24 * time.Hour

// Token is a new secret for a browser, and what is kept of it.
func Token() (text string, hash []byte) {
	b := make([]byte, 32)
	rand.Read(b)
	text = base64.RawURLEncoding.EncodeToString(b)
	return text, HashOf(text)
}

// HashOf is what is kept of a token.
func HashOf(text string) []byte {
	h := sha256.Sum256([]byte(text))
	return h[:]
}

// NewLink makes a one-time link below an address such as "http://127.0.0.1:7340". Only a
// hash of it is kept.
func NewLink(t *ledger.Tx, base string) (string, error) {
	key, hash := Token()
	if err := t.People.PutLink(hash, t.Now().Add(LinkFor)); err != nil {
		return "", err
	}
	return base + "/enter?key=" + key, nil
}

// known says that the request has a session, and finds out whose. Else it answers: by a
// way to sign in, or without accounts by what to do on this computer.
func (q *Request) known() (bool, error) {
	c, err := q.Cookie(q.Site.Cookie)
	if err == nil {
		if ok, err := q.session(HashOf(c.Value)); ok || err != nil {
			return ok, err
		}
	}
	accounts, err := q.accounts()
	if err != nil {
		return false, err
	}
	if accounts {
		to := "/sign-in"
		if q.Method == http.MethodGet && q.URL.Path != "/" {
			to += "?next=" + url.QueryEscape(q.URL.RequestURI())
		}
		return false, q.See(to)
	}
	return false, Status{http.StatusUnauthorized, "Open the pages from this computer",
		"Nobody is signed in here. Run \"firmus open\" on the computer that Firmus runs on: it gives a link that opens the pages once. If several people work here, give each an account: firmus account add NAME --role reviewer."}
}

func (q *Request) accounts() (bool, error) {
	var n int64
	err := q.View(func(t *ledger.Tx) (err error) { n, _, err = t.People.CountAccounts(); return err })
	return n > 0, err
}

// session finds the session of a token's hash, and notes that it is used.
func (q *Request) session(hash []byte) (bool, error) {
	now := q.Site.Now()
	var s ledger.WebSession
	role := fixity.Reviewer
	err := q.View(func(t *ledger.Tx) (err error) {
		if s, err = t.People.Session(hash, now); err != nil {
			return err
		}
		n, _, err := t.People.CountAccounts()
		switch {
		case err != nil:
			return err
		case s.Account == "" && n > 0:
			return fixity.ErrNotFound // since there are accounts nobody is in without a name
		case s.Account == "":
			return nil
		}
		a, err := t.People.Account(s.Account)
		role = a.Role
		return err
	})
	if errors.Is(err, fixity.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	if s.Account == "" && !FromHere(q.Request) {
		return false, nil
	}
	q.Who = Person{Name: s.Account, Role: role, Looked: s.Looked, hash: hash}
	if now.Sub(s.Seen) > noteUse {
		if err := q.tx(func(t *ledger.Tx) error { return t.People.UseSession(hash, Ends(s.Account, s.Began, now)) }); err != nil {
			return false, err
		}
	}
	return true, nil
}

// Ends is when a session ends that is used now.
func Ends(account string, began, now time.Time) time.Time {
	i, l := idle, longest
	if account == "" {
		i, l = idleHere, LongHere
	}
	end := now.Add(i)
	if last := began.Add(l); end.After(last) {
		end = last
	}
	return end
}

// begin begins a session in this browser. One that it had ends: nobody goes on with a
// token that was laid there.
func (q *Request) begin(t *ledger.Tx, account string) error {
	if c, err := q.Cookie(q.Site.Cookie); err == nil {
		if err := t.People.EndSession(HashOf(c.Value)); err != nil {
			return err
		}
	}
	text, hash := Token()
	now := t.Now()
	if err := t.People.BeginSession(hash, ledger.WebSession{Account: account, Ends: Ends(account, now, now)}); err != nil {
		return err
	}
	q.SetCookie(text, int(LongHere/time.Second))
	return nil
}

// enterPage shows a button: programs that look at links before people do must not use
// one up.
func enterPage(q *Request) error {
	key := q.URL.Query().Get("key")
	var there bool
	if err := q.View(func(t *ledger.Tx) (err error) { there, err = t.People.HasLink(HashOf(key), q.Site.Now()); return err }); err != nil {
		return err
	}
	if !there {
		return usedUp
	}
	return q.Render("enter", "Open the pages", struct{ Key string }{key})
}

var usedUp = Status{http.StatusUnauthorized, "This link doesn't open anything any more",
	"It was used, or it is older than a day. Run \"firmus open\" on the computer that Firmus runs on: it gives a new one."}

func enter(q *Request) error {
	if !FromHere(q.Request) {
		return Status{http.StatusForbidden, "A one-time link works on this computer only", "From elsewhere people sign in with an account."}
	}
	if wait := q.Site.addresses.Try(q.Site.Now(), "link", addressWaits); wait > 0 {
		return tooMany(wait)
	}
	took := false
	err := q.tx(func(t *ledger.Tx) error {
		n, _, err := t.People.CountAccounts()
		if err != nil || n > 0 {
			return err
		}
		if took, err = t.People.TakeLink(HashOf(q.PostFormValue("key"))); err != nil || !took {
			return err
		}
		return q.begin(t, "")
	})
	if err != nil {
		return err
	}
	if !took {
		return usedUp
	}
	q.Site.addresses.TakeBack("link")
	return q.See("/")
}

func tooMany(wait time.Duration) Status {
	return Status{http.StatusTooManyRequests, "Too many tries", fmt.Sprintf("Wait %s, then try again.", wait.Round(time.Second))}
}

type signInData struct {
	Next, Name string
	Wrong      bool
}

func signInPage(q *Request) error {
	accounts, err := q.accounts()
	if err != nil {
		return err
	}
	if !accounts {
		return q.See("/")
	}
	return q.Render("signin", "Sign in", signInData{Next: local(q.URL.Query().Get("next"))})
}

// local is a path of this site; "/" for anything that leads elsewhere.
func local(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(next, "//") || strings.Contains(next, `\`) || strings.HasPrefix(u.Path, "/sign-in") {
		return "/"
	}
	return u.RequestURI()
}

func signIn(q *Request) error {
	name, now := q.Field("name"), q.Site.Now()
	account, address := string(HashOf(strings.ToLower(name))), q.Site.address(q.Request) // the hash is short, whatever was typed
	if wait := q.Site.addresses.Try(now, address, addressWaits); wait > 0 {
		return tooMany(wait)
	}
	// Where somebody signed in before, their account is not held up by who guesses elsewhere,
	// nor does a slip of theirs hold it up: the address alone counts.
	place, known := HashOf("place "+address), false
	if err := q.View(func(t *ledger.Tx) (err error) { known, err = t.People.KnowsPlace(name, place, now); return err }); err != nil {
		return err
	}
	if !known {
		if wait := q.Site.names.Try(now, account, nameWaits); wait > 0 {
			q.Site.addresses.TakeBack(address)
			return tooMany(wait)
		}
	}
	a, err := people.SignIn(q.Context(), q.Site.Archive.Ledger, name, q.PostFormValue("password"))
	if errors.Is(err, fixity.ErrDenied) {
		q.Site.Log.Warn("a sign-in failed", "account", Shown(name[:min(len(name), 200)]), "from", q.Site.address(q.Request))
		return q.RenderAs(http.StatusUnauthorized, "signin", "Sign in", signInData{Next: local(q.Field("next")), Name: name, Wrong: true})
	}
	if err != nil {
		return err
	}
	// The address goes on being held up for what else was tried from it: an account of
	// one's own is no way round.
	if !known {
		q.Site.names.Succeeded(account)
	}
	q.Site.addresses.TakeBack(address)
	if err := q.tx(func(t *ledger.Tx) error {
		if err := t.People.SignedInAt(a.Name, place); err != nil {
			return err
		}
		return q.begin(t, a.Name)
	}); err != nil {
		return err
	}
	return q.See(local(q.Field("next")))
}

func signOut(q *Request) error {
	if err := q.tx(func(t *ledger.Tx) error { return t.People.EndSession(q.Who.hash) }); err != nil {
		return err
	}
	q.SetCookie("", -1)
	return q.See("/sign-in")
}

// nowhere is every address that no page has. Whether it is one is told only to those
// who may look.
func nowhere(q *Request) error {
	if ok, err := q.known(); err != nil || !ok {
		return err
	}
	return fixity.ErrNotFound
}
