package register_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/register"
	"firmus/fixity"
)

// said are problems in short: the row, the rule and what they are about.
func said(r register.Result) (out []string) {
	for _, p := range r.Problems {
		out = append(out, strings.TrimSpace(fmt.Sprintf("%d %s %s", p.Row, p.Rule, p.Column)))
	}
	return out
}

func TestReconcile(t *testing.T) {
	one := []string{"masters/QV-0001/QV-0001_A.wav 31m52s", "masters/QV-0001/QV-0001_B.wav 28m10s"}
	cut := append(slices.Clone(one), "access/QV-0001/QV-0001_A_01.wav 15m", "access/QV-0001/QV-0001_A_02.wav 16m")
	pieces := []string{"access/QV-0001/QV-0001_A_01.wav 15m", "access/QV-0001/QV-0001_A_02.wav 16m"}
	for _, c := range []struct {
		name  string
		files []string
		heads string
		rows  []string
		want  []string
	}{
		{"all agrees", one, "item|side|length|digitised", []string{"QV-0001|A|31:52|2026-03-01", "QV-0001|B|28:10|2026-03-01", "QV-0002|A||"}, nil},
		{"a claim, and nothing there", one, "item|side|digitised", []string{"QV-0001||", "QV-0002|A|2026-03-01", "QV-0003|A|no", "QV-0004|A|not yet"}, []string{"3 absent digitised"}},
		{"a disc claims too", one, "item|side|disc", []string{"QV-0001||", "QV-0002|A|0759", "QV-0003|A|"}, []string{"3 absent disc"}},
		{"a file that isn't there", one, "item|file", []string{"QV-0001|QV-0001_A.wav", "QV-0001|QV-0001_C.wav"}, []string{"3 absent file"}},
		{"a file of another item", append(one, "masters/QV-0002/QV-0002_A.wav"), "item|file", []string{"QV-0001|", "QV-0002|QV-0001_A.wav"}, []string{"3 number file"}},
		{"a track that isn't there", cut, "item|side|track|digitised", []string{"QV-0001|||", "QV-0001|A|1|2026-03-01", "QV-0001|A|3|2026-03-01", "QV-0001|B|1|2026-03-01"}, []string{"4 absent digitised"}},
		{"a file without a row", append(one, "masters/QV-0002/QV-0002_A.wav"), "item|side", []string{"QV-0001|A"}, []string{"0 no-row item", "0 no-row item"}},
		{"no number fits", one, "item|side", []string{"Songs|A", "Talk|B"}, []string{"2 number item"}},

		{"shorter", one, "item|side|length", []string{"QV-0001|A|30:52", "QV-0001|B|28:11"}, []string{"2 length length"}},
		{"minutes", one, "item|side|length", []string{"QV-0001|A|appx 32 min", "QV-0001|B|29 min"}, []string{"3 length length"}},
		{"either reading", one, "item|side|length", []string{"QV-0001|A|31.52", "QV-0001|B|28.17"}, nil},
		{"neither reading", one, "item|side|length", []string{"QV-0001|A|31.10", "QV-0001|B|"}, []string{"2 length length"}},
		{"the other speed", one, "item|side|length", []string{"QV-0001|A|1:03:44", "QV-0001|B|14:05"}, []string{"2 speed length", "3 speed length"}},
		{"minutes and seconds stored as hours and minutes", one, "item|side|length", []string{"QV-0001|A|31:52:00", "QV-0001|B|28:10"}, []string{"2 sixty length"}},
		{"words", one, "item|side|length", []string{"QV-0001|A|full", "QV-0001|B|?"}, []string{"2 length length"}},
		{"a whole reel", one, "item|length", []string{"QV-0001|1:00:02"}, nil},
		{"a whole reel, too short", one, "item|length", []string{"QV-0001|55 min"}, []string{"2 length length"}},
		{"a track", cut, "item|side|track|length", []string{"QV-0001||", "QV-0001|A|1|15:00", "QV-0001|A|2|17:00"}, []string{"4 length length"}},
		{"a side of tracks, with gaps", pieces, "item|side|length", []string{"QV-0001|A|31:30"}, nil},
		{"a side of tracks, with much more", pieces, "item|side|length", []string{"QV-0001|A|38:00"}, []string{"2 length length"}},
		{"a side of tracks, with less", pieces, "item|side|length", []string{"QV-0001|A|29:00"}, []string{"2 length length"}},
		{"rows of tracks longer than their side", cut, "item|side|track|length", []string{"QV-0002|A||20:00", "QV-0002|A|1|15:00", "QV-0002|A|2|15:00", "QV-0001||"}, []string{"3 length length"}},
		{"pieces without numbers", one, "item|side|title|length", []string{"QV-0001|A|The mill|15:00", "QV-0001|A|The weir|16:30", "QV-0001|B||28:10"}, nil},
		{"pieces that are too long", one, "item|side|title|length", []string{"QV-0001|A|The mill|15:00", "QV-0001|A|The weir|26:30", "QV-0001|B||28:10"}, []string{"2 length length"}},
		{"two transfers of one side", []string{"masters/QV-1/QV-1_A.wav 31m52s", "masters/QV-1/flat/QV-1_A.wav 31m40s"}, "item|side|length", []string{"QV-1|A|31:52"}, nil},

		{"two rows", one, "item|side|title", []string{"QV-0001|A|Songs", "QV-0001|A|Songs", "QV-0001|B|Songs"}, []string{"3 double item"}},
		{"two rows, one without a title", one, "item|side|title", []string{"QV-0001|A|", "QV-0001|A|", "QV-0001|B|Songs"}, []string{"3 double item"}},
		{"one barcode", one, "item|barcode", []string{"QV-0001|30234000517861", "QV-0002|30234000517861", "QV-0003|?", "QV-0004|?"}, []string{"3 double barcode"}},

		{"the folder", one, "item|side|folder", []string{`QV-0001|A|D:\studio\masters\QV-0001`, "QV-0001|B|QV-0010"}, []string{"3 folder folder"}},
		{"a day after the intake", one, "item|side|digitised", []string{"QV-0001|A|2026-03-05", "QV-0001|B|2026-03-03"}, []string{"2 date digitised"}},
		{"no day", one, "item|side|digitised", []string{"QV-0001|A|3/2/2026", "QV-0001|B|yes"}, []string{"2 date digitised"}},
		{"no number", one, "item|side|digitised", []string{"|A|2026-03-01", "QV-0001||", "Box 4||"}, []string{"2 number item"}},
		{"archival dates", one, "item|side|recorded", []string{"QV-0001|A|ca. 1956", "QV-0001|B|195-"}, nil},
	} {
		k := files(t, pattern, c.files...)
		r := register.Reconcile(table(c.heads, c.rows...), k, register.Settings{})
		if got := said(r); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
			for _, p := range r.Problems {
				t.Logf("%q", p.Tells)
			}
		}
		off := register.Reconcile(table(c.heads, c.rows...), k, register.Settings{Off: register.Rules})
		if len(off.Problems) > 0 {
			t.Errorf("%s: with every rule off: %q", c.name, said(off))
		}
	}
}

