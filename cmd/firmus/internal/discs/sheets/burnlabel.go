package sheets

import "firmus/fixity"

// Labelled is what the register says of a side that goes onto the disc, for the label of its
// case. What it doesn't say is "".
type Labelled struct {
	Number, Side      string
	Title, Performers string
	Recorded, Length  string
	Without           string // why all of it is left out
}

// mostLabelled is how many sides are told one by one.
const mostLabelled = 6

// labels are the words for the case's label, with blanks where the register says nothing.
func (s BurnSheet) labels() (out []block) {
	for i, l := range s.Labels {
		if i == mostLabelled {
			return append(out, block{Lines: []line{sayf("and %s more:  firmus disc labels %s", fixity.Count(len(s.Labels)-i, "side"), quoted(clean(s.Number)))}})
		}
		of := clean(l.Number)
		if l.Side != "" {
			of += " side " + clean(l.Side)
		}
		b := block{Title: "For the label of the case: " + of}
		if l.Without != "" {
			b.add("", sayf("%s: nothing is filled in", l.Without))
			out = append(out, b)
			continue
		}
		b.add("Title", row(or(l.Title, 40)))
		b.add("Performers", row(or(l.Performers, 40)))
		b.add("Recorded", row(or(l.Recorded, 14), gap, label("Length in the register"), or(l.Length, 8)))
		out = append(out, b)
	}
	return out
}
