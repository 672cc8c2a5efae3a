package handover

import (
	"bytes"
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"strconv"
	"time"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Rows are the rows of the register about an item, as the ledger keeps them.
type Rows struct {
	Archive  string    `json:"archive"`
	Item     string    `json:"item"`
	Register Source    `json:"register"`
	Columns  []string  `json:"columns"` // all heads of the register, in their order
	Rows     []RowCopy `json:"rows"`
}

// Source is where the rows come from.
type Source struct {
	From    string    `json:"from"`
	Sheet   string    `json:"sheet,omitempty"`
	Version int64     `json:"version"`
	Read    time.Time `json:"read"`   // when this version was read first
	SHA256  string    `json:"sha256"` // of the file that was read then
}

// RowCopy is one row.
type RowCopy struct {
	Sheet string     `json:"sheet,omitempty"`
	Line  int        `json:"line"`
	Cells []CellCopy `json:"cells"` // those that aren't blank
}

// CellCopy is one cell.
type CellCopy struct {
	Column string   `json:"column"` // its letters, or its number in a CSV file
	Head   string   `json:"head"`
	Text   string   `json:"text"`
	Number *float64 `json:"number,omitempty"` // that is stored; null: a text

	at int // among all columns
}

// RowsOf are the rows in force that are about an item. ok is false where no register was read.
func RowsOf(ctx context.Context, l *ledger.Ledger, archive, item string) (out Rows, ok bool, err error) {
	out = Rows{Archive: archive, Item: item, Columns: []string{}, Rows: []RowCopy{}}
	var v fixity.RegisterVersion
	var rows []fixity.RegisterRow
	err = l.View(ctx, func(t *ledger.Tx) (err error) {
		if v, err = t.Register.Version(0); err == nil {
			rows, err = t.Register.Rows(v)
		}
		return err
	})
	if errors.Is(err, fixity.ErrNotFound) {
		return out, false, nil
	}
	if err != nil {
		return out, false, err
	}
	out.Register = Source{v.From, v.Sheet, v.N, v.At.UTC(), v.File.Sum}
	heads := map[register.Field]string{}
	if v.Columns != "" {
		if err := json.Unmarshal([]byte(v.Columns), &heads); err != nil {
			return out, false, err
		}
	}
	at := map[string]string{} // head by column
	for _, x := range rows {
		r, err := register.FromStored(x.Cells, x.Line)
		if err != nil {
			return out, false, err
		}
		for f, c := range r.Cells {
			if c.Column != "" {
				at[c.Column] = cmp.Or(heads[f], string(f))
			}
		}
		for _, o := range r.Rest {
			at[o.Column] = o.Header
		}
		if x.Item != item {
			continue
		}
		copied := RowCopy{Sheet: r.Sheet, Line: x.Line, Cells: []CellCopy{}}
		for f, c := range r.Cells {
			if c.Text == "" && !c.IsNumber {
				continue
			}
			cell := CellCopy{Column: c.Column, Head: cmp.Or(heads[f], string(f)), Text: c.Text}
			if c.IsNumber {
				cell.Number = &c.Number
			}
			copied.Cells = append(copied.Cells, cell)
		}
		for _, o := range r.Rest {
			copied.Cells = append(copied.Cells, CellCopy{Column: o.Column, Head: o.Header, Text: o.Text})
		}
		slices.SortFunc(copied.Cells, func(a, b CellCopy) int { return byColumn(a.Column, b.Column) })
		out.Rows = append(out.Rows, copied)
	}
	place := map[string]int{}
	for i, c := range columnsOf(at) {
		out.Columns = append(out.Columns, at[c])
		place[c] = i
	}
	for _, r := range out.Rows {
		for i := range r.Cells {
			r.Cells[i].at = place[r.Cells[i].Column]
		}
	}
	return out, true, nil
}

// columnsOf are the columns in their order.
func columnsOf(at map[string]string) []string { return slices.SortedFunc(maps.Keys(at), byColumn) }

// byColumn orders letters (B before AA) and numbers.
func byColumn(a, b string) int {
	x, e := strconv.Atoi(a)
	y, f := strconv.Atoi(b)
	if e == nil && f == nil {
		return cmp.Compare(x, y)
	}
	return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b))
}

// JSON is the rows as a document.
func (r Rows) JSON() ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err := e.Encode(r)
	return b.Bytes(), err
}

// CSV is the rows under the register's heads (RFC 4180, UTF-8). No cell is one that a
// spreadsheet program would take for a formula.
func (r Rows) CSV() ([]byte, error) {
	rows := [][]string{slices.Clone(r.Columns)}
	for _, x := range r.Rows {
		cells := make([]string, len(r.Columns))
		for _, c := range x.Cells {
			cells[c.at] = c.Text
		}
		rows = append(rows, cells)
	}
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	err := w.WriteAll(sheet.CSVCells(rows))
	return b.Bytes(), err
}