// A length in a cell that is merged over several rows is that of all they are about, or that
// of each; if neither fits, that is said once.
func TestMergedLengths(t *testing.T) {
	t.Parallel()
	sided := []string{"masters/QV-0001/QV-0001_A.wav 31m52s", "masters/QV-0001/QV-0001_B.wav 28m10s"}
	alike := []string{"masters/QV-0001/QV-0001_A.wav 30m", "masters/QV-0001/QV-0001_B.wav 30m1s"}
	plain := []string{"masters/QV-0001/QV-0001.wav 1h"}
	cut := append([]string{"access/QV-0001/QV-0001_A_01.wav 15m", "access/QV-0001/QV-0001_A_02.wav 16m"}, sided...)
	for _, c := range []struct {
		name   string
		files  []string
		rows   []string
		merged int // rows from the first on
		want   []string
	}{
		{"all of both", sided, []string{"A|||1:00:02", "B|||"}, 2, nil},
		{"each of both", alike, []string{"A|||30:00", "B|||"}, 2, nil},
		{"twice as long as one", alike, []string{"A|||60:00", "B|||"}, 2, nil},
		{"neither", sided, []string{"A|||48:00", "B|||"}, 2, []string{"2 length length"}},
		{"that of the first alone", sided, []string{"A|||31:52", "B|||"}, 2, []string{"2 length length"}},
		{"no length", sided, []string{"A|||full", "B|||"}, 2, []string{"2 length length"}},
		{"a blank", sided, []string{"A|||", "B|||"}, 2, nil},
		{"not merged", sided, []string{"A|||48:00", "B|||48:00"}, 0, []string{"2 length length", "3 length length"}},
		{"names that don't tell sides", plain, []string{"A|||1:00:00", "B|||"}, 2, nil},
		{"the same, too long", plain, []string{"A|||1:20:00", "B|||"}, 2, []string{"2 length length"}},
		{"pieces of a side", sided, []string{"A||Mill|31:52", "A||Weir|", "B|||28:10"}, 2, nil},
		{"some pieces of a side", sided, []string{"A||Mill|21:52", "A||Weir|", "A||Lark|10:00", "B|||"}, 2, nil},
		{"tracks", cut, []string{"A|1||31:00", "A|2||", "B|||"}, 2, nil},
	} {
		rows := make([]string, len(c.rows))
		for i, r := range c.rows {
			rows[i] = "QV-0001|" + r
		}
		all := table("item|side|track|title|length", rows...)
		for i := range c.merged {
			cell := all[0].Cells[register.Length]
			cell.Over = 2
			all[i].Cells[register.Length] = cell
		}
		r := register.Reconcile(all, files(t, pattern, c.files...), register.Settings{})
		if got := said(r); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
			for _, p := range r.Problems {
				t.Logf("%q", p.Tells)
			}
		}
		for _, s := range r.Says {
			if c.merged > 0 && c.rows[0][0] != c.rows[1][0] && len(s.Length.Readings) > 0 {
				t.Errorf("%s: the length of side %s alone is said to be %s", c.name, s.Side, s.Length.Text)
			}
		}
	}
}

