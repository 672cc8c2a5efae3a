package workbook_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
)

// million are a million formatted rows without contents.
const million = `<table:table-row table:number-rows-repeated="1000000"><table:table-cell table:style-name="span" table:number-columns-repeated="14"/></table:table-row>`

// convert has LibreOffice write spreadsheets out of flat ones; it is skipped where there is
// none.
func convert(t *testing.T, to string, flat map[string]string) map[string][]byte {
	t.Helper()
	if _, err := exec.LookPath("soffice"); err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal(err)
		}
		t.Skip("no soffice: Debian's libreoffice-calc writes the spreadsheets")
	}
	dir := t.TempDir()
	args := []string{"-env:UserInstallation=file://" + filepath.ToSlash(dir) + "/profile", "--headless", "--convert-to", to, "--outdir", dir}
	for name, text := range flat {
		file := filepath.Join(dir, name+".fods")
		if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		args = append(args, file)
	}
	if out, err := exec.CommandContext(t.Context(), "soffice", args...).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	ext, _, _ := strings.Cut(to, ":")
	files := map[string][]byte{}
	for name := range flat {
		text, err := os.ReadFile(filepath.Join(dir, name+"."+ext))
		if err != nil {
			t.Fatal(err)
		}
		files[name] = text
	}
	return files
}

// reels are the lines of testdata/reels.fods.
var reels = []string{
	"1 Number|Length",
	"2 number:QV-0107|duration:0:31:52",
	"3 |duration:31:52:00",
	"~4 hidden|clock:3:15:00",
	"~5 filtered|duration:32:23:52",
	"6 day|date:1974-05-17",
	"7 error|error:#DIV/0!",
	"8 barcode|number:30234000517861",
	"9 zeros|number:00030234000517",
	"10 text|31:52⏎two  lines  x",
	"11 below|duration:-0:00:05",
	"12 last",
}

// same holds a spreadsheet that LibreOffice wrote of testdata/reels.fods against what was meant.
func same(t *testing.T, name string, text []byte, password string) {
	t.Helper()
	b, err := open(text, workbook.Options{Password: password})
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Sheets) != 1 || b.Sheets[0].Name != "Reels" || b.Sheets[0].Hidden {
		t.Fatalf("%s: %+v", name, b.Sheets)
	}
	got, found := shown(t, b, 0)
	all := append([]string{}, reels...)
	if name == "empty" {
		all[len(all)-1] = "1000012 last"
	}
	if d := cmp.Diff(all, got); d != "" {
		t.Errorf("%s: %s", name, d)
	}
	if d := cmp.Diff([]register.Merge{{Line: 2, LastLine: 3}}, found.Merged); d != "" || found.Comments != 1 {
		t.Errorf("%s: %s, %d remarks", name, d, found.Comments)
	}
}

// LibreOffice 7.4.7 wrote these, so that the check needs no program.
func TestWrittenByLibreOffice(t *testing.T) {
	for _, name := range []string{"reels-1900.xlsx", "reels-1904.xlsx", "reels-1900.ods"} {
		same(t, name, sample(t, name), "")
	}
}

// What LibreOffice makes of testdata/reels.fods, in each kind of file and by both epochs.
func TestLibreOffice(t *testing.T) {
	text, err := os.ReadFile("testdata/reels.fods")
	if err != nil {
		t.Fatal(err)
	}
	flatOf := func(epoch, empty string) string {
		return strings.NewReplacer("NULLDATE", epoch, "MILLION", empty).Replace(string(text))
	}
	for _, kind := range []struct{ name, to string }{{"XLSX", "xlsx"}, {"ODS", "ods"}} {
		t.Run(kind.name, func(t *testing.T) {
			t.Parallel()
			flat := map[string]string{"1900": flatOf("1899-12-30", ""), "1904": flatOf("1904-01-01", "")}
			if kind.name == "ODS" { // as XLSX LibreOffice takes a minute for them
				flat["empty"] = flatOf("1899-12-30", million)
			}
			for name, text := range convert(t, kind.to, flat) {
				same(t, name, text, "")
			}
		})
	}
	t.Run("CSV", func(t *testing.T) {
		t.Parallel()
		// Semicolons, quotation marks, UTF-8; what is shown, each text in quotation marks.
		for _, text := range convert(t, "csv:Text - txt - csv (StarCalc):59,34,76,1,,0,true", map[string]string{"1900": flatOf("1899-12-30", "")}) {
			b, err := open(text, workbook.Options{})
			if err != nil {
				t.Fatal(err)
			}
			got, _ := shown(t, b, 0)
			csv := []string{"1 Number|Length", "2 QV-0107|0:31:52", "3 |31:52:00", "4 hidden|3:15", "5 filtered|32:23:52", "6 day|17.05.1974", "7 error|#DIV/0!", "8 barcode|3E+13",
				"9 zeros|00030234000517", "10 text|31:52⏎two  lines  x", "11 below|-0:00:05", "12 last|"}
			if d := cmp.Diff(csv, got); d != "" {
				t.Error(d)
			}
		}
	})
}
