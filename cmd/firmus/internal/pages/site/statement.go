package site

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"io"
	"mime"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// printed is what prints as a page of its own.
type printed interface{ HTML(io.Writer) error }

// Sheet answers with a page to print, which brings its own style: the policy names that
// style by its digest, and lets no other in.
func (q *Request) Sheet(p printed) error {
	var b bytes.Buffer
	if err := p.HTML(&b); err != nil {
		return err
	}
	_, rest, _ := strings.Cut(b.String(), "<style>")
	style, _, _ := strings.Cut(rest, "</style>")
	h := q.W.Header()
	h.Set("Content-Security-Policy", OwnStyle(style))
	h.Set("Content-Type", "text/html; charset=utf-8")
	_, _ = b.WriteTo(q.W) // whoever doesn't take it is gone
	return nil
}

// OwnStyle is the policy of what brings its own style, and no other.
func OwnStyle(style string) string {
	sum := sha256.Sum256([]byte(style))
	return strings.Replace(policy, "style-src 'self'", "style-src 'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'", 1)
}

// Statement is one that has tables besides its page.
type Statement interface {
	printed
	Grids() []sheet.Grid
}

// statementKept is how long a statement is given again as it was made, while the record doesn't
// go on. It says of when it is.
const statementKept = 10 * time.Minute

// made are statements that were made lately. One takes seconds where an archive has hundreds of
// thousands of files, and is asked for in several forms.
type made struct {
	mu sync.Mutex
	of map[string]*madeOne
}

type madeOne struct {
	mu   sync.Mutex // held while it is made: whoever asks for it meanwhile waits for it
	at   time.Time
	mark int64
	s    Statement
}

// one is the place of a statement.
func (m *made) one(name string) *madeOne {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.of[name] == nil {
		if len(m.of) == 0 || len(m.of) > 4 { // nobody reads so many side by side
			m.of = map[string]*madeOne{}
		}
		m.of[name] = &madeOne{}
	}
	return m.of[name]
}

// Kept answers with a statement as it was made lately, or makes it now. of tells it from others
// whose file has the same name.
func (q *Request) Kept(name, of string, now func() (Statement, error)) error {
	s, err := q.made(q.Site.made.one(name+"?"+of), now)
	if err != nil {
		return err
	}
	return q.Stated(name, s) // whoever takes it slowly keeps nobody else waiting
}

func (q *Request) made(x *madeOne, now func() (Statement, error)) (Statement, error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	var mark int64
	if err := q.View(func(t *ledger.Tx) (err error) { mark, err = t.Log.Count(); return err }); err != nil {
		return nil, err
	}
	if at := q.Site.Now(); x.s == nil || x.mark != mark || at.Sub(x.at) > statementKept || at.Before(x.at) {
		s, err := now()
		if err != nil {
			return nil, err
		}
		x.keep(s, at, mark, statementKept)
	}
	return x.s, nil
}

// keep keeps a statement for a while, and drops it then: a large archive's takes much memory.
func (x *madeOne) keep(s Statement, at time.Time, mark int64, lasts time.Duration) {
	x.at, x.mark, x.s = at, mark, s
	time.AfterFunc(lasts, func() {
		x.mu.Lock()
		defer x.mu.Unlock()
		if x.at.Equal(at) && x.mark == mark {
			x.s = nil
		}
	})
}

// Stated answers with a statement: as a page to print, or as the file of a form that the
// address names.
func (q *Request) Stated(name string, s Statement) error {
	var b bytes.Buffer
	var kind string
	var err error
	form := q.PathValue("form")
	switch form {
	case "":
		return q.Sheet(s)
	case "csv":
		kind, err = "text/csv; charset=utf-8", s.Grids()[0].CSV(&b)
	case "xlsx":
		kind, err = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", sheet.XLSX(&b, s.Grids())
	case "json":
		kind, err = "application/json", json.NewEncoder(&b).Encode(s)
	default:
		return fixity.ErrNotFound
	}
	if err != nil {
		return err
	}
	q.W.Header().Set("Content-Type", kind)
	q.W.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name + "." + form}))
	_, _ = b.WriteTo(q.W) // whoever doesn't take it is gone
	return nil
}