// A number that is an error says nothing of whose row it is, nor whose the rows below are.
func TestNumbersThatAreErrors(t *testing.T) {
	t.Parallel()
	rows := table("item|side|length", "QV-0001|A|31:52", "#DIV/0!|B|9:00", "|B|9:00", "#DIV/0!|B|9:00")
	for _, i := range []int{1, 3} {
		c := rows[i].Cells[register.Item]
		c.Kind = register.ErrorCell
		rows[i].Cells[register.Item] = c
	}
	r := register.Reconcile(rows, files(t, pattern, "masters/QV-0001/QV-0001_A.wav 31m52s"), register.Settings{})
	if len(r.Problems) > 0 || len(r.Tied) != 1 || r.Rows != 4 {
		t.Errorf("%q, %+v", said(r), r.Tied)
	}
}

// Wide digits and letters are what they look like.
func TestWideNumbers(t *testing.T) {
	t.Parallel()
	k := files(t, pattern, "masters/QV-0001/QV-0001_A.wav 31m52s")
	r := register.Reconcile(table("item|side|length", "ＱＶ－０００１|Ａ|３１：５２"), k, register.Settings{})
	if got := shown(k, r); len(r.Problems) > 0 || !slices.Equal(got, []string{"2 QV-0001 A m:QV-0001_A.wav"}) {
		t.Errorf("%q, %q", said(r), got)
	}
}

