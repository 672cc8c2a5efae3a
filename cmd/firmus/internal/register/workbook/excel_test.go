package workbook_test

import (
	"slices"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
)

// Workbooks with the habits of the spreadsheet program that most people have, written here by
// hand as ECMA-376 (part 1: SpreadsheetML, part 2: packages, part 3: markup compatibility)
// describes them; none was saved by that program. What is from memory says so.

const (
	transitional = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
	strict       = "http://purl.oclc.org/ooxml/spreadsheetml/main" // part 1, annex A: the strict names
	office       = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
	officeStrict = "http://purl.oclc.org/ooxml/officeDocument/relationships"
	compatible   = ` xmlns:mc="http://schemas.openxmlformats.org/markup-compatibility/2006" mc:Ignorable="x14ac xr xr2" xmlns:x14ac="http://schemas.microsoft.com/office/spreadsheetml/2009/9/ac" xmlns:xr="http://schemas.microsoft.com/office/spreadsheetml/2014/revision" xmlns:xr2="http://schemas.microsoft.com/office/spreadsheetml/2015/revision2"` // from memory
)

// saved is a workbook of two sheets with those habits.
func saved(t *testing.T, main, doc, absolute, epoch string) []byte {
	head := "<?xml version=\"1.0\" encoding=\"UTF-8\" standalone=\"yes\"?>\r\n"
	return parts(t,
		"[Content_Types].xml", head+`<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>`,
		"_rels/.rels", head+`<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId3" Type="`+doc+`/extended-properties" Target="docProps/app.xml"/><Relationship Id="rId1" Type="`+doc+`/officeDocument" Target="`+absolute+`xl/workbook.xml"/></Relationships>`,
		"docProps/app.xml", head+`<Properties/>`,
		// The third sheet is a chart, which is no sheet of cells (part 1, 12.3.2).
		"xl/workbook.xml", head+`<workbook xmlns="`+main+`" xmlns:r="`+doc+`"`+compatible+`><fileVersion appName="xl" lastEdited="7"/><workbookPr`+epoch+` defaultThemeVersion="166925"/>
<mc:AlternateContent><mc:Choice Requires="x15"><x15ac:absPath url="C:\Reels\" xmlns:x15ac="y"/></mc:Choice></mc:AlternateContent>
<bookViews><workbookView xr2:uid="{1}"/></bookViews><sheets><sheet name="Notes &amp; &quot;&#xE4;&lt;loans&gt;&quot;" sheetId="4" r:id="rId7"/><sheet name="Reels" sheetId="2" state="hidden" r:id="rId2"/><sheet name="Chart" sheetId="3" r:id="rId9"/></sheets><definedNames><definedName name="_xlnm._FilterDatabase" localSheetId="1" hidden="1">Reels!$A$1:$F$9</definedName></definedNames><calcPr calcId="191029"/><extLst><ext uri="{140A7094-0E35-4892-8432-C4D2E57EDEB5}" xmlns:x15="y"><x15:workbookPr chartTrackingRefBase="1"/></ext></extLst></workbook>`,
		"xl/_rels/workbook.xml.rels", head+`<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId2" Type="`+doc+`/worksheet" Target="`+map[bool]string{true: "/xl/"}[absolute != ""]+`worksheets/sheet2.xml"/><Relationship Id="rId7" Type="`+doc+`/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="rId9" Type="`+doc+`/chartsheet" Target="chartsheets/sheet1.xml"/><Relationship Id="rId4" Type="`+doc+`/styles" Target="`+map[bool]string{true: "/xl/"}[absolute != ""]+`styles.xml"/><Relationship Id="rId5" Type="`+doc+`/sharedStrings" Target="sharedStrings.xml"/></Relationships>`,
		"xl/chartsheets/sheet1.xml", head+`<chartsheet xmlns="`+main+`"/>`,
		// Styles: a format of its own number, built-in ones, formats in dxfs that no cell names.
		"xl/styles.xml", head+`<styleSheet xmlns="`+main+`"`+compatible+`><numFmts count="3"><numFmt numFmtId="164" formatCode="[$-F400]h:mm:ss\ AM/PM"/><numFmt numFmtId="165" formatCode="yyyy\-mm\-dd;@"/><numFmt numFmtId="166" formatCode="[h]:mm:ss;@"/></numFmts>
<fonts count="1" x14ac:knownFonts="1"><font><sz val="11"/></font></fonts><cellStyleXfs count="1"><xf numFmtId="14"/></cellStyleXfs>
<cellXfs count="7"><xf numFmtId="0" fontId="0" xfId="0"/><xf numFmtId="14" applyNumberFormat="1"/><xf numFmtId="165"/><xf numFmtId="166"/><xf numFmtId="46"/><xf numFmtId="20"/><xf numFmtId="49" quotePrefix="1"/></cellXfs><dxfs count="1"><dxf><numFmt numFmtId="167" formatCode="yyyy"/></dxf><dxf><numFmt numFmtId="166" formatCode="yyyy"/></dxf></dxfs></styleSheet>`,
		// Texts with letters of their own look, with how they are pronounced, with blanks at the ends.
		"xl/sharedStrings.xml", head+`<sst xmlns="`+main+`" count="9" uniqueCount="7"><si><t>Number</t></si><si><r><rPr><b/><sz val="11"/></rPr><t>Ti</t></r><r><t xml:space="preserve">tle </t></r></si><si><t>歌</t><rPh sb="0" eb="1"><t>ウタ</t></rPh><phoneticPr fontId="1"/></si><si><t xml:space="preserve"> The Lark &amp; the Wren </t></si><si><t>two_x000D_
lines</t></si><si><t/></si><si><t>_x005F_x0041_</t></si></sst>`,
		"xl/worksheets/sheet1.xml", head+`<worksheet xmlns="`+main+`"><dimension ref="A1"/><sheetData/></worksheet>`,
		// A dimension that lies, spans, rows with heights, cells of every kind, a filter, what is
		// behind the cells.
		"xl/worksheets/sheet2.xml", head+`<worksheet xmlns="`+main+`" xmlns:r="`+doc+`"`+compatible+` xr:uid="{00000000-0001-0000-0100-000000000000}"><sheetPr filterMode="1"><tabColor rgb="FFFF0000"/></sheetPr><dimension ref="A1:XFD1048576"/><sheetViews><sheetView workbookViewId="0"><pane ySplit="1" topLeftCell="A2" state="frozen"/><selection pane="bottomLeft" activeCell="C3" sqref="C3"/></sheetView></sheetViews><sheetFormatPr defaultRowHeight="15" x14ac:dyDescent="0.25"/><cols><col min="1" max="16384" width="9.1" style="1"/></cols>
<sheetData><row r="1" spans="1:6" x14ac:dyDescent="0.25"><c r="A1" s="6" t="s"><v>0</v></c><c r="B1" t="s"><v>1</v></c><c r="C1" t="inlineStr"><is><r><t>Rec</t></r><r><rPr><i/></rPr><t>orded</t></r></is></c><c r="D1" t="str"><f>"Len"&amp;"gth"</f><v>Length</v></c></row>
<row r="2" spans="1:6" s="1" customFormat="1" ht="30" customHeight="1" x14ac:dyDescent="0.25"><c r="A2"><v>107</v></c><c r="B2" t="s"><v>2</v></c><c r="C2" s="1"><v>27166</v></c><c r="D2" s="3"><v>2.2129629629629628E-2</v></c><c r="E2" s="2"/><c r="F2" t="s"><v>5</v></c></row>
<row r="3" hidden="1" x14ac:dyDescent="0.25"><c r="A3" s="6" t="s"><v>6</v></c><c r="B3" t="s"><v>3</v></c><c r="C3" s="2"><v>27166.5</v></c><c r="D3" s="5"><v>1.3277777777777777</v></c></row>
<row r="7" x14ac:dyDescent="0.25"><c r="A7"><f t="shared" ref="A7:A9" si="0">A2+1</f><v>108</v></c><c r="B7" t="s"><v>4</v></c><c r="C7" t="e"><f>1/0</f><v>#DIV/0!</v></c><c r="D7" s="4"><f>D2+D3</f></c><c r="F7" t="b"><v>1</v></c></row></sheetData>
<autoFilter ref="A1:D7"><filterColumn colId="0"><filters><filter val="107"/></filters></filterColumn></autoFilter><mergeCells count="1"><mergeCell ref="E2:F3"/></mergeCells><phoneticPr fontId="1"/><conditionalFormatting sqref="A1"><cfRule type="expression"><formula>A1</formula></cfRule></conditionalFormatting><pageMargins left="0.7"/><extLst><ext uri="{1}"><x14:row xmlns:x14="z" r="1"><x14:c><v>9</v></x14:c></x14:row></ext></extLst></worksheet>`)
}

