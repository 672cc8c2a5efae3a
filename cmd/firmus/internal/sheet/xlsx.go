package sheet

import (
	"archive/zip"
	"encoding/xml"
	"fmt"
	"io"
	"strings"
	"unicode/utf16"
	"unicode/utf8"

	"firmus/fixity/expr"
)

// What a sheet of a workbook holds at most (ECMA-376 leaves it open; these are the limits of
// spreadsheet programs).
const (
	mostRows       = 1 << 20
	mostCharacters = 32767 // in UTF-16, of a cell
)

// The fixed parts of a workbook (ECMA-376-1, 4th ed., 12.3 and 18.8). Style 1 is the head's,
// 2 wraps text, and 3 keeps a text that looks like a formula a text when somebody edits the
// cell (quotePrefix).
const (
	xlsxMain  = `xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"`
	xlsxRel   = `http://schemas.openxmlformats.org/officeDocument/2006/relationships`
	xlsxHead  = `<?xml version="1.0" encoding="UTF-8" standalone="yes"?>` + "\n"
	xlsxRoot  = xlsxHead + `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="` + xlsxRel + `/officeDocument" Target="xl/workbook.xml"/><Relationship Id="rId2" Type="` + xlsxRel + `/extended-properties" Target="docProps/app.xml"/></Relationships>`
	xlsxMaker = `<Application>Firmus</Application>`
	xlsxStyle = xlsxHead + `<styleSheet ` + xlsxMain + `><fonts count="2"><font><sz val="11"/><name val="Calibri"/></font><font><b/><sz val="11"/><name val="Calibri"/></font></fonts>` +
		`<fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill></fills><borders count="1"><border/></borders>` +
		`<cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="4"><xf/><xf fontId="1" applyFont="1"/><xf applyAlignment="1"><alignment vertical="top" wrapText="1"/></xf><xf quotePrefix="1"/></cellXfs></styleSheet>`
)

