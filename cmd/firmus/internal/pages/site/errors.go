package site

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"strings"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
)

// Status is an error that says what answer it is.
type Status struct {
	Code  int
	Title string
	Text  string
}

func (s Status) Error() string { return s.Title + ": " + s.Text }

// Refused is a form that can't be followed as it was filled in.
func Refused(text string) Status {
	return Status{http.StatusUnprocessableEntity, "That can't be done", text}
}

// statusOf says which answer an error is, in words for a person.
func statusOf(err error) Status {
	var s Status
	text := Plainly(err)
	switch {
	case errors.As(err, &s):
		return s
	case errors.Is(err, fixity.ErrChangedMeanwhile):
		return Status{http.StatusConflict, "It has changed meanwhile", text + ". Nothing was done. Look at the page again and decide anew."}
	case errors.Is(err, fixity.ErrNotFound):
		return Status{http.StatusNotFound, "There is nothing here", text}
	case errors.Is(err, fixity.ErrRefused):
		return Refused(text)
	case errors.Is(err, fixity.ErrBusy), errors.Is(err, stores.ErrWindow):
		return Status{http.StatusServiceUnavailable, "Somebody else works on it", text}
	case errors.Is(err, fixity.ErrAway):
		return Status{http.StatusServiceUnavailable, "A store is away", text}
	case errors.Is(err, context.Canceled):
		return Status{http.StatusServiceUnavailable, "It was stopped", "What was done until then is in the record."}
	}
	return Status{http.StatusInternalServerError, "It could not be done", text}
}

// Plainly is an error's text for a person, without what the status says already.
func Plainly(err error) string {
	text := err.Error()
	for _, said := range []error{fixity.ErrRefused, fixity.ErrNotFound, fixity.ErrChangedMeanwhile} {
		text = strings.TrimSuffix(text, ": "+said.Error())
	}
	text = report.Plainly(text)
	if text == fixity.ErrNotFound.Error() {
		return "The address leads to nothing that the ledger knows."
	}
	return text
}

// failed answers with an error.
func (q *Request) failed(err error) {
	s := statusOf(err)
	if s.Code >= 500 && !errors.Is(err, context.Canceled) {
		q.Site.Log.Warn("a page could not be given", "path", q.URL.Path, "status", s.Code, "error", err)
	}
	if q.Method == http.MethodPost && again(err) && q.showAgain(q.sent(), s) {
		return
	}
	q.fail(s)
}

func (q *Request) fail(s Status) {
	var b bytes.Buffer
	f := q.frame(s.Title)
	f.Body = struct {
		Status
		Back string
	}{s, q.back()}
	if err := q.Site.views["error"].ExecuteTemplate(&b, "page", f); err != nil {
		http.Error(q.W, s.Title, s.Code)
		return
	}
	q.W.Header().Set("Content-Type", "text/html; charset=utf-8")
	q.W.WriteHeader(s.Code)
	_, _ = b.WriteTo(q.W) // whoever doesn't take it is gone
}

// back is the page that an act's form stands on.
func (q *Request) back() string {
	if q.Method != http.MethodPost {
		return ""
	}
	for _, of := range []string{"/findings/", "/incidents/", "/stores/", "/discs/"} {
		if rest, ok := strings.CutPrefix(q.URL.EscapedPath(), of); ok {
			n, _, _ := strings.Cut(rest, "/")
			return of + n
		}
	}
	if strings.HasPrefix(q.URL.Path, "/work") {
		return "/work"
	}
	return "/"
}
