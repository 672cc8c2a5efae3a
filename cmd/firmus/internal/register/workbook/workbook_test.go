package workbook_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
	"firmus/fixity"
)

// open opens bytes as a file.
func open(text []byte, o workbook.Options) (register.Book, error) {
	return workbook.Open(context.Background(), workbook.File{Name: "register", Bytes: text, SHA256: sha256.Sum256(text)}, o)
}

// shown are the lines of a sheet, with | between cells and the kind before each that is no
// text; hidden lines begin with a ~.
func shown(t *testing.T, b register.Book, sheet int) ([]string, register.Found) {
	t.Helper()
	var out []string
	found, err := b.Sheets[sheet].Lines(t.Context(), func(l register.Line) error {
		var cells []string
		for _, c := range l.Cells {
			s := strings.ReplaceAll(c.Text, "\n", "⏎")
			if c.Kind != register.TextCell && c.Kind != "" {
				s = string(c.Kind) + ":" + s
			}
			cells = append(cells, s)
		}
		hidden := ""
		if l.Hidden {
			hidden = "~"
		}
		out = append(out, fmt.Sprintf("%s%d %s", hidden, l.Number, strings.Join(cells, "|")))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out, found
}

func why(err error) register.Why {
	var u *register.Unreadable
	if errors.As(err, &u) {
		return u.Why
	}
	return ""
}

// all reads all sheets, and is what was wrong.
func all(t *testing.T, text []byte) (lines int, err error) {
	t.Helper()
	b, err := open(text, workbook.Options{})
	for _, s := range b.Sheets {
		if _, e := s.Lines(t.Context(), func(register.Line) error { lines++; return nil }); e != nil {
			err = e
		}
	}
	return lines, err
}

// parts is a zip file of parts, in pairs of name and text.
func parts(t testing.TB, pairs ...string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for i := 0; i < len(pairs); i += 2 {
		w, err := z.Create(pairs[i])
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(pairs[i+1])); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

const (
	types = `<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"/>`
	rels  = `<Relationships><Relationship Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>`
	book  = `<workbook xmlns:r="x"><workbookPr%s/><sheets><sheet name="Reels" sheetId="1" r:id="r1"/></sheets></workbook>`
	brels = `<Relationships><Relationship Id="r1" Type="x/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="r2" Type="x/styles" Target="styles.xml"/><Relationship Id="r3" Type="x/sharedStrings" Target="/xl/sharedStrings.xml"/></Relationships>`
	style = `<styleSheet><numFmts><numFmt numFmtId="164" formatCode="[h]:mm:ss"/><numFmt numFmtId="165" formatCode="&quot;QV-&quot;0000"/><numFmt numFmtId="166" formatCode="[$-407]dd.mm.yyyy;@"/><numFmt numFmtId="167" formatCode="h:mm"/><numFmt numFmtId="168" formatCode="00000000000000"/></numFmts>
<cellStyleXfs><xf numFmtId="14"/></cellStyleXfs><cellXfs><xf numFmtId="0"/><xf numFmtId="164"/><xf numFmtId="165"/><xf numFmtId="166"/><xf numFmtId="167"/><xf numFmtId="168"/><xf numFmtId="46"/><xf numFmtId="14"/></cellXfs></styleSheet>`
	strs = `<sst><si><t>Number</t></si><si><r><t>Le</t></r><r><t>ngth</t></r><rPh><t>no</t></rPh></si><si><t>one_x000D_
two</t></si></sst>`
)

// xlsx is a workbook with one sheet of that data; attr is of its workbookPr.
func xlsx(t testing.TB, attr, data string) []byte {
	return parts(t, "[Content_Types].xml", types, "_rels/.rels", rels, "xl/workbook.xml", fmt.Sprintf(book, attr), "xl/_rels/workbook.xml.rels", brels,
		"xl/styles.xml", style, "xl/sharedStrings.xml", strs, "xl/worksheets/sheet1.xml", `<worksheet>`+data+`</worksheet>`)
}

func TestXLSXCells(t *testing.T) {
	for _, test := range []struct{ name, attr, cell, want string }{
		{"a shared text in parts", "", `<c t="s"><v>1</v></c>`, "Length"},
		{"a line's end as a code", "", `<c t="s"><v>2</v></c>`, "one⏎two"},
		{"a length, rounded", "", `<c s="1"><v>0.0221296296296296</v></c>`, "duration:0:31:52"},
		{"the same by a built-in format", "", `<c s="6"><v>0.0221296296296296</v></c>`, "duration:0:31:52"},
		{"a length of more than a day", "", `<c s="1"><v>1.32777777777778</v></c>`, "duration:31:52:00"},
		{"a negative length", "", `<c s="1"><v>-5.787037037037037E-5</v></c>`, "duration:-0:00:05"},
		{"a time of day or a length", "", `<c s="4"><v>0.13541666666666666</v></c>`, "clock:3:15:00"},
		{"a number that a format writes whole", "", `<c s="2"><v>107</v></c>`, "number:QV-0107"},
		{"zeros before a barcode by a format", "", `<c s="5"><v>30234000517</v></c>`, "number:00030234000517"},
		{"a barcode with an exponent", "", `<c><v>3.0234000517861E13</v></c>`, "number:30234000517861"},
		{"a day", "", `<c s="3"><v>27166</v></c>`, "date:1974-05-17"},
		{"the same since 1904", ` date1904="1"`, `<c s="3"><v>25704</v></c>`, "date:1974-05-17"},
		{"the first day of 1904", ` date1904="true"`, `<c s="7"><v>0</v></c>`, "date:1904-01-01"},
		{"a day that programs count in two ways", "", `<c s="3"><v>60</v></c>`, "number:60"},
		{"the first day that they count alike", "", `<c s="3"><v>61</v></c>`, "date:1900-03-01"},
		{"a day and a time, rounded", "", `<c s="3"><v>27166.4999999999</v></c>`, "date:1974-05-17T12:00:00"},
		{"a day as ISO 8601", "", `<c t="d"><v>1974-05-17T00:00:00</v></c>`, "date:1974-05-17"},
		{"an error", "", `<c t="e"><f>1/0</f><v>#DIV/0!</v></c>`, "error:#DIV/0!"},
		{"a formula without what it came to", "", `<c><f>A1</f></c>`, "unsaved:"},
		{"a formula that came to nothing", "", `<c t="str"><f>A1</f><v></v></c>`, ""},
		{"a formula that came to a text", "", `<c t="str"><f>A1</f><v>polyester</v></c>`, "polyester"},
		{"a text in its cell", "", `<c t="inlineStr"><is><t>a</t></is></c>`, "a"},
		{"yes", "", `<c t="b"><v>1</v></c>`, "TRUE"},
	} {
		t.Run(test.name, func(t *testing.T) {
			b, err := open(xlsx(t, test.attr, `<sheetData><row><c t="inlineStr"><is><t>x</t></is></c>`+test.cell+`</row></sheetData>`), workbook.Options{})
			if err != nil {
				t.Fatal(err)
			}
			got, _ := shown(t, b, 0)
			want := "1 x"
			if test.want != "" {
				want += "|" + test.want
			}
			if len(got) != 1 || got[0] != want {
				t.Errorf("%q, not %q", got, want)
			}
		})
	}
}

// Each damage is an error, and never fewer rows.
func TestDamaged(t *testing.T) {
	var rows strings.Builder
	for i := 1; i <= 2000; i++ {
		fmt.Fprintf(&rows, `<row r="%d"><c r="A%d" t="inlineStr"><is><t>QV-%04d</t></is></c><c r="B%d"><v>%d</v></c></row>`, i, i, i, i, i*7)
	}
	whole := xlsx(t, "", `<sheetData>`+rows.String()+`</sheetData>`)
	if n, err := all(t, whole); err != nil || n != 2000 {
		t.Fatal(n, err)
	}
	sheet := func(data string) []byte { return xlsx(t, "", data) }
	at := bytes.Index(whole, []byte("xl/worksheets/sheet1.xml")) + 400
	flipped := bytes.Clone(whole)
	flipped[at] ^= 0x10
	directory := bytes.Clone(whole) // the sheet's size in the directory, made small
	entry := bytes.LastIndex(directory, []byte("xl/worksheets/sheet1.xml")) - 46
	copy(directory[entry+24:], []byte{100, 0, 0, 0})
	checksum := bytes.Clone(whole)
	checksum[entry+16] ^= 1
	for _, test := range []struct {
		name string
		text []byte
		why  register.Why
	}{
		{"cut short", whole[:len(whole)*2/3], register.Damaged},
		{"a bit flipped", flipped, register.Damaged},
		{"a size that is too small", directory, register.Damaged},
		{"a wrong checksum", checksum, register.Damaged},
		{"XML cut short", parts(t, "[Content_Types].xml", types, "_rels/.rels", rels, "xl/workbook.xml", fmt.Sprintf(book, ""), "xl/_rels/workbook.xml.rels", brels,
			"xl/worksheets/sheet1.xml", `<worksheet><sheetData><row><c><v>1</v></c></row>`), register.Damaged},
		{"an end of another element", sheet(`<sheetData><row><c><v>1</c></v></row></sheetData>`), register.Damaged},
		{"a control character", sheet("<sheetData><row><c t=\"inlineStr\"><is><t>a\x01</t></is></c></row></sheetData>"), register.Damaged},
		{"no sheet data", sheet(`<x/>`), register.Damaged},
		{"rows out of order", sheet(`<sheetData><row r="2"><c><v>1</v></c></row><row r="1"><c><v>1</v></c></row></sheetData>`), register.Damaged},
		{"a text that isn't there", sheet(`<sheetData><row><c t="s"><v>9</v></c></row></sheetData>`), register.Damaged},
		{"what is no number", sheet(`<sheetData><row><c><v>NaN</v></c></row></sheetData>`), register.Damaged},
		{"a day without end", sheet(`<sheetData><row><c s="3"><v>-Inf</v></c></row></sheetData>`), register.Damaged},
		{"what is no number, in ODS", ods(t, `<table:table table:name="a"><table:table-row><table:table-cell office:value-type="float" office:value="nan"/></table:table-row></table:table>`), register.Damaged},
		{"fields without end", []byte("Number;Title\n" + strings.Repeat(";", 20_000) + "\n"), register.TooLarge},
		{"a document type", sheet("<!DOCTYPE x [<!ENTITY a \"b\">]><sheetData/>"), register.Damaged},
		{"a part that is there twice", parts(t, "[Content_Types].xml", types, "[Content_Types].xml", types), register.Damaged},
		{"a text of 2 MiB", sheet(`<sheetData><row><c t="inlineStr"><is><t>` + strings.Repeat("a", 2<<20) + `</t></is></c></row></sheetData>`), register.TooLarge},
		{"a cell that no program writes", sheet(`<sheetData><row><c t="inlineStr"><is><t>` + strings.Repeat("a", 32_768) + `</t></is></c></row></sheetData>`), register.TooLarge},
		{"a tag without end", sheet(`<sheetData a="` + strings.Repeat("a", 2<<20) + `"/>`), register.TooLarge},
		{"no spreadsheet in it", parts(t, "a.txt", "a"), register.NoSheets},
		{"a text document", parts(t, "[Content_Types].xml", types, "_rels/.rels", rels, "xl/workbook.xml", "<document/>"), register.NoSheets},
		{"a PDF", []byte("%PDF-1.7\n"), register.NoSheets},
		{"a web page under another name", []byte("\n<html><table>"), register.NoSheets},
		{"nothing", nil, register.NoSheets},
		{"of before 2007", []byte("\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 W\x00o\x00r\x00k\x00b\x00o\x00o\x00k\x00"), register.NoSheets},
		{"repeats in ODS", ods(t, `<table:table table:name="a"><table:table-row table:number-rows-repeated="999999999"><table:table-cell table:number-columns-repeated="99999" office:value-type="string"><text:p>a</text:p></table:table-cell></table:table-row></table:table>`), register.TooLarge},
		{"an ODS with a password", parts(t, "META-INF/manifest.xml", `<m:manifest><m:file-entry><m:encryption-data/></m:file-entry></m:manifest>`, "content.xml", "\x01"), register.Locked},
	} {
		t.Run(test.name, func(t *testing.T) {
			if _, err := all(t, test.text); why(err) != test.why {
				t.Errorf("%v (%s)", err, why(err))
			}
		})
	}
}

func ods(t testing.TB, tables string) []byte {
	return parts(t, "META-INF/manifest.xml", "<m/>", "content.xml", `<office:document-content><office:body><office:spreadsheet>`+tables+`</office:spreadsheet></office:body></office:document-content>`)
}

func TestMergedHidden(t *testing.T) {
	b, err := open(xlsx(t, "", `<sheetData><row r="2" hidden="1"><c r="B2"><v>1</v></c></row><row r="3"/></sheetData><mergeCells><mergeCell ref="A2:A4"/></mergeCells>`), workbook.Options{})
	if err != nil {
		t.Fatal(err)
	}
	got, found := shown(t, b, 0)
	if len(got) != 1 || got[0] != "~2 |number:1" {
		t.Errorf("%q", got)
	}
	if len(found.Merged) != 1 || found.Merged[0] != (register.Merge{Line: 2, LastLine: 4}) {
		t.Errorf("%+v", found.Merged)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "register.csv")
	if err := os.WriteFile(file, []byte("Number\nQV-1\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	if f, err := workbook.Load(t.Context(), file); err != nil || len(f.Notes) > 0 {
		t.Fatal(f.Notes, err)
	}
	// As LibreOffice 7.4.7 writes it, but for three bytes that no name has.
	lock := filepath.Join(dir, ".~lock.register.csv#")
	if err := os.WriteFile(lock, []byte(",an\x1b\xff\x00a,studio-pc,30.11.2026 09:12,file:///home/ana/.config/libreoffice/4;"), 0o666); err != nil {
		t.Fatal(err)
	}
	f, err := workbook.Load(t.Context(), file)
	if err != nil || len(f.Notes) != 1 || !strings.Contains(f.Notes[0], "by ana on the computer studio-pc since 30.11.2026 09:12") {
		t.Error(f.Notes, err)
	}
	if _, err := workbook.Load(t.Context(), lock); why(err) != register.NoSheets {
		t.Error(err)
	}
	if _, err := workbook.Load(t.Context(), dir); why(err) != register.NoSheets {
		t.Error(err)
	}
	if _, err := workbook.Load(t.Context(), file+"x"); why(err) != register.Lacking {
		t.Error(err)
	}
}

// A workbook with a password opens with it alone. locked-standard.xlsx was written by
// LibreOffice 7.4.7 from reels.fods (storeToURL with EncryptionData, CryptoType Standard),
// locked-agile.xlsx by the npm module officecrypto-tool 0.0.19 from reels-1900.xlsx, and
// LibreOffice opens it: the two encryptions of ECMA-376 (MS-OFFCRYPTO 2.3.4). locked.ods is
// LibreOffice's too. The password is lark.
func TestPassword(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"locked-standard.xlsx", "locked-agile.xlsx"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			locked := sample(t, name)
			same(t, name, locked, "lark")
			for password, says := range map[string]string{"": "has a password. Put the password into a file", "Lark": "isn't the workbook's"} {
				if _, err := open(locked, workbook.Options{Password: password}); why(err) != register.Locked || !strings.Contains(err.Error(), says) {
					t.Errorf("with %q: %v", password, err)
				}
			}
			if _, err := open(locked[:len(locked)/2], workbook.Options{Password: "lark"}); why(err) != register.Damaged {
				t.Errorf("cut short: %v", err)
			}
			for at := 100; at < len(locked); at += len(locked) / 5 { // none of these may end the program
				bad := bytes.Clone(locked)
				bad[at] ^= 0xff
				b, err := open(bad, workbook.Options{Password: "lark"})
				if agile := name == "locked-agile.xlsx"; agile && at > len(locked)/3 && at < len(locked)/2 && (why(err) != register.Damaged || !strings.Contains(err.Error(), "isn't what was written")) {
					t.Errorf("a changed byte of what is encrypted, %d: %v", at, err)
				}
				if err == nil {
					if got, _ := shown(t, b, 0); !slices.Equal(got, reels) {
						t.Errorf("byte %d: %q", at, got)
					}
				}
			}
		})
	}
	if _, err := open(sample(t, "locked.ods"), workbook.Options{Password: "lark"}); why(err) != register.Locked || !strings.Contains(err.Error(), "Save it without one") {
		t.Error(err)
	}
}

func sample(t *testing.T, name string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// Macros are never run, and needed for nothing: that there are some is said, and the sheets
// are read like others.
func TestMacros(t *testing.T) {
	t.Parallel()
	sheet := []string{"[Content_Types].xml", `<Types><Override PartName="/xl/workbook.xml" ContentType="application/vnd.ms-excel.sheet.macroEnabled.main+xml"/></Types>`, "_rels/.rels", rels,
		"xl/workbook.xml", fmt.Sprintf(book, ""), "xl/_rels/workbook.xml.rels", brels, "xl/worksheets/sheet1.xml", `<worksheet><sheetData><row><c t="inlineStr"><is><t>QV-1</t></is></c></row></sheetData></worksheet>`}
	table := `<office:document-content><office:body><office:spreadsheet><table:table table:name="a"><table:table-row><table:table-cell office:value-type="string"><text:p>QV-1</text:p></table:table-cell></table:table-row></table:table></office:spreadsheet></office:body></office:document-content>`
	for name, text := range map[string][]byte{
		"a project":     parts(t, append(sheet, "xl/vbaProject.bin", "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 Auto_Open")...),
		"a macro sheet": parts(t, append(sheet, "xl/macrosheets/sheet1.xml", "<x")...),
		"ODS":           parts(t, "META-INF/manifest.xml", "<m/>", "content.xml", table, "Basic/Standard/Module1.xml", "<x"),
	} {
		b, err := open(text, workbook.Options{})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got, _ := shown(t, b, 0); !slices.Equal(got, []string{"1 QV-1"}) || len(b.Notes) != 1 || !strings.Contains(b.Notes[0], "macros. Firmus runs none of them") {
			t.Errorf("%s: %q, %q", name, got, b.Notes)
		}
	}
	if b, err := open(parts(t, sheet...), workbook.Options{}); err != nil || len(b.Notes) > 0 {
		t.Errorf("without macros: %q, %v", b.Notes, err)
	}
}

// while does something to a file while it is read: when it is opened for the nth time, before
// a byte of it is read, or after half of it.
type while struct {
	fs.File
	half int
	do   func()
}

func (w *while) Read(p []byte) (int, error) {
	if w.do != nil {
		if w.half <= 0 {
			w.do()
			w.do = nil
		} else if len(p) > w.half {
			p = p[:w.half]
		}
	}
	n, err := w.File.Read(p)
	w.half -= n
	return n, err
}

// Nothing is believed of a file that is changed while it is read, in whichever way.
func TestChangedWhileRead(t *testing.T) {
	t.Parallel()
	const old, news = "Number;Title\nQV-1;Lark\nQV-2;Wren\n", "Number;Title\nQV-1;Lark\nQV-2;Linnet\n"
	put := func(t *testing.T, path, text string) {
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		name string
		do   func(t *testing.T, path string)
		why  [2]register.Why // during the first reading and during the second
	}{
		{"nothing", func(*testing.T, string) {}, [2]register.Why{}},
		{"replaced by rename", func(t *testing.T, path string) {
			put(t, path+".new", news)
			if err := os.Rename(path+".new", path); err != nil {
				t.Fatal(err)
			}
		}, [2]register.Why{register.Changing, register.Changing}},
		{"replaced by the same", func(t *testing.T, path string) {
			put(t, path+".new", old)
			if err := os.Rename(path+".new", path); err != nil {
				t.Fatal(err)
			}
		}, [2]register.Why{register.Changing, register.Changing}},
		{"written over", func(t *testing.T, path string) { put(t, path, news) }, [2]register.Why{register.Changing, register.Changing}},
		{"cut short", func(t *testing.T, path string) {
			if err := os.Truncate(path, 20); err != nil {
				t.Fatal(err)
			}
		}, [2]register.Why{register.Changing, register.Changing}},
		{"emptied", func(t *testing.T, path string) { put(t, path, "") }, [2]register.Why{register.Changing, register.Changing}},
		{"grown", func(t *testing.T, path string) { put(t, path, old+"QV-3;Finch\n") }, [2]register.Why{register.Changing, register.Changing}},
		{"gone", func(t *testing.T, path string) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}, [2]register.Why{register.Away, register.Changing}},
		{"a folder in its place", func(t *testing.T, path string) {
			if err := errors.Join(os.Remove(path), os.Mkdir(path, 0o777)); err != nil {
				t.Fatal(err)
			}
		}, [2]register.Why{register.NoSheets, register.Changing}},
	} {
		for reading := range 2 {
			path := filepath.Join(t.TempDir(), "register.csv")
			put(t, path, old)
			n := 0
			f, err := workbook.LoadBy(t.Context(), path, func(path string) (fs.File, error) {
				f, err := os.Open(path)
				if n++; err != nil || n != reading+1 {
					return f, err
				}
				return &while{f, len(old) / 2, func() { c.do(t, path) }}, nil
			})
			if why(err) != c.why[reading] {
				t.Errorf("%s during reading %d: %v", c.name, reading+1, err)
			}
			if err == nil && string(f.Bytes) != old {
				t.Errorf("%s during reading %d: %q", c.name, reading+1, f.Bytes)
			}
		}
	}
}

// The file of a password is a file, and short: a folder, a device or more than that is refused.
func TestSmall(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "password")
	if err := os.WriteFile(file, []byte("lark"), 0o600); err != nil {
		t.Fatal(err)
	}
	if b, err := workbook.Small(t.Context(), file, 4); err != nil || string(b) != "lark" {
		t.Errorf("%q, %v", b, err)
	}
	for path, most := range map[string]int64{dir: 4096, os.DevNull: 4096, file: 3} {
		if b, err := workbook.Small(t.Context(), path, most); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("%s, %d bytes at most: %q, %v", path, most, b, err)
		}
	}
}
