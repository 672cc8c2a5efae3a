package site

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Request is one request, with who makes it.
type Request struct {
	*http.Request
	W    http.ResponseWriter
	Site *Site
	Who  Person // the zero Person where a page needs no session
	// Restricted is what isn't for everybody, of who may not know all.
	Restricted ledger.Restricted
}

// Person is who has a session.
type Person struct {
	Name   string // "" without accounts: each act asks for it
	Role   fixity.PersonRole
	Looked time.Time // when they were here before; zero if never
	hash   []byte
}

// View reads the ledger: all of it of one moment.
func (q *Request) View(do func(*ledger.Tx) error) error {
	return q.Site.Archive.Ledger.View(q.Context(), do)
}

// tx writes what belongs to the pages themselves: sessions, and that an act was forbidden.
func (q *Request) tx(do func(*ledger.Tx) error) error {
	return q.Site.Archive.Ledger.Tx(q.Context(), q.Site.Now(), do)
}

// Now is the archive's clock; before there is an archive, the computer's.
func (s *Site) Now() time.Time {
	if s.Archive == nil {
		return time.Now()
	}
	return s.Archive.Now()
}

// Number reads a number from the path; what is none is nothing that is here.
func (q *Request) Number(name string) (int64, error) {
	n, err := strconv.ParseInt(q.PathValue(name), 10, 64)
	if err != nil || n < 1 {
		return 0, fixity.ErrNotFound
	}
	return n, nil
}

// Field is a field of the form, without blanks around it.
func (q *Request) Field(name string) string { return strings.TrimSpace(q.PostFormValue(name)) }

// Ticked says that a box was ticked.
func (q *Request) Ticked(name string) bool { return q.PostFormValue(name) != "" }

// Typed is a number that was typed; 0 if nothing was.
func (q *Request) Typed(name string) (int64, error) {
	text := strings.NewReplacer(",", "", " ", "", "\u202f", "", ".", "").Replace(q.Field(name))
	if text == "" {
		return 0, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 0 {
		return 0, Refused("What you typed is not a number: " + strconv.Quote(q.Field(name)))
	}
	return n, nil
}

// See goes to another page: after an act, so that a reload doesn't do it again.
func (q *Request) See(path string) error {
	http.Redirect(q.W, q.Request, path, http.StatusSeeOther)
	return nil
}

// encrypted says that a browser speaks TLS: with this server, or with the proxy before it.
func (q *Request) encrypted() bool { return q.TLS != nil || q.Site.secure && !FromHere(q.Request) }

// SetCookie gives the browser a session's token for so many seconds; less than 0 takes it back.
func (q *Request) SetCookie(token string, age int) {
	http.SetCookie(q.W, &http.Cookie{Name: q.Site.Cookie, Value: token, Path: "/", MaxAge: age, HttpOnly: true, Secure: q.encrypted(), SameSite: http.SameSiteLaxMode})
}

// Asks says what a form asks of whom it is shown to.
type Asks struct {
	Name string // who acts; "": the form asks for it
	May  map[string]bool
}

// Asks says what a form asks of this person.
func (q *Request) Asks() Asks {
	a := Asks{Name: q.Who.Name, May: map[string]bool{}}
	for _, r := range fixity.PersonRoles {
		a.May[string(r)] = q.Who.Role.May(r)
	}
	return a
}

// ErrIncomplete is a form that no page made.
var ErrIncomplete = Status{400, "The form is not complete", "Open the page that the form stands on, and send it from there."}