func TestWorkbooksWithTheHabitsOfOfficePrograms(t *testing.T) {
	days := map[string][2]string{"": {"1974-05-17", "1974-05-17T12:00:00"}, ` date1904="1"`: {"1978-05-18", "1978-05-18T12:00:00"}, ` date1904="true"`: {"1978-05-18", "1978-05-18T12:00:00"}}
	for _, c := range []struct{ name, main, doc, absolute, epoch string }{
		{"transitional", transitional, office, "", ""},
		{"absolute targets", transitional, office, "/", ""},
		{"strict (ISO/IEC 29500)", strict, officeStrict, "", ""},
		{"the epoch of 1904", transitional, office, "", ` date1904="1"`},
		{"strict, the epoch of 1904", strict, officeStrict, "/", ` date1904="true"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := saved(t, c.main, c.doc, c.absolute, c.epoch)
			b, err := open(text, workbook.Options{})
			if err != nil {
				t.Fatal(err)
			}
			var names []string
			for _, s := range b.Sheets {
				names = append(names, s.Name+map[bool]string{true: " (hidden)"}[s.Hidden])
			}
			if want := []string{"Notes & \"ä<loans>\"", "Reels (hidden)"}; !slices.Equal(names, want) {
				t.Fatalf("sheets %q", names)
			}
			if lines, _ := shown(t, b, 0); len(lines) > 0 {
				t.Errorf("the empty sheet has %q", lines)
			}
			lines, found := shown(t, b, 1)
			day := days[c.epoch]
			want := []string{
				"1 Number|Title |Recorded|Length",
				"2 number:107|歌|date:" + day[0] + "|duration:0:31:52",
				"~3 _x0041_| The Lark & the Wren |date:" + day[1] + "|clock:31:52:00",
				"7 number:108|two⏎lines|error:#DIV/0!|unsaved:||TRUE",
			}
			for i := range want {
				if i >= len(lines) || lines[i] != want[i] {
					t.Errorf("line %d:\n%q, want\n%q", i, lines[min(i, len(lines)-1)], want[i])
				}
			}
			if len(lines) != len(want) || len(found.Merged) != 1 || found.Merged[0] != (register.Merge{Line: 2, LastLine: 3, Column: 4, LastColumn: 5}) {
				t.Errorf("%d lines, merged %+v", len(lines), found.Merged)
			}
			table, err := register.Read(t.Context(), "register.xlsx", b, register.Order{Columns: register.Columns{register.Item: "number", register.Title: "Title", register.Recorded: "Recorded", register.Length: "Length"}})
			if err != nil || table.Sheet != "Reels" || len(table.Rows) != 3 || table.Hidden != 1 || table.Rows[1].Text(register.Title) != "The Lark & the Wren" || !strings.HasPrefix(table.Rows[0].Text(register.Recorded), day[0]) {
				t.Errorf("%+v, %v", table, err)
			}
			for _, cut := range []int{len(text) / 3, len(text) - 30} {
				if _, err := open(text[:cut], workbook.Options{}); why(err) != register.Damaged {
					t.Errorf("cut short at %d: %v", cut, err)
				}
			}
		})
	}
}
