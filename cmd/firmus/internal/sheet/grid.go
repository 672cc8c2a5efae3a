package sheet

import (
	"encoding/csv"
	"io"
	"math"
	"strconv"
)

// Grid is a table as spreadsheets have it: its cells are texts (string), numbers (int64,
// float64), or nil where nothing is known.
type Grid struct {
	Name string // of the sheet: a few plain words, at most 31 characters
	Head []string
	Rows [][]any
}

// CSV writes the table. Cells that a spreadsheet program would take for formulas are guarded.
func (g Grid) CSV(w io.Writer) error {
	rows := [][]string{append([]string{}, g.Head...)}
	for _, r := range g.Rows {
		out := make([]string, len(r))
		for i, c := range r {
			switch c := c.(type) {
			case string:
				out[i] = c
			default:
				out[i], _ = number(c)
			}
		}
		rows = append(rows, out)
	}
	return csv.NewWriter(w).WriteAll(CSVCells(rows))
}

// number is a number as text; false for what is none.
func number(c any) (string, bool) {
	switch c := c.(type) {
	case int64:
		return strconv.FormatInt(c, 10), true
	case int:
		return strconv.Itoa(c), true
	case float64:
		if math.IsNaN(c) || math.IsInf(c, 0) {
			return "", false
		}
		return strconv.FormatFloat(c, 'f', -1, 64), true
	}
	return "", false
}
