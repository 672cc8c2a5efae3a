package workbook_test

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
)

// FuzzOpen: whatever a file holds, its sheets are read to an end or an error; what is read is
// text, in lines whose numbers rise, and a row of it can be kept.
func FuzzOpen(f *testing.F) {
	for _, name := range []string{"written.xlsx", "reels-1904.xlsx", "reels-1900.ods"} {
		text, err := os.ReadFile(filepath.Join("testdata", name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add(xlsx(f, "", `<sheetData><row r="1"><c r="A1" t="s"><v>0</v></c></row><row r="2" hidden="1"><c r="A2"><v>1E300</v></c></row></sheetData><mergeCells><mergeCell ref="A1:B2"/></mergeCells>`))
	f.Add(ods(f, `<table:table table:name="Reels"><table:table-row table:number-rows-repeated="2"><table:table-cell office:value-type="string"><text:p>Number</text:p></table:table-cell></table:table-row></table:table>`))
	f.Add([]byte("Number;Side;Length\nQV-0107;A;31:52\n\"QV-0108\";B;\"1\n2\"\n"))
	f.Add([]byte("\xff\xfeN\x00u\x00m\x00b\x00e\x00r\x00\t\x00A\x00\r\x00\n\x00"))
	f.Fuzz(func(t *testing.T, text []byte) {
		b, err := open(text, workbook.Options{Password: "lark"})
		if err != nil {
			if why(err) == "" {
				t.Fatalf("an error that says nothing of the file: %v", err)
			}
			return
		}
		for _, s := range b.Sheets {
			last := 0
			_, err := s.Lines(t.Context(), func(l register.Line) error {
				if l.Number <= last {
					t.Fatalf("line %d comes after %d", l.Number, last)
				}
				last = l.Number
				for _, c := range l.Cells {
					if !utf8.ValidString(c.Text) || utf8.RuneCountInString(c.Text) > 32_767 || math.IsNaN(c.Number) || math.IsInf(c.Number, 0) {
						t.Fatalf("line %d holds %.100q, %g", l.Number, c.Text, c.Number)
					}
					register.ReadLength(c)
					register.Day(c)
				}
				return nil
			})
			if err != nil && why(err) == "" {
				t.Fatalf("an error that says nothing of the file: %v", err)
			}
		}
		table, err := register.Read(t.Context(), "register", b, register.Order{Columns: register.Columns{register.Item: "Number", register.Length: "Length"}})
		if err != nil {
			return
		}
		for _, r := range table.Rows {
			if back, err := register.FromStored(r.Stored(), r.Line); err != nil || back.Line != r.Line {
				t.Fatalf("row %d doesn't come back: %v", r.Line, err)
			}
		}
	})
}