// What problems tell; package report has the sentences.
func TestTells(t *testing.T) {
	k := files(t, pattern, "masters/QV-0001/QV-0001_A.wav 31m52s", "masters/QV-0001/QV-0001_B.wav 28m10s", "masters/QV-0003/QV-0003_A.wav 2m")
	rows := table("item|side|length|digitised|playable", "QV-0001|A|31:52:00||Sheds", "QV-0001|B|56:20|2026-03-01|", "QV-0002|A||2026-03-01|", "QV-0003|B|31.52||")
	r := register.Reconcile(rows, k, register.Settings{Heads: map[register.Field]string{register.Length: "Duration", register.Digitised: "Done on", register.Item: "Number"}})
	var got []string
	for _, p := range r.Problems {
		got = append(got, fmt.Sprintf("%d %s: %s", p.Row, p.Column, strings.ReplaceAll(strings.Join(p.Tells, "|"), register.Apart, ",")))
	}
	want := []string{
		"2 Duration: sixty-times|31:52:00|QV-0001/QV-0001_A.wav,,0|1912",
		"2 playable: no-meaning|Sheds",
		"3 Duration: twice-as-long|56:20|QV-0001/QV-0001_B.wav,,0|1690",
		"4 Done on: absent|QV-0002,A,|Done on|2026-03-01",
		"0 Number: no-row|1|QV-0003,A,",
	}
	if !slices.Equal(got, want) {
		t.Errorf("%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if r.Rows != 4 || r.Matched != 2 || r.ToTransfer != 1 {
		t.Errorf("%d rows, %d matched, %d to transfer", r.Rows, r.Matched, r.ToTransfer)
	}
}

// Published numbers: 30234000517861 and 33191000105864 are examples of library barcodes (a
// consortium's questions and answers, jerseycat.org), 35555000012349 is a school handbook's
// sample whose check digit is wrong, 79927398713 and 612481 are the usual examples of
// ISO/IEC 7812-1; 9780306406157 is the ISBN-13 of truevue.org, 4006381333931 an EAN-13 from
// memory. The other numbers are made for the column.
func TestBarcodes(t *testing.T) {
	luhn := []string{"30234000517861", "33191000105864", "30234000517879", "30234000517887", "30234000517895"}
	ean := []string{"4006381333931", "9780306406157", "4006381333948", "4006381333955", "4006381333962"}
	for _, c := range []struct {
		name    string
		codes   []string
		setting string
		last    register.Cell
		want    string
	}{
		{"a right one", luhn, "", text("79927398713"), "barcode"}, // of another length
		{"a wrong check digit", luhn, "", text("35555000012349"), "check-digit"},
		{"letters of Codabar", luhn, "", text("A30234000517903B"), ""},
		{"two digits exchanged", luhn, "", text("30234000517681"), "check-digit"},
		{"the setting says none", luhn, "none", text("35555000012349"), ""},
		{"an EAN", ean, "", text("4006381333979"), ""},
		{"an EAN with a wrong digit", ean, "", text("4006381333971"), "check-digit"},
		{"the setting says which", ean[:2], "ean", text("4006381333971"), "check-digit"},
		{"as shown in a list of values", luhn, "", text("3.02E+13"), "barcode"},
		{"as shown, and stored whole", luhn, "", number("3.02E+13", 30234000517903), ""},
		{"as stored in a list of values", luhn, "", text("30234000517903.0"), ""},
		{"few values show no rule", luhn[:2], "", text("35555000012349"), ""},
		{"words", luhn, "", text("no label"), ""},
	} {
		var rows []register.Row
		for i, v := range c.codes {
			rows = append(rows, table("item|barcode", fmt.Sprintf("QV-%04d|%s", i, v))...)
		}
		last := table("item|barcode", "QV-9999|")[0]
		last.Line, last.Cells[register.Barcode] = 99, c.last
		r := register.Reconcile(append(rows, last), register.Known{}, register.Settings{CheckDigits: c.setting})
		got := ""
		for _, p := range r.Problems {
			got += string(p.Rule)
			if p.Row != 99 {
				t.Errorf("%s: row %d: %s", c.name, p.Row, p.Tells)
			}
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q: %v", c.name, got, c.want, r.Problems)
		}
	}
	// What spreadsheet programs do is said, and not "wrong check digit".
	for _, c := range []struct {
		length, code string
		says         register.Telling
	}{
		{"14", "3.0234E+13", register.DigitsHidden},
		{"14, beginning with zeros", "2340005178", register.ZerosDropped},
		{"16", "1111222233334440", register.DigitsCut},
	} {
		var rows []register.Row
		for i := range 6 {
			v := fmt.Sprintf("%014d", i)
			if strings.HasPrefix(c.length, "16") {
				v = fmt.Sprintf("11112222333%05d", 44441+i)
			}
			rows = append(rows, table("item|barcode", fmt.Sprintf("QV-%04d|%s", i, v))...)
		}
		rows = append(rows, table("item|barcode", "QV-9999|"+c.code)...)
		r := register.Reconcile(rows, register.Known{}, register.Settings{CheckDigits: "none"})
		if len(r.Problems) != 1 || r.Problems[0].Tells[0] != string(c.says) || r.Problems[0].Kind != "barcode" {
			t.Errorf("%s: %v", c.code, r.Problems)
		}
	}
	// The file's name has the barcode.
	k := files(t, "{item}_{barcode}_{side}.wav", "masters/QV-1_00234000517861_A.wav", "masters/QV-2_30234000517879_A.wav")
	r := register.Reconcile(table("item|barcode", "QV-1|234000517861", "QV-2|30234000517887", "QV-9|30234000517879"), k, register.Settings{})
	if got := said(r); !slices.Equal(got, []string{"2 barcode barcode", "3 barcode barcode", "4 number item", "4 double item"}) || r.Problems[0].Tells[0] != string(register.ZerosLacking) {
		t.Errorf("%q: %v", got, r.Problems)
	}
}

func TestDiscs(t *testing.T) {
	k := files(t, pattern, "masters/QV-1/QV-1_A.wav", "masters/QV-1/QV-1_B.wav", "masters/QV-2/QV-2_A.wav")
	k.Discs = []register.KnownDisc{{Number: "QD-0759", Twin: "A", Files: []int64{1}}, {Number: "QD-0759", Twin: "B", Files: []int64{1}}, {Number: "QD-0760", Files: []int64{2}}, {Number: "QD-0761", Files: []int64{3}}}
	for _, c := range []struct {
		name   string
		rows   []string
		aside  int
		want   []string
		exempt bool
	}{
		{"both know all", []string{"QV-1|A|QD-0759", "QV-1|B|760", "QV-2|A|CD 0761"}, 0, nil, false},
		{"twins", []string{"QV-1|A|759 A+B", "QV-1|B|760/762", "QV-2|A|761;763"}, 2, []string{"3 disc disc", "4 disc disc"}, false},
		{"too few", []string{"QV-1|A|QD-0759", "QV-1|B|760", "QV-2|A|"}, 2, []string{"3 few-discs disc", "4 disc disc"}, false},
		{"another's", []string{"QV-1|A|759", "QV-1|B|761", "QV-2|A|761"}, 0, []string{"3 disc disc", "3 disc disc"}, false},
		{"the register names none", []string{"QV-1|A|", "QV-1|B|", "QV-2|A|"}, 2, nil, false},
	} {
		r := register.Reconcile(table("item|side|disc", c.rows...), k, register.Settings{DiscsASide: c.aside})
		if got := said(r); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q: %v", c.name, got, c.want, r.Problems)
		}
	}
	k.Discs = nil
	if r := register.Reconcile(table("item|side|disc", "QV-1|A|759", "QV-1|B|760", "QV-2|A|761"), k, register.Settings{}); len(r.Problems) > 0 {
		t.Errorf("without a list of discs: %v", r.Problems)
	}
}

