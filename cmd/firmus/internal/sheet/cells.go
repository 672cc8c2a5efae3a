package sheet

import (
	"strconv"
	"strings"
)

// formula begins what a spreadsheet program would take for a formula.
const formula = "=+-@\t\r"

// CSVCells keeps a spreadsheet program from taking a cell for a formula, wherever CSV is
// written: a cell that begins as one gets a quotation mark before it (*common practice*).
// Numbers stay. So does a cell that has such a mark already get another: CSVCell takes one off.
func CSVCells(rows [][]string) [][]string {
	for _, r := range rows {
		for i, c := range r {
			if rest := strings.TrimLeft(c, "'"); rest != "" && strings.IndexByte(formula, rest[0]) >= 0 {
				if _, err := strconv.ParseFloat(c, 64); err != nil {
					r[i] = "'" + c
				}
			}
		}
	}
	return rows
}

// CSVCell is a cell as it was before CSVCells.
func CSVCell(c string) string {
	if rest := strings.TrimLeft(c, "'"); len(rest) < len(c) && rest != "" && strings.IndexByte(formula, rest[0]) >= 0 {
		return c[1:]
	}
	return c
}
