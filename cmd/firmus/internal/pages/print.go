package pages

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
)

var printRoutes = []route{
	{"GET /print", fixity.Viewer, printPage},
	{"GET /print/shift", fixity.Viewer, shiftPrint},
	{"GET /print/desk-card", fixity.Viewer, deskCardPrint},
	{"GET /print/take-over", fixity.Reviewer, takeOverPrint},
	{"GET /print/holdings", fixity.Viewer, holdingsPrint},
	{"GET /print/holdings/{form}", fixity.Viewer, holdingsPrint},
	{"GET /print/year", fixity.Viewer, yearPrint},
	{"GET /print/year/{form}", fixity.Viewer, yearPrint},
}

// printed is what prints as a page of its own.
type printed interface{ HTML(io.Writer) error }

// sheet answers with a page to print, which brings its own style: the policy names that
// style by its digest, and lets no other in.
func (q *request) sheet(p printed) error {
	var b bytes.Buffer
	if err := p.HTML(&b); err != nil {
		return err
	}
	_, rest, _ := strings.Cut(b.String(), "<style>")
	style, _, _ := strings.Cut(rest, "</style>")
	h := q.w.Header()
	h.Set("Content-Security-Policy", ownStyle(style))
	h.Set("Content-Type", "text/html; charset=utf-8")
	_, _ = b.WriteTo(q.w) // whoever doesn't take it is gone
	return nil
}

// ownStyle is the policy of what brings its own style, and no other.
func ownStyle(style string) string {
	sum := sha256.Sum256([]byte(style))
	return strings.Replace(policy, "style-src 'self'", "style-src 'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'", 1)
}

// printPage lists what can be printed.
func printPage(q *request) error {
	return q.render("print", "To print", struct {
		Reviewer bool
		LastYear int
	}{q.who.Role.May(fixity.Reviewer), q.s.now().Local().Year() - 1})
}

// errNoDesk is for a program that serves pages and has no configuration of a desk.
var errNoDesk = status{404, "There is no desk card here", "The pages of this program don't know the archive's places."}

func deskCardPrint(q *request) error {
	if q.s.o.Desk == nil {
		return errNoDesk
	}
	return q.sheet(q.s.o.Desk().Card())
}

func takeOverPrint(q *request) error {
	if q.s.o.Desk == nil {
		return errNoDesk
	}
	e := q.s.o.Archive
	s, err := statements.TakeOver(q.Context(), q.s.o.Desk(), e.Ledger, e.Rules, e.Now())
	if err != nil {
		return err
	}
	return q.sheet(s)
}

func holdingsPrint(q *request) error {
	if !q.mayKnowAll() {
		return errRestricted
	}
	e := q.s.o.Archive
	all := q.URL.Query().Get("all") != ""
	return q.kept("holdings", fmt.Sprintf("all=%t", all), func() (statement, error) {
		h, err := statements.MakeHoldings(q.Context(), e.Ledger, q.s.o.Name, e.Rules, e.Now())
		if err == nil && all {
			err = h.NameAll(q.Context(), e.Ledger)
		}
		return h, err
	})
}

// yearPrint is the statement of a year; it names no recording.
func yearPrint(q *request) error {
	e := q.s.o.Archive
	year, err := statements.YearOf(q.URL.Query().Get("year"), e.Now())
	if err != nil {
		return err
	}
	return q.kept(fmt.Sprintf("year-%d", year), "", func() (statement, error) {
		return statements.MakeYear(q.Context(), e.Ledger, q.s.o.Name, e.Rules, year, e.Now())
	})
}

// statement is one that has tables besides its page.
type statement interface {
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
	s    statement
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

// kept answers with a statement as it was made lately, or makes it now. of tells it from others
// whose file has the same name.
func (q *request) kept(name, of string, now func() (statement, error)) error {
	s, err := q.made(q.s.made.one(name+"?"+of), now)
	if err != nil {
		return err
	}
	return q.stated(name, s) // whoever takes it slowly keeps nobody else waiting
}

func (q *request) made(x *madeOne, now func() (statement, error)) (statement, error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	var mark int64
	if err := q.view(func(t *tx) (err error) { mark, err = t.Log.Count(); return err }); err != nil {
		return nil, err
	}
	if at := q.s.now(); x.s == nil || x.mark != mark || at.Sub(x.at) > statementKept || at.Before(x.at) {
		s, err := now()
		if err != nil {
			return nil, err
		}
		x.keep(s, at, mark, statementKept)
	}
	return x.s, nil
}

// keep keeps a statement for a while, and drops it then: a large archive's takes much memory.
func (x *madeOne) keep(s statement, at time.Time, mark int64, lasts time.Duration) {
	x.at, x.mark, x.s = at, mark, s
	time.AfterFunc(lasts, func() {
		x.mu.Lock()
		defer x.mu.Unlock()
		if x.at.Equal(at) && x.mark == mark {
			x.s = nil
		}
	})
}

// stated answers with a statement: as a page to print, or as the file of a form that the
// address names.
func (q *request) stated(name string, s statement) error {
	var b bytes.Buffer
	var kind string
	var err error
	form := q.PathValue("form")
	switch form {
	case "":
		return q.sheet(s)
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
	q.w.Header().Set("Content-Type", kind)
	q.w.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name + "." + form}))
	_, _ = b.WriteTo(q.w) // whoever doesn't take it is gone
	return nil
}

// shiftPrint is what was done today, and what waits.
func shiftPrint(q *request) error {
	if !q.mayKnowAll() {
		return errRestricted
	}
	e, now := q.s.o.Archive, q.s.now()
	local := now.Local()
	since := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.Local)
	waits, err := q.waiting()
	if err != nil {
		return err
	}
	s, err := statements.Shift(q.Context(), e.Ledger, q.s.o.Name, since, now, waits)
	if err != nil {
		return err
	}
	return q.sheet(s)
}

// waiting is what waits for whoever comes next.
func (q *request) waiting() (out []statements.Waiting, err error) {
	o, err := q.s.reels.Overview(q.Context())
	if err != nil {
		return nil, err
	}
	err = q.view(func(t *tx) error {
		keep, err := t.Sources.Keep()
		if err != nil {
			return err
		}
		for _, k := range keep {
			out = append(out, statements.Waiting{What: "KEEP THE STICK", Words: report.Show(k.Source) + ", received " + report.Local(k.At) + " by " + k.By})
		}
		open, err := t.Findings.OpenByUrgency()
		if err != nil {
			return err
		}
		for _, u := range []fixity.Urgency{fixity.NoneIntact, fixity.AtRisk, fixity.Tidy} {
			if n := open[u]; n > 0 {
				out = append(out, statements.Waiting{What: fixity.Means("urgency", string(u)), Words: fixity.Count(n, "open finding")})
			}
		}
		return nil
	})
	for _, n := range reels.Nexts {
		if c := o.Counts[n]; c > 0 && n != reels.Done && n != reels.PutRight && n != reels.Decide {
			out = append(out, statements.Waiting{What: n.Words(), Words: fixity.Count(c, "side")})
		}
	}
	return out, err
}
