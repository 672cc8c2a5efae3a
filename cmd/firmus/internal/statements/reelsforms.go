package statements

import (
	"fmt"
	"html/template"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
)

// filled is the table of what a person sees: without the columns in which nothing stands.
func (r *Reels) filled() (head []string, rows [][]string) {
	table := [][]string{r.heads()}
	for _, x := range r.Rows {
		table = append(table, r.cells(x, r.At))
	}
	some := make([]bool, len(table[0]))
	for _, row := range table[1:] {
		for i, v := range row {
			some[i] = some[i] || v != ""
		}
	}
	for n, row := range table {
		var out []string
		for i, v := range row {
			if some[i] {
				out = append(out, report.Show(v))
			}
		}
		if n == 0 {
			head = out
		} else {
			rows = append(rows, out)
		}
	}
	return head, rows
}

// counted is how many sides there are, by what comes next.
func (r *Reels) counted() string {
	text := fixity.Count(r.Reels, "reel")
	if !r.unsided {
		text += ", " + fixity.Count(r.Sides, "side")
	}
	for _, n := range reels.Nexts {
		if r.Counts[n] > 0 {
			text += ", " + fixity.Number(r.Counts[n]) + " " + n.Words()
		}
	}
	return text
}

// hours sums up how long the listed sides are: those transferred by their files, the others as
// far as the register says it.
func (r *Reels) hours() (done, waits float64, unknown int64) {
	for _, x := range r.Rows {
		switch {
		case x.Seconds <= 0:
			unknown++
		case x.Transferred != nil:
			done += x.Seconds
		default:
			waits += x.Seconds
		}
	}
	return done, waits, unknown
}

// noSides is what is said where nothing tells sides.
var noSides = [2]string{"Nothing tells sides yet: write into the configuration how the names of files are built", "(pattern, in each set), or map the register's column for them."}

// Text writes the table without the columns in which nothing stands.
func (r *Reels) Text(w io.Writer) error {
	fmt.Fprintln(w, r.counted())
	if r.unsided && r.Reels > 0 {
		fmt.Fprintf(w, "%s\n%s\n", noSides[0], noSides[1])
	}
	if len(r.Rows) == 0 {
		fmt.Fprintln(w, "No such side.")
		return nil
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	head, rows := r.filled()
	for _, row := range append([][]string{head}, rows...) {
		fmt.Fprintln(t, strings.TrimRight(strings.Join(row, "\t"), "\t"))
	}
	return t.Flush()
}

// reelsStyle lays the long table across the paper.
const reelsStyle = template.CSS(`@page { size: landscape; } body { max-width: 265mm; } .list { font-size: 8.5pt; } .list th, .list td { padding-right: 2mm; }`)

// HTML is the page to print.
func (r *Reels) HTML(w io.Writer) error {
	s := sheet.Sheet{Archive: r.Archive, Title: "Where each reel is in the work", Under: report.Local(r.At), Style: reelsStyle}
	sum := sheet.Block{Facts: [][2]string{{"in all", r.counted()}}}
	if r.unsided && r.Reels > 0 {
		sum.Lines = []string{noSides[0] + " " + noSides[1]}
	}
	done, waits, unknown := r.hours()
	if done+waits > 0 {
		sum.Facts = append(sum.Facts, [2]string{"transferred", report.Hours(int64(done)) + " of sound, in the sides below"})
	}
	if waits > 0 {
		sum.Facts = append(sum.Facts, [2]string{"not transferred", report.Hours(int64(waits)) + ", as the register has it"})
	}
	if unknown > 0 && done+waits > 0 {
		sum.Facts = append(sum.Facts, [2]string{"length not known", "of " + fixity.Count(unknown, "side")})
	}
	list := sheet.Block{Title: "Sides", Lines: []string{"No such side."}}
	if len(r.Rows) > 0 {
		head, rows := r.filled()
		list = sheet.Block{Title: "Sides", Table: &sheet.Table{Head: head, Rows: rows}}
	}
	s.Blocks = []sheet.Block{sum, list, {Title: "What this doesn't show", Lines: reelsNotShown}}
	return s.HTML(w)
}

// reelsNotShown is what the statement says of itself.
var reelsNotShown = []string{"Title, base, condition, treatment, hazard and priority are the register's own words. What it doesn't say is blank. A reel is listed once a file of it is under care, or the register has a row about it.",
	"Of each store it says what its copies are as far as they were last checked. It doesn't say that a transfer was good."}

// Grids are the table, the sides by what comes next, and what they don't show.
func (r *Reels) Grids() []sheet.Grid {
	sides := sheet.Grid{Name: "Sides", Head: r.heads()}
	for _, x := range r.Rows {
		var row []any
		for _, c := range r.cells(x, time.Time{}) {
			row = append(row, c)
		}
		sides.Rows = append(sides.Rows, row)
	}
	next := sheet.Grid{Name: "What comes next", Head: []string{"next", "sides", "hours_of_those_listed"}}
	for _, n := range reels.Nexts {
		seconds := 0.0
		for _, x := range r.Rows {
			if x.Next == n {
				seconds += x.Seconds
			}
		}
		if r.Counts[n] > 0 {
			row := []any{n.Words(), r.Counts[n], nil}
			if seconds > 0 {
				row[2] = float64(int64(seconds/36+0.5)) / 100
			}
			next.Rows = append(next.Rows, row)
		}
	}
	return []sheet.Grid{sides, next, notesGrid(reelsNotShown)}
}
