package sheets

import (
	"fmt"
	"io"

	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
)

// SittingSheet is one sheet about discs that were read one after the other.
type SittingSheet struct {
	Archive string
	By      string
	discs.Sitting
}

// Text writes the sheet for a terminal, at most Width columns wide. It gives w's error.
func (s SittingSheet) Text(w io.Writer) error { return s.page().writeText(w) }

// HTML writes the sheet as one page to print. It gives w's error.
func (s SittingSheet) HTML(w io.Writer) error { return s.page().writeHTML(w) }

func (s SittingSheet) page() page {
	p := page{Archive: clean(s.Archive), Title: "DISCS READ"}
	var top block
	good := int64(0)
	t := &table{Head: []string{"Disc", "Box", "What it is", "Read"}, Right: make([]bool, 4)}
	for _, x := range s.Done {
		if x.Good {
			good++
		}
		t.Rows = append(t.Rows, []line{row(or(x.Disc, 10)), row(or(discs.Box(x.Box), 4)), sayf("%s", clean(x.Says)), sayf("%s", x.At.Local().Format("2 Jan 15:04"))})
	}
	top.add("Which", sayf("%s", clean(s.Of)))
	top.add("Begun", row(part{Text: s.Began.Local().Format("2 Jan 2006, 15:04 MST")}, label("by"), or(s.By, 12)))
	n := int64(len(s.Done))
	said := fmt.Sprintf("%s read; all are as they should be", fixity.Count(n, "disc"))
	if good < n {
		said = fmt.Sprintf("%s read; %s NOT as it should be", fixity.Count(n, "disc"), fixity.Number(n-good))
	}
	if n == 0 {
		said = "no disc was read"
	}
	top.add("Came to", sayf("%s", said))
	if len(s.Left) > 0 {
		top.add("Not read", sayf("%s", fixity.And(s.Left)))
	}
	p.Blocks = append(p.Blocks, top)
	if n > 0 {
		p.Blocks = append(p.Blocks, block{Title: "Discs, as they were put in", Table: t})
	}
	if good < n {
		p.Blocks = append(p.Blocks, block{Lines: []line{sayf("What to do:  firmus findings")}})
	}
	return p
}
