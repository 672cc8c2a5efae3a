package register

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
)

// Stored is a row as the ledger keeps it: all but the line it stands in.
func (r Row) Stored() string {
	b, err := json.Marshal(struct {
		Sheet  string         `json:"sheet,omitempty"`
		Hidden bool           `json:"hidden,omitempty"`
		Cells  map[Field]Cell `json:"cells,omitempty"`
		Rest   []Other        `json:"rest,omitempty"`
	}{r.Sheet, r.Hidden, r.Cells, r.Rest})
	if err != nil {
		panic(err) // texts and numbers never fail, but for numbers that are none
	}
	return string(b)
}

// FromStored reads back what Stored gives.
func FromStored(s string, line int) (Row, error) {
	r := Row{}
	if err := json.Unmarshal([]byte(s), &r); err != nil {
		return r, fmt.Errorf("a row of the register as it is kept: %w", err)
	}
	r.Line = line
	return r, nil
}

// mostColumns is how many columns a row is laid out in.
const mostColumns = 16384

// Tabbed is the row as spreadsheet programs take it when it is pasted: each cell in its own
// column, with tabs between them. A text that a program would take for a formula gets an
// apostrophe.
func (r Row) Tabbed() string {
	at := map[int]string{}
	last := -1
	put := func(column, text string) {
		i := columnIndex(column)
		if i < 0 || i >= mostColumns || text == "" {
			return
		}
		if strings.ContainsAny(text[:1], "=+@") || text[0] == '-' && len(text) > 1 && (text[1] < '0' || text[1] > '9') {
			text = "'" + text
		}
		if strings.ContainsAny(text, "\t\n\r\"") {
			text = `"` + strings.ReplaceAll(text, `"`, `""`) + `"`
		}
		at[i], last = text, max(last, i)
	}
	for _, c := range r.Cells {
		put(c.Column, c.Text)
	}
	for _, o := range r.Rest {
		put(o.Column, o.Text)
	}
	cells := make([]string, last+1)
	for i, t := range at {
		cells[i] = t
	}
	return strings.Join(cells, "\t")
}

// columnIndex is a column's place, from 0, by its letters or its number; -1 if it is neither.
func columnIndex(s string) int {
	if n, err := strconv.Atoi(s); err == nil {
		return n - 1
	}
	n := 0
	for _, r := range s {
		if r < 'A' || r > 'Z' || n > mostColumns {
			return -1
		}
		n = n*26 + int(r-'A') + 1
	}
	return n - 1
}
