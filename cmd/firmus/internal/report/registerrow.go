package report

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
)

// row is the values of what a row of the register tells, as package register's Tell writes
// them.
type row []string

// RegisterRow is in words what a row of the register tells.
func RegisterRow(tells []string) string {
	if len(tells) == 0 {
		return ""
	}
	if words, ok := rowWords[tells[0]]; ok {
		return words(tells[1:])
	}
	return strings.Join(tells, "; ") // a sentence that an earlier version kept, or the code of a later one
}

// t is a text as it stands, q the same in quotation marks.
func (r row) t(i int) string {
	if i >= len(r) {
		return ""
	}
	return Show(r[i])
}

func (r row) q(i int) string {
	if i >= len(r) {
		return `""`
	}
	return fmt.Sprintf("%q", r[i])
}

func (r row) parts(i, n int) []string {
	out := make([]string, n)
	if i < len(r) {
		copy(out, strings.SplitN(r[i], "\x1f", n))
	}
	return out
}

// of is what a row is about.
func (r row) of(i int) string {
	p := r.parts(i, 3)
	out := Show(p[0])
	if p[1] != "" {
		out += " side " + Show(p[1])
	}
	if p[2] != "" {
		out += " track " + Show(p[2])
	}
	return out
}

// other is another row.
func (r row) other(i int) string {
	p := r.parts(i, 3)
	out := "row " + p[0]
	if p[1] != "" {
		out += fmt.Sprintf(" of the sheet %q", p[1])
	}
	if p[2] == "true" {
		out += ", which is hidden"
	}
	return out
}

func (r row) n(i int) int64 {
	n, _ := strconv.ParseInt(r.parts(i, 1)[0], 10, 64)
	return n
}

// length is minutes and seconds, as registers write them.
func (r row) length(i int) string { return clock(r.n(i)) }

// files is a file, or what is added up.
func (r row) files(i int) string {
	p := r.parts(i, 3)
	n, _ := strconv.ParseInt(p[2], 10, 64)
	switch p[1] {
	case "":
		return Show(p[0])
	case "sides":
		return "the sum of its sides"
	}
	return "the sum of " + fixity.Count(n, strings.TrimSuffix(p[1], "s"))
}

func (r row) day(i int) string {
	d, err := time.Parse(time.DateOnly, r.parts(i, 1)[0])
	if err != nil {
		return r.t(i)
	}
	return d.Format("2 January 2006")
}

// rest are all values from one on, as one of the functions above words them.
func (r row) rest(i int, word func(int) string) (out []string) {
	for ; i < len(r); i++ {
		out = append(out, word(i))
	}
	return out
}

// digits says how many digits a number has, and how many others have.
func (r row) digits() string {
	return fmt.Sprintf("%s has %s, and most of the column have %d", r.t(0), fixity.Count(r.n(1), "digit"), r.n(2))
}

const asText = "Format the column as text, and type the number again."