// XLSX writes tables as the sheets of one workbook. Texts are texts: none is ever a formula,
// whatever it begins with. A table that no sheet can hold is an error, and then nothing of
// use was written.
func XLSX(w io.Writer, grids []Grid) error {
	z := zip.NewWriter(w)
	part := func(name, text string) error {
		f, err := z.Create(name)
		if err == nil {
			_, err = io.WriteString(f, text)
		}
		return err
	}
	// The first part says who made it, uncompressed, so that Workbook can tell.
	app, err := z.CreateHeader(&zip.FileHeader{Name: "docProps/app.xml", Method: zip.Store})
	if err == nil {
		_, err = io.WriteString(app, xlsxHead+`<Properties xmlns="http://schemas.openxmlformats.org/officeDocument/2006/extended-properties">`+xlsxMaker+`</Properties>`)
	}
	if err != nil {
		return err
	}
	var types, sheets, rels strings.Builder
	for i, g := range grids {
		if n := utf8.RuneCountInString(g.Name); n == 0 || n > 31 || strings.ContainsAny(g.Name, `[]:*?/\`) {
			return fmt.Errorf("no sheet can be called %q", g.Name)
		}
		if len(g.Rows) >= mostRows {
			return fmt.Errorf("%d rows are too many for a sheet of a workbook, which holds %d: write CSV", len(g.Rows), mostRows)
		}
		fmt.Fprintf(&types, `<Override PartName="/xl/worksheets/sheet%d.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/>`, i+1)
		fmt.Fprintf(&sheets, `<sheet name="%s" sheetId="%d" r:id="rId%d"/>`, xmlText(g.Name), i+1, i+1)
		fmt.Fprintf(&rels, `<Relationship Id="rId%d" Type="%s/worksheet" Target="worksheets/sheet%d.xml"/>`, i+1, xlsxRel, i+1)
	}
	fmt.Fprintf(&rels, `<Relationship Id="rId%d" Type="%s/styles" Target="styles.xml"/>`, len(grids)+1, xlsxRel)
	for _, p := range [][2]string{
		{"[Content_Types].xml", xlsxHead + `<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>` +
			`<Override PartName="/docProps/app.xml" ContentType="application/vnd.openxmlformats-officedocument.extended-properties+xml"/><Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/><Override PartName="/xl/styles.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"/>` + types.String() + `</Types>`},
		{"_rels/.rels", xlsxRoot},
		{"xl/workbook.xml", xlsxHead + `<workbook ` + xlsxMain + ` xmlns:r="` + xlsxRel + `"><sheets>` + sheets.String() + `</sheets></workbook>`},
		{"xl/_rels/workbook.xml.rels", xlsxHead + `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">` + rels.String() + `</Relationships>`},
		{"xl/styles.xml", xlsxStyle},
	} {
		if err := part(p[0], p[1]); err != nil {
			return err
		}
	}
	for i, g := range grids {
		f, err := z.Create(fmt.Sprintf("xl/worksheets/sheet%d.xml", i+1))
		if err == nil {
			err = g.xml(f)
		}
		if err != nil {
			return err
		}
	}
	return z.Close()
}

// xml writes the table as a sheet: its head stays in sight, and columns are as wide as what
// stands in them.
func (g Grid) xml(w io.Writer) error {
	var b strings.Builder
	b.WriteString(xlsxHead + `<worksheet ` + xlsxMain + `><sheetViews><sheetView workbookViewId="0"><pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/></sheetView></sheetViews>`)
	if len(g.Head) > 0 {
		b.WriteString(`<cols>`)
		for i, h := range g.Head {
			width := utf8.RuneCountInString(h)
			for _, r := range g.Rows[:min(len(g.Rows), 200)] {
				if i < len(r) {
					s, ok := r[i].(string)
					if !ok {
						s, _ = number(r[i])
					}
					width = max(width, utf8.RuneCountInString(s))
				}
			}
			fmt.Fprintf(&b, `<col min="%d" max="%d" width="%d" customWidth="1"/>`, i+1, i+1, min(max(width+2, 8), 70))
		}
		b.WriteString(`</cols>`)
	}
	b.WriteString(`<sheetData>`)
	head := make([]any, len(g.Head))
	for i, h := range g.Head {
		head[i] = h
	}
	for n, r := range append([][]any{head}, g.Rows...) {
		fmt.Fprintf(&b, `<row r="%d">`, n+1)
		for i, c := range r {
			cellXML(&b, fmt.Sprintf("%s%d", letters(i), n+1), c, n == 0)
		}
		b.WriteString(`</row>`)
		if b.Len() > 1<<16 {
			if _, err := io.WriteString(w, b.String()); err != nil {
				return err
			}
			b.Reset()
		}
	}
	b.WriteString(`</sheetData></worksheet>`)
	_, err := io.WriteString(w, b.String())
	return err
}

func cellXML(b *strings.Builder, at string, c any, head bool) {
	s, text := c.(string)
	if !text {
		if n, ok := number(c); ok {
			fmt.Fprintf(b, `<c r="%s"><v>%s</v></c>`, at, n)
		}
		return
	}
	if s == "" {
		return
	}
	style := 0
	switch {
	case head:
		style = 1
	case strings.IndexByte(formula, s[0]) >= 0 || s[0] == '\'':
		style = 3
	case strings.Contains(s, "\n"):
		style = 2
	}
	fmt.Fprintf(b, `<c r="%s" s="%d" t="inlineStr"><is><t xml:space="preserve">%s</t></is></c>`, at, style, xmlText(s))
}

// letters are a column's, from 0.
func letters(i int) string {
	s := ""
	for i++; i > 0; i = (i - 1) / 26 {
		s = string(rune('A'+(i-1)%26)) + s
	}
	return s
}

// escaped is what readers of a workbook take for a character: _x000D_. The underscore before
// it is written so itself (ECMA-376-1, 22.9.2.19).
var escaped = expr.Once(`_(x[0-9A-Fa-f]{4}_)`)

// xmlText is a text as a cell holds it. What XML can't hold becomes U+FFFD; a text longer than
// any cell is cut, and says so.
func xmlText(s string) string {
	if units := utf16.Encode([]rune(s)); len(units) > mostCharacters {
		const cut = " (cut here: a cell holds no more)"
		s = string(utf16.Decode(units[:mostCharacters-len(cut)])) + cut
	}
	s = escaped().ReplaceAllString(strings.ToValidUTF8(s, "\uFFFD"), "_x005F_$1")
	s = strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "_x000D_")
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a Builder takes all
	return b.String()
}
