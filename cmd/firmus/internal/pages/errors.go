package pages

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

// status is an error that says what answer it is.
type status struct {
	Code  int
	Title string
	Text  string
}

func (s status) Error() string { return s.Title + ": " + s.Text }

// refused is a form that can't be followed as it was filled in.
func refused(text string) status {
	return status{http.StatusUnprocessableEntity, "That can't be done", text}
}

// statusOf says which answer an error is, in words for a person.
func statusOf(err error) status {
	var s status
	text := plainly(err)
	switch {
	case errors.As(err, &s):
		return s
	case errors.Is(err, fixity.ErrChangedMeanwhile):
		return status{http.StatusConflict, "It has changed meanwhile", text + ". Nothing was done. Look at the page again and decide anew."}
	case errors.Is(err, fixity.ErrNotFound):
		return status{http.StatusNotFound, "There is nothing here", text}
	case errors.Is(err, fixity.ErrRefused):
		return refused(text)
	case errors.Is(err, fixity.ErrBusy), errors.Is(err, stores.ErrWindow):
		return status{http.StatusServiceUnavailable, "Somebody else works on it", text}
	case errors.Is(err, fixity.ErrAway):
		return status{http.StatusServiceUnavailable, "A store is away", text}
	case errors.Is(err, context.Canceled):
		return status{http.StatusServiceUnavailable, "It was stopped", "What was done until then is in the record."}
	}
	return status{http.StatusInternalServerError, "It could not be done", text}
}

// plainly is an error's text for a person, without what the status says already.
func plainly(err error) string {
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
func (q *request) failed(err error) {
	s := statusOf(err)
	if s.Code >= 500 && !errors.Is(err, context.Canceled) {
		q.s.o.Log.Warn("a page could not be given", "path", q.URL.Path, "status", s.Code, "error", err)
	}
	if q.Method == http.MethodPost && again(err) && q.showAgain(q.sent(), s) {
		return
	}
	q.fail(s)
}

func (q *request) fail(s status) {
	var b bytes.Buffer
	f := q.frame(s.Title)
	f.Body = struct {
		status
		Back string
	}{s, q.back()}
	if err := q.s.views["error"].ExecuteTemplate(&b, "page", f); err != nil {
		http.Error(q.w, s.Title, s.Code)
		return
	}
	q.w.Header().Set("Content-Type", "text/html; charset=utf-8")
	q.w.WriteHeader(s.Code)
	_, _ = b.WriteTo(q.w) // whoever doesn't take it is gone
}

// back is the page that an act's form stands on.
func (q *request) back() string {
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