// Of what can't be transferred again the register must say so, in words to which a person
// gave that meaning; what was never playable is another thing.
func TestSays(t *testing.T) {
	k := files(t, pattern, "masters/QV-1/QV-1_A.wav", "masters/QV-1/QV-1_B.wav", "masters/QV-2/QV-2_A.wav")
	rows := table("item|side|base|title|condition|playable|treated from|priority|length|disc|restricted",
		"QV-1||acetate||sheds|||vinegar|||", "QV-1|A||Songs||do not  Play again|2026-01-02||31:52|7|no", "QV-1|B||Talk||ok||||8, 9|no",
		"QV-2|A|polyester|||no|||||no", "QV-3|A|polyester|Market day|dry|||||10|no", "QV-4|A|||||||||no")
	r := register.Reconcile(rows, k, register.Settings{Playable: map[string]register.Playability{"do not play again": register.CannotAgain, "no": register.NeverCould, "ok": register.CanPlay}})
	var got []string
	for _, s := range r.Says {
		got = append(got, fmt.Sprintf("%s %s|%s|%s|%s|%s|%s|%s|%d|%v|%v|%v", s.Item, s.Side, s.Base, s.Title, s.Condition, s.Playable, s.TreatedFrom, s.Priority, len(s.Length.Readings), s.Discs, s.Restricted, s.ToTransfer))
	}
	want := []string{
		"QV-1 A|acetate|Songs|sheds|not again|2026-01-02|vinegar|1|[7]|true|false",
		"QV-1 B|acetate|Talk|sheds|yes|2026-01-02|vinegar|0|[8 9]|true|false",
		"QV-2 A|polyester|||never|||0|[]|false|false",
		"QV-3 A|polyester|Market day|dry||||0|[10]|false|false",
		"QV-4 A||||||||0|[]|false|true",
	}
	want[4] = "QV-4 A|||||||0|[]|false|true"
	if !slices.Equal(got, want) {
		t.Errorf("%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// A person says what words of the column of restrictions mean; any other word restricts, and
// so does a blank.
func TestRestricted(t *testing.T) {
	words := []string{"no", "Public", "Family only", "no  ACCESS", "", "open"}
	for _, c := range []struct {
		means map[string]bool
		want  []bool
	}{
		{nil, []bool{false, false, true, true, true, false}},
		{map[string]bool{"public": false, "family only": false, "no": true}, []bool{true, false, false, true, true, true}},
		{map[string]bool{"": false}, []bool{true, true, true, true, true, true}},
	} {
		for i, w := range words {
			r := register.Reconcile(table("item|restricted", "QV-1|"+w), register.Known{}, register.Settings{Restricted: c.means})
			if len(r.Says) != 1 || r.Says[0].Restricted != c.want[i] {
				t.Errorf("%v, %q: %+v", c.means, w, r.Says)
			}
		}
	}
}

// BenchmarkReconcile: 20,000 rows and 100,000 files.
func BenchmarkReconcile(b *testing.B) {
	var k register.Known
	var rows []register.Row
	for i := range 20000 {
		item := fmt.Sprintf("QV-%05d", i/2+1)
		side := string(rune('A' + i%2))
		for track := range 5 {
			f := register.KnownFile{ID: int64(len(k.Files) + 1), Set: "access", Role: fixity.Access, Item: item, Side: side, Track: fmt.Sprint(track), Length: 5 * 60e9, TakenIn: taken}
			f.Path = fmt.Sprintf("%s/%s_%s_%02d.wav", item, item, side, track)
			if track == 0 {
				f.Set, f.Role, f.Track, f.Length = "masters", fixity.Master, "", 30*60e9
			}
			k.Files = append(k.Files, f)
		}
		k.Discs = append(k.Discs, register.KnownDisc{Number: fmt.Sprint(i + 1), Files: []int64{int64(len(k.Files))}})
		rows = append(rows, table("item|side|length|disc|digitised|barcode|title|base|condition", fmt.Sprintf("%s|%s|30:00|%d|2026-03-01|%014d|Songs %d|acetate|dry", item, side, i+1, i*10, i))...)
	}
	b.ReportAllocs()
	for b.Loop() {
		register.Reconcile(rows, k, register.Settings{DiscsASide: 1})
	}
}
