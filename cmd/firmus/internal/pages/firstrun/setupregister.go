package firstrun

import (
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/preview"
	"firmus/cmd/firmus/internal/register/workbook"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/setup"
)

// registerWord is a word of the header line, with what its column is taken for.
type registerWord struct{ Word, Field string }

type setupRegister struct {
	Path, Sheet, Encoding string
	Wrong                 string
	Looked                bool
	Summary               []string
	Words                 []registerWord
	Fields                []string
	Problems              [][2]string
	More                  int
	Block                 string // what would be written
	Kept                  string // what was confirmed before
	Encodings             []string
}

// mostShown is how many problems the setup shows of a register.
const mostShown = 50

// registerPage asks for the register. It may be left out, so it is no step of its own.
func (s *Setup) registerPage(q *site.Request) error {
	return s.showRegister(q, http.StatusOK, setupRegister{})
}

func (s *Setup) showRegister(q *site.Request, code int, d setupRegister) error {
	d.Kept, d.Encodings = s.draft.Register(), workbook.Encodings
	for _, f := range register.Fields {
		d.Fields = append(d.Fields, preview.Key(f))
	}
	return q.RenderAs(code, "setupregister", "The register", d)
}

// registerAct looks at a spreadsheet and shows what would be read of it. It is kept only
// with the tick of who saw that very reading: if the file gives another one by then, it is
// shown anew.
func (s *Setup) registerAct(q *site.Request) error {
	if q.Ticked("none") {
		s.draft.KeepRegister("")
		return q.See("/setup/" + result)
	}
	path, wrong := setup.Clean(q.Field("file"))
	d := setupRegister{Path: path, Sheet: q.Field("sheet"), Encoding: q.Field("encoding")}
	if path == "" && wrong == "" {
		wrong = "lacks the spreadsheet's path"
	}
	if d.Encoding != "" && !slices.Contains(workbook.Encodings, d.Encoding) {
		wrong = "names an encoding that isn't known"
	}
	if wrong != "" {
		d.Wrong = "That doesn't do: it " + wrong + "."
		return s.showRegister(q, http.StatusUnprocessableEntity, d)
	}
	path = s.draft.Whole(path)
	o := preview.Order{Path: s.draft.At(path), Name: filepath.ToSlash(path), Options: workbook.Options{Encoding: d.Encoding}, Read: register.Order{Sheet: d.Sheet}}
	if filepath.IsAbs(path) {
		o.Name = path
	}
	chosen, err := chosenColumns(q)
	if err == nil {
		o.Read.Columns = chosen
		var p preview.Preview
		if p, err = preview.Make(q.Context(), o); err == nil || len(p.Guess.Header) > 0 {
			fillRegister(&d, p, chosen)
		}
	}
	if err != nil {
		d.Wrong = site.Plainly(err)
		if u := preview.Why(err); u != nil {
			d.Wrong = u.Error()
		}
		return s.showRegister(q, http.StatusUnprocessableEntity, d)
	}
	if q.Ticked("confirm") && q.PostFormValue("block") == d.Block {
		s.draft.KeepRegister(d.Block)
		return q.See("/setup/" + result)
	}
	return s.showRegister(q, http.StatusOK, d)
}

// chosenColumns are what a person said of each column; none if nothing was said yet.
func chosenColumns(q *site.Request) (register.Columns, error) {
	const most = 1000
	out := register.Columns{}
	for i := range most {
		word := q.PostFormValue("word." + strconv.Itoa(i))
		if word == "" {
			break
		}
		f := preview.FieldOf(q.PostFormValue("field." + strconv.Itoa(i)))
		if f == "" {
			continue
		}
		if !slices.Contains(register.Fields, f) {
			return nil, fmt.Errorf("nothing is called %q", f)
		}
		if was, twice := out[f]; twice {
			return nil, fmt.Errorf("both %q and %q are taken for %s; choose one", was, word, f)
		}
		out[f] = word
	}
	if len(out) > 0 && out[register.Item] == "" {
		return nil, errors.New("say which column holds the number of the reel (item)")
	}
	return out, nil
}

// fillRegister shows a preview.
func fillRegister(d *setupRegister, p preview.Preview, chosen register.Columns) {
	d.Looked = len(p.Table.Columns) > 0
	words, columns := p.Table.Words, p.Table.Columns
	if !d.Looked { // it couldn't be read with these columns: what is there is shown all the same
		words, columns = p.Guess.Header, p.Guess.Columns
		if len(chosen) > 0 {
			columns = chosen
		}
	}
	of := map[string]string{}
	for f, w := range columns {
		of[register.Word(w)] = preview.Key(f)
	}
	for _, w := range words {
		if w != "" {
			d.Words = append(d.Words, registerWord{w, of[register.Word(w)]})
		}
	}
	if !d.Looked {
		return
	}
	d.Summary, d.Block = p.Summary(), p.Block
	for i, x := range p.Problems {
		if i == mostShown {
			d.More = len(p.Problems) - i
			break
		}
		d.Problems = append(d.Problems, [2]string{preview.Where(x), report.RegisterRow(x.Tells)})
	}
	if strings.TrimSpace(d.Sheet) == "" {
		d.Sheet = p.Guess.Sheet
	}
}
