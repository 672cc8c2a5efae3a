package sheet_test

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
	"firmus/cmd/firmus/internal/sheet"
)

// What is written comes back through the reader of registers, cell by cell: texts as texts,
// numbers as numbers, blanks as blanks.
func TestXLSX(t *testing.T) {
	hostile := []string{"=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\tx", "'=1", "=HYPERLINK(\"x\")", "_x000D_", "_x005F_", "a\r\nb", " spaces  kept ", "\x00\x01", "\xff", "<v>&\"'", "30234000517861", "007", "1E+12", "ä😀", strings.Repeat("q", 40000)}
	g := sheet.Grid{Name: "Files", Head: []string{"path", "n", "hours"}}
	for i, h := range hostile {
		g.Rows = append(g.Rows, []any{h, int64(i), float64(i) / 3})
	}
	g.Rows = append(g.Rows, []any{nil, nil, math.NaN()}, []any{"last"})
	wide := sheet.Grid{Name: "Wide", Head: make([]string, 30)}
	wide.Head[26], wide.Head[29] = "AA", "AD"
	var b bytes.Buffer
	if err := sheet.XLSX(&b, []sheet.Grid{g, wide}); err != nil {
		t.Fatal(err)
	}
	book, err := workbook.Open(t.Context(), workbook.File{Name: "x.xlsx", Bytes: b.Bytes()}, workbook.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for i, sh := range book.Sheets {
		names = append(names, sh.Name)
		var lines []register.Line
		if _, err := sh.Lines(t.Context(), func(l register.Line) error {
			l.Cells = slices.Clone(l.Cells)
			lines = append(lines, l)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		if i == 1 {
			if got := lines[0].Cells; len(got) != 30 || got[26].Text != "AA" || got[29].Text != "AD" {
				t.Errorf("columns beyond Z: %+v", got)
			}
			continue
		}
		for k, h := range hostile {
			want := h
			switch {
			case len(h) > 32767:
				want = h[:32767-len(" (cut here: a cell holds no more)")] + " (cut here: a cell holds no more)"
			case h == "\x00\x01":
				want = "\uFFFD\uFFFD"
			case h == "a\r\nb":
				want = "a\nb"
			case h == "\xff":
				want = "\uFFFD"
			}
			got := lines[k+1].Cells
			if got[0].Text != want || got[0].IsNumber || got[0].Kind != register.TextCell {
				t.Errorf("%.30q comes back as %+v", h, got[0])
			}
			if !got[1].IsNumber || got[1].Number != float64(k) || math.Abs(got[2].Number-float64(k)/3) > 1e-12 {
				t.Errorf("numbers of row %d: %+v", k, got)
			}
		}
	}
	if !slices.Equal(names, []string{"Files", "Wide"}) {
		t.Errorf("sheets %q", names)
	}
	z, err := zip.NewReader(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil || bytes.Contains(text, []byte("<f>")) {
			t.Errorf("%s: a formula, or %v", f.Name, err)
		}
		if err := xml.Unmarshal(text, new(struct{})); err != nil {
			t.Errorf("%s: %v", f.Name, err)
		}
	}
	for _, bad := range []sheet.Grid{{}, {Name: "a/b"}, {Name: strings.Repeat("n", 32)}} {
		if err := sheet.XLSX(io.Discard, []sheet.Grid{bad}); err == nil {
			t.Errorf("a sheet is called %q", bad.Name)
		}
	}
}
