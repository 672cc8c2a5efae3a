package app_test

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/preview"
	"firmus/cmd/firmus/internal/register/workbook"
	"firmus/cmd/firmus/internal/report"
)

// What the configuration says of the register is what it is held against the ledger by.
func TestRegisterSettings(t *testing.T) {
	t.Parallel()
	c, err := config.Parse([]byte(`name = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[store.studio]
kind = "disk"
arrivals = true
sets = { masters = "masters" }
[register]
file = "register.csv"
columns = { item = "Number", restricted = "Access" }
restricted = { Public = "no", "no " = "no", NO = "yes" }
`), filepath.Join(t.TempDir(), "firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	var rows []register.Row
	for i, w := range []string{"public", "no", "open", ""} {
		rows = append(rows, register.Row{Line: i + 2, Cells: map[register.Field]register.Cell{
			register.Item: {Text: string(rune('1' + i)), Kind: register.TextCell}, register.Restricted: {Text: w}}})
	}
	var got []bool
	for _, s := range register.Reconcile(rows, register.Known{}, app.RegisterSettings(c.Register)).Says {
		got = append(got, s.Restricted)
	}
	if want := []bool{false, true, true, true}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// Each telling of the register has its sentence, with every value that it names.
func TestRegisterRowWords(t *testing.T) {
	t.Parallel()
	a := register.Apart
	of := "QV-0001" + a + "A" + a + "2"
	for telling, x := range map[register.Telling]struct {
		values []string
		want   string
	}{
		register.NoneFits:      {[]string{"QV-0001"}, "No row has the number of an item under care, such as QV-0001. Is this the right column?"},
		register.Absent:        {[]string{of, "Done on", "2026-03-01"}, "The row says that QV-0001 side A track 2 was digitised (Done on: 2026-03-01), and no file of it is under care."},
		register.AbsentFile:    {[]string{"a.wav", of}, "The row names the file a.wav, and no such file of QV-0001 side A track 2 is under care."},
		register.AbsentTrack:   {[]string{of}, "The row says that QV-0001 side A track 2 was digitised, and there is no file of this track."},
		register.Foreign:       {[]string{"QV-0002", "a.wav", "QV-0001"}, "The row's number is QV-0002, and its file a.wav belongs to QV-0001."},
		register.NoRow:         {[]string{"1", "QV-0001" + a + "A" + a}, "1 file of QV-0001 side A is under care, and the register has no row for it."},
		register.Double:        {[]string{of, "7" + a + "Old" + a + "true"}, `This row is about QV-0001 side A track 2, and so is row 7 of the sheet "Old", which is hidden.`},
		register.SameBarcode:   {[]string{"123", "QV-0002", "7" + a + a + "false"}, "The barcode 123 is that of QV-0002 too, in row 7."},
		register.Elsewhere:     {[]string{of, "D:/x", "masters/y"}, "The row says that QV-0001 side A track 2 is in D:/x, and its files are in masters/y."},
		register.NoDay:         {[]string{"3/2"}, `"3/2" is not understood as a day: write it as 2026-03-02.`},
		register.LateDay:       {[]string{of, "5.3.", "2026-03-02"}, "The row says that QV-0001 side A track 2 was digitised on 5.3., and its file was under care on 2 March 2026 already."},
		register.NoMeaning:     {[]string{"Sheds"}, `Nobody has said yet what "Sheds" means here: yes, not again, or never. Until then it means nothing.`},
		register.BarcodeOf:     {[]string{"12", "123", "QV-0001"}, "The number is 12, and the barcode 123 belongs to QV-0001."},
		register.NoBase:        {[]string{"0101", "2"}, "The number 0101 stands for 2 reels, and this row has no base."},
		register.ManyBases:     {[]string{"0101", "2"}, "The number 0101 stands for 2 reels, and no file says which one it is of."},
		register.NoNumber:      {nil, "The row has no number, and so it is compared with nothing."},
		register.LessThanNone:  {[]string{"-0:05"}, "The length -0:05 is less than nothing."},
		register.DateStored:    {[]string{"2026-03-04"}, "A date is stored instead of a length: 2026-03-04. A spreadsheet program makes one of 3/4 or 3-4."},
		register.ErrorStored:   {[]string{"#REF!"}, "The cell holds no length but the error #REF! of its formula."},
		register.NotALength:    {[]string{"full"}, `"full" is not understood as a length: write it as 31:52, or 0:31:52 in a spreadsheet program.`},
		register.TracksLonger:  {[]string{of, "3912", "20:00"}, "The rows of the tracks of QV-0001 side A track 2 add up to 1:05:12, and its own row says 20:00."},
		register.RowsApart:     {[]string{of, "60", "59"}, "The rows of QV-0001 side A track 2 add up to 1:00, and its files are 0:59 long."},
		register.MergedApart:   {[]string{"48:00", "3602", "QV-1" + a + "A" + a, "QV-1" + a + "B" + a}, "One merged cell says 48:00 for QV-1 side A and QV-1 side B, and their files are 1:00:02 long together."},
		register.SixtyTimes:    {[]string{"31:52:00", "a.wav" + a + a + "0", "1912"}, "The row says 31:52:00, which is 60 times as long as a.wav (31:52): were minutes and seconds meant?"},
		register.TwiceAsLong:   {[]string{"56:20", a + "tracks" + a + "2", "1690"}, "The row says 56:20, which is twice as long as the sum of 2 tracks (28:10): tape speed?"},
		register.HalfAsLong:    {[]string{"14:05", a + "files" + a + "1", "1690"}, "The row says 14:05, which is half as long as the sum of 1 file (28:10): tape speed?"},
		register.LengthApart:   {[]string{"3:15", a + "sides" + a + "2", "1690", "195", "11700"}, "The row says 3:15 (3:15 or 3:15:00), and the sum of its sides is 28:10 long."},
		register.DigitsHidden:  {[]string{"3E+13"}, `"3E+13" is what a spreadsheet program shows of a long number: the digits behind it are lost here. Format the column as text, and type the number again.`},
		register.DigitsCut:     {[]string{"1111222233334440", "1"}, "1111222233334440 ends in a zero behind its fifteenth digit: a spreadsheet program keeps no more digits of a number. Format the column as text, and type the number again."},
		register.DigitsFewer:   {[]string{"123", "3", "14"}, "123 has 3 digits, and most of the column have 14."},
		register.ZerosDropped:  {[]string{"123", "3", "5", "00123"}, "123 has 3 digits, and most of the column have 5: a spreadsheet program drops zeros in front. Is it 00123?"},
		register.WrongCheck:    {[]string{"35555000012349"}, "The check digit of 35555000012349 is wrong: a digit was mistyped, or two are exchanged. Compare it with the label."},
		register.ZerosLacking:  {[]string{"123", "a.wav", "00123"}, "123 lacks zeros in front: the file a.wav has 00123. A spreadsheet program drops them."},
		register.OtherBarcode:  {[]string{"123", "124", "a.wav"}, "The barcode is 123 here, and 124 in the name of a.wav."},
		register.UnknownDisc:   {[]string{"759"}, "The row names disc 759, which is not on the list of discs."},
		register.OthersDisc:    {[]string{of, "759", "QV-2", "QV-3"}, "The row of QV-0001 side A track 2 names disc 759, which holds files of QV-2 and QV-3 only."},
		register.UnnamedDisc:   {[]string{"759", of}, "Disc 759 holds a file of QV-0001 side A track 2, and the register doesn't name it."},
		register.FewDiscs:      {[]string{"1", of, "2"}, "The register has 1 disc of QV-0001 side A track 2, and each side should be on 2."},
		register.ErrorShown:    {[]string{"#REF!"}, "The cell shows the error #REF! instead of a value."},
		register.ValueUnsaved:  {nil, "The cell holds a formula whose result isn't in the file. Open the register in the spreadsheet program and save it."},
		register.LetterLost:    {[]string{"B�rger"}, "\"B�rger\" holds a character that was lost when the file was saved."},
		register.LoneQuote:     {nil, "A quotation mark stands alone in a field. It is taken as it stands; a program that writes CSV would have doubled it."},
		register.FieldsTooMany: {[]string{"5", "4", ";"}, `The row has 5 fields, where others have 4. A separator (";") may stand in a text without quotation marks.`},
	} {
		if got := report.RegisterRow(append([]string{string(telling)}, x.values...)); got != x.want {
			t.Errorf("%s: %s, want %s", telling, got, x.want)
		}
		if slices.Index(register.Tellings, telling) < 0 {
			t.Errorf("%s is in no list", telling)
		}
	}
	for _, x := range register.Tellings {
		if s := report.RegisterRow([]string{string(x)}); s == string(x) || strings.Contains(s, "%!") { // a ledger that lacks values ends nothing
			t.Errorf("%s has no words: %q", x, s)
		}
	}
	for want, tells := range map[string][]string{"says 3:15": {"says 3:15"}, "": nil, `The length "\x1b[2J" is less than nothing.`: register.Tell(register.LessThanNone, "\x1b[2J")} {
		if got := report.RegisterRow(tells); got != want {
			t.Errorf("%q: %q", tells, got)
		}
	}
}

// The configuration knows no package that reads registers: its names are held against theirs.
func TestRegisterNames(t *testing.T) {
	t.Parallel()
	var fields, rules []string
	for _, f := range register.Fields {
		fields = append(fields, preview.Key(f))
	}
	for _, r := range register.Rules {
		rules = append(rules, string(r))
	}
	for _, x := range [][2][]string{{config.RegisterColumns, fields}, {config.RegisterRules, rules}, {config.RegisterEncodings, workbook.Encodings}} {
		if !slices.Equal(slices.Sorted(slices.Values(x[0])), slices.Sorted(slices.Values(x[1]))) {
			t.Errorf("the configuration has %q, and it is read as %q", x[0], x[1])
		}
	}
}

// The daemon reads the register when its file has changed, and when the configuration has.
func TestDaemonReadsTheRegister(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, `[register]
file = "register.csv"
columns = { item = "Number", restricted = "Access" }
`)
	row := "Number,Access\nQV-0100,open\n"
	w.put("register.csv", []byte(row), time.Now().Add(-time.Hour))
	r := w.daemon(addr)
	reads := func(n int) func() bool {
		return func() bool { return strings.Count(r.log.text(), "the register was read") >= n }
	}
	restricted := func(want bool) {
		t.Helper()
		a := w.open()
		defer a.Close()
		if got, err := a.Acts.Restricted(t.Context(), "QV-0100"); err != nil || got != want {
			t.Errorf("restricted: %v, %v; want %v", got, err, want)
		}
	}
	r.within(time.Minute, "it is read", reads(1))
	restricted(false)
	w.put("register.csv", []byte(row+"QV-0101,closed\n"), time.Now())
	r.within(time.Minute, "it is read once it changes", reads(2))
	text, err := os.ReadFile(w.path("firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	w.put("firmus.toml", bytes.Replace(text, []byte("[register]"), []byte("[register]\nrestricted = { open = \"yes\" }"), 1), time.Now())
	r.reload <- struct{}{}
	r.within(time.Minute, "it is read once the configuration changes", reads(3))
	restricted(true)
}