// rowWords are the sentences, by the codes of package register.
var rowWords = map[string]func(row) string{
	"none-fits": func(r row) string {
		return fmt.Sprintf("No row has the number of an item under care, such as %s. Is this the right column?", r.t(0))
	},
	"absent": func(r row) string {
		return fmt.Sprintf("The row says that %s was digitised (%s: %s), and no file of it is under care.", r.of(0), r.t(1), r.t(2))
	},
	"absent-file": func(r row) string {
		return fmt.Sprintf("The row names the file %s, and no such file of %s is under care.", r.t(0), r.of(1))
	},
	"absent-track": func(r row) string {
		return fmt.Sprintf("The row says that %s was digitised, and there is no file of this track.", r.of(0))
	},
	"foreign-file": func(r row) string {
		return fmt.Sprintf("The row's number is %s, and its file %s belongs to %s.", r.t(0), r.t(1), r.t(2))
	},
	"no-row": func(r row) string {
		return fmt.Sprintf("%s of %s %s under care, and the register has no row for %s.", fixity.Count(r.n(0), "file"), r.of(1), fixity.OneOr(r.n(0), "is", "are"), fixity.OneOr(r.n(0), "it", "them"))
	},
	"double": func(r row) string {
		return fmt.Sprintf("This row is about %s, and so is %s.", r.of(0), r.other(1))
	},
	"same-barcode": func(r row) string {
		return fmt.Sprintf("The barcode %s is that of %s too, in %s.", r.t(0), r.t(1), r.other(2))
	},
	"elsewhere": func(r row) string {
		return fmt.Sprintf("The row says that %s is in %s, and its files are in %s.", r.of(0), r.t(1), r.t(2))
	},
	"no-day": func(r row) string {
		return fmt.Sprintf("%s is not understood as a day: write it as 2026-03-02.", r.q(0))
	},
	"late-day": func(r row) string {
		return fmt.Sprintf("The row says that %s was digitised on %s, and its file was under care on %s already.", r.of(0), r.t(1), r.day(2))
	},
	"no-meaning": func(r row) string {
		return fmt.Sprintf("Nobody has said yet what %s means here: yes, not again, or never. Until then it means nothing.", r.q(0))
	},
	"barcode-of": func(r row) string {
		return fmt.Sprintf("The number is %s, and the barcode %s belongs to %s.", r.t(0), r.t(1), r.t(2))
	},
	"no-base": func(r row) string {
		return fmt.Sprintf("The number %s stands for %s, and this row has no base.", r.t(0), fixity.Count(r.n(1), "reel"))
	},
	"many-bases": func(r row) string {
		return fmt.Sprintf("The number %s stands for %s, and no file says which one it is of.", r.t(0), fixity.Count(r.n(1), "reel"))
	},
	"no-number": func(row) string { return "The row has no number, and so it is compared with nothing." },
	"less-than-none": func(r row) string {
		return fmt.Sprintf("The length %s is less than nothing.", r.t(0))
	},
	"date-stored": func(r row) string {
		return fmt.Sprintf("A date is stored instead of a length: %s. A spreadsheet program makes one of 3/4 or 3-4.", r.t(0))
	},
	"error-stored": func(r row) string {
		return fmt.Sprintf("The cell holds no length but the error %s of its formula.", r.t(0))
	},
	"not-a-length": func(r row) string {
		return fmt.Sprintf("%s is not understood as a length: write it as 31:52, or 0:31:52 in a spreadsheet program.", r.q(0))
	},
	"tracks-longer": func(r row) string {
		return fmt.Sprintf("The rows of the tracks of %s add up to %s, and its own row says %s.", r.of(0), r.length(1), r.t(2))
	},
	"rows-apart": func(r row) string {
		return fmt.Sprintf("The rows of %s add up to %s, and its files are %s long.", r.of(0), r.length(1), r.length(2))
	},
	"merged-apart": func(r row) string {
		return fmt.Sprintf("One merged cell says %s for %s, and their files are %s long together.", r.t(0), fixity.And(r.rest(2, r.of)), r.length(1))
	},
	"sixty-times": func(r row) string {
		return fmt.Sprintf("The row says %s, which is 60 times as long as %s (%s): were minutes and seconds meant?", r.t(0), r.files(1), r.length(2))
	},
	"twice-as-long": func(r row) string {
		return fmt.Sprintf("The row says %s, which is twice as long as %s (%s): tape speed?", r.t(0), r.files(1), r.length(2))
	},
	"half-as-long": func(r row) string {
		return fmt.Sprintf("The row says %s, which is half as long as %s (%s): tape speed?", r.t(0), r.files(1), r.length(2))
	},
	"length-apart": func(r row) string {
		says := r.t(0)
		if all := r.rest(3, r.length); len(all) > 0 {
			says += " (" + strings.Join(all, " or ") + ")"
		}
		return fmt.Sprintf("The row says %s, and %s is %s long.", says, r.files(1), r.length(2))
	},
	"digits-hidden": func(r row) string {
		return fmt.Sprintf("%s is what a spreadsheet program shows of a long number: the digits behind it are lost here. %s", r.q(0), asText)
	},
	"digits-cut": func(r row) string {
		return fmt.Sprintf("%s ends in %s behind its fifteenth digit: a spreadsheet program keeps no more digits of a number. %s", r.t(0), fixity.OneOr(r.n(1), "a zero", "zeros"), asText)
	},
	"digits-fewer": func(r row) string { return r.digits() + "." },
	"zeros-dropped": func(r row) string {
		return fmt.Sprintf("%s: a spreadsheet program drops zeros in front. Is it %s?", r.digits(), r.t(3))
	},
	"wrong-check": func(r row) string {
		return fmt.Sprintf("The check digit of %s is wrong: a digit was mistyped, or two are exchanged. Compare it with the label.", r.t(0))
	},
	"zeros-lacking": func(r row) string {
		return fmt.Sprintf("%s lacks zeros in front: the file %s has %s. A spreadsheet program drops them.", r.t(0), r.t(1), r.t(2))
	},
	"other-barcode": func(r row) string {
		return fmt.Sprintf("The barcode is %s here, and %s in the name of %s.", r.t(0), r.t(1), r.t(2))
	},
	"unknown-disc": func(r row) string {
		return fmt.Sprintf("The row names disc %s, which is not on the list of discs.", r.t(0))
	},
	"others-disc": func(r row) string {
		return fmt.Sprintf("The row of %s names disc %s, which holds files of %s only.", r.of(0), r.t(1), fixity.And(r.rest(2, r.t)))
	},
	"unnamed-disc": func(r row) string {
		return fmt.Sprintf("Disc %s holds a file of %s, and the register doesn't name it.", r.t(0), r.of(1))
	},
	"few-discs": func(r row) string {
		return fmt.Sprintf("The register has %s of %s, and each side should be on %d.", fixity.Count(r.n(0), "disc"), r.of(1), r.n(2))
	},
	"error-shown": func(r row) string {
		return fmt.Sprintf("The cell shows the error %s instead of a value.", r.t(0))
	},
	"value-unsaved": func(row) string {
		return "The cell holds a formula whose result isn't in the file. Open the register in the spreadsheet program and save it."
	},
	"letter-lost": func(r row) string {
		return fmt.Sprintf("%s holds a character that was lost when the file was saved.", r.q(0))
	},
	"lone-quote": func(row) string {
		return "A quotation mark stands alone in a field. It is taken as it stands; a program that writes CSV would have doubled it."
	},
	"fields": func(r row) string {
		return fmt.Sprintf("The row has %s, where others have %d. A separator (%s) may stand in a text without quotation marks.", fixity.Count(r.n(0), "field"), r.n(1), r.q(2))
	},
}
