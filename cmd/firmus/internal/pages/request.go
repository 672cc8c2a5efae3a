package pages

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// request is one request, with who makes it.
type request struct {
	*http.Request
	w   http.ResponseWriter
	s   *Site
	who person
	// restricted is what isn't for everybody, of who may not know all.
	restricted ledger.Restricted
}

// person is who has a session.
type person struct {
	Name   string // "" without accounts: each act asks for it
	Role   fixity.PersonRole
	Looked time.Time // when they were here before; zero if never
	hash   []byte
}

type tx = ledger.Tx

// view reads the ledger: all of it of one moment.
func (q *request) view(do func(*tx) error) error { return q.s.o.Archive.Ledger.View(q.Context(), do) }

// tx writes what belongs to the pages themselves: sessions, and that an act was forbidden.
func (q *request) tx(do func(*tx) error) error {
	return q.s.o.Archive.Ledger.Tx(q.Context(), q.s.now(), do)
}

// now is the archive's clock; before there is an archive, the computer's.
func (s *Site) now() time.Time {
	if s.o.Archive == nil {
		return time.Now()
	}
	return s.o.Archive.Now()
}

// number reads a number from the path; what is none is nothing that is here.
func (q *request) number(name string) (int64, error) {
	n, err := strconv.ParseInt(q.PathValue(name), 10, 64)
	if err != nil || n < 1 {
		return 0, fixity.ErrNotFound
	}
	return n, nil
}

// field is a field of the form, without blanks around it.
func (q *request) field(name string) string { return strings.TrimSpace(q.PostFormValue(name)) }

// ticked says that a box was ticked.
func (q *request) ticked(name string) bool { return q.PostFormValue(name) != "" }

// typed is a number that was typed; 0 if nothing was.
func (q *request) typed(name string) (int64, error) {
	text := strings.NewReplacer(",", "", " ", "", "\u202f", "", ".", "").Replace(q.field(name))
	if text == "" {
		return 0, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 0 {
		return 0, refused("What you typed is not a number: " + strconv.Quote(q.field(name)))
	}
	return n, nil
}

// see goes to another page: after an act, so that a reload doesn't do it again.
func (q *request) see(path string) error {
	http.Redirect(q.w, q.Request, path, http.StatusSeeOther)
	return nil
}

// encrypted says that a browser speaks TLS: with this server, or with the proxy before it.
func (q *request) encrypted() bool { return q.TLS != nil || q.s.secure && !FromHere(q.Request) }

func (q *request) setCookie(token string, age int) {
	http.SetCookie(q.w, &http.Cookie{Name: q.s.cookie, Value: token, Path: "/", MaxAge: age, HttpOnly: true, Secure: q.encrypted(), SameSite: http.SameSiteLaxMode})
}
