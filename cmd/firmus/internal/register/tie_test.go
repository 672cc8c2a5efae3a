package register_test

import (
	"fmt"
	"path"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/register"
	"firmus/fixity"
	"firmus/fixity/care"
)

// table makes rows of lines whose columns are apart by |.
func table(heads string, lines ...string) (rows []register.Row) {
	fields := strings.Split(heads, "|")
	for i, l := range lines {
		r := register.Row{Line: i + 2, Cells: map[register.Field]register.Cell{}}
		for j, v := range strings.Split(l, "|") {
			r.Cells[register.Field(strings.TrimSpace(fields[j]))] = register.Cell{Text: strings.TrimSpace(v), Kind: register.TextCell, Column: string(rune('A' + j))}
		}
		rows = append(rows, r)
	}
	return rows
}

var taken = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// files are those at paths "set/path length", with what the pattern says of them.
func files(t *testing.T, pattern string, at ...string) (k register.Known) {
	t.Helper()
	p, err := care.NewPattern(pattern)
	if err != nil {
		t.Fatal(err)
	}
	for i, a := range at {
		a, length, _ := strings.Cut(a, " ")
		d, _ := time.ParseDuration(length)
		set, rest, _ := strings.Cut(a, "/")
		s := care.Set{Name: set, Role: fixity.Access, Pattern: p}
		if set == "masters" {
			s.Role = fixity.Master
		}
		f := s.FieldsOf(rest)
		k.Files = append(k.Files, register.KnownFile{ID: int64(i + 1), Set: set, Path: rest, Role: s.Role, Item: f.Item, Side: f.Side, Track: f.Track, Barcode: f.Barcode, Length: d, TakenIn: taken})
	}
	return k
}

// shown is a result in short: a line a tied row.
func shown(k register.Known, r register.Result) (out []string) {
	for _, x := range r.Tied {
		s := strings.Join(strings.Fields(fmt.Sprintf("%d %s %s %s", x.Row+2, x.Item, x.Side, x.Track)), " ")
		if x.Base != "" {
			s += " (" + x.Base + ")"
		}
		for _, i := range x.Files {
			s += " " + k.Files[i].Set[:1] + ":" + path.Base(k.Files[i].Path)
		}
		if x.ToTransfer {
			s += " to transfer"
		}
		out = append(out, s)
	}
	return out
}

const pattern = "{item}/{item}_{side}[_{track}].wav"

func TestTie(t *testing.T) {
	both := []string{"masters/QV-0001/QV-0001_A.wav", "masters/QV-0001/QV-0001_B.wav", "access/QV-0001/QV-0001_A_01.wav", "access/QV-0001/QV-0001_A_02.wav"}
	for _, c := range []struct {
		name    string
		pattern string
		files   []string
		heads   string
		rows    []string
		want    []string
	}{
		{"a row a side", pattern, both, "item|side", []string{"QV-0001|A", "QV-0001|B", "QV-0002|A"},
			[]string{"2 QV-0001 A m:QV-0001_A.wav a:QV-0001_A_01.wav a:QV-0001_A_02.wav", "3 QV-0001 B m:QV-0001_B.wav", "4 QV-0002 A to transfer"}},
		{"sides in other words", pattern, both, "item|side", []string{"qv 0001|Side A", "QV-0001|b.", "QV-0001|1", "QV0001|A+B"},
			[]string{"2 QV-0001 A m:QV-0001_A.wav a:QV-0001_A_01.wav a:QV-0001_A_02.wav", "3 QV-0001 B m:QV-0001_B.wav", "4 QV-0001 A m:QV-0001_A.wav a:QV-0001_A_01.wav a:QV-0001_A_02.wav",
				"5 QV-0001 m:QV-0001_A.wav m:QV-0001_B.wav a:QV-0001_A_01.wav a:QV-0001_A_02.wav"}},
		{"a row an item", pattern, both[:2], "item|title", []string{"QV-0001|Songs", "QV-0003|Talk"}, []string{"2 QV-0001 m:QV-0001_A.wav m:QV-0001_B.wav", "3 QV-0003 to transfer"}},
		{"a row a track", pattern, both, "item|side|track", []string{"QV-0001|A|1", "QV-0001|A|2", "QV-0001|A|3"}, []string{"2 QV-0001 A 1 a:QV-0001_A_01.wav", "3 QV-0001 A 2 a:QV-0001_A_02.wav", "4 QV-0001 A 3"}},
		{"mixed", pattern, both, "item|side|track", []string{"QV-0001||", "QV-0001|B|", "QV-0001|A|2"},
			[]string{"2 QV-0001 m:QV-0001_A.wav m:QV-0001_B.wav a:QV-0001_A_01.wav a:QV-0001_A_02.wav", "3 QV-0001 B m:QV-0001_B.wav", "4 QV-0001 A 2 a:QV-0001_A_02.wav"}},
		{"a reel merged over its sides", pattern, both, "item|side", []string{"QV-0001|A", "|B", "Box 2|", "|A"}, []string{"2 QV-0001 A m:QV-0001_A.wav a:QV-0001_A_01.wav a:QV-0001_A_02.wav", "3 QV-0001 B m:QV-0001_B.wav", "4 Box 2 to transfer", "5 Box 2 A to transfer"}},
		{"549 is 0549", "{item}_{side}.wav", []string{"masters/0549_A.wav", "masters/0550_A.wav"}, "item|side", []string{"549|A", "0550|A"}, []string{"2 0549 A m:0549_A.wav", "3 0550 A m:0550_A.wav"}},
		{"where the ledger has both it isn't", "{item}_{side}.wav", []string{"masters/0549_A.wav", "masters/00549_A.wav"}, "item|side", []string{"549|A"}, []string{"2 549 A to transfer"}},
		{"where the register has both it isn't", "{item}_{side}.wav", []string{"masters/0549_A.wav"}, "item|side", []string{"549|A", "0549|A"}, []string{"2 549 A to transfer", "3 0549 A m:0549_A.wav"}},
		{"a number without its letters", pattern, both[:1], "item|side", []string{"1|A"}, []string{"2 QV-0001 A m:QV-0001_A.wav"}},
		{"the side in the number", pattern, both[:2], "item", []string{"QV-0001A", "QV-0001_b", "QV-0001C"}, []string{"2 QV-0001 A m:QV-0001_A.wav", "3 QV-0001 B m:QV-0001_B.wav", "4 QV-0001C to transfer"}},
		{"numbers that repeat by base, in the item", "{item}_{side}.wav", []string{"masters/P12_A.wav", "masters/A12_A.wav"}, "item|base|side", []string{"12|Acetate|A", "12|polyester|A", "13|acetate|A"},
			[]string{"2 A12 A (acetate) m:A12_A.wav", "3 P12 A (polyester) m:P12_A.wav", "4 13 A to transfer"}},
		{"by base, in the folder", "{item}_{side}.wav", []string{"masters/acetate-tapes/12_A.wav", "masters/Polyester/12_A.wav"}, "item|base|side", []string{"12|acetate|A", "12|polyester|A"},
			[]string{"2 12 A (acetate) m:12_A.wav", "3 12 A (polyester) m:12_A.wav"}},
		{"by base, one transferred", "{item}_{side}.wav", []string{"masters/acetate/12_A.wav"}, "item|base|side", []string{"12|acetate|A", "12|polyester|A"}, []string{"2 12 A (acetate) m:12_A.wav", "3 12 A (polyester) to transfer"}},
		{"by base, which the files don't say", "{item}_{side}.wav", []string{"masters/12_A.wav"}, "item|base|side", []string{"12|acetate|A", "12|polyester|A", "12||A"}, nil},
		{"the file's name", pattern, both, "item|file", []string{"QV-0001|QV-0001_A_02.WAV", "QV-0001|1"}, []string{"2 QV-0001 A 02 a:QV-0001_A_02.wav", "3 QV-0001 1 a:QV-0001_A_01.wav"}},
		{"sides that the files don't tell", "{item}/{item}.wav", []string{"masters/QV-1/QV-1.wav"}, "item|side", []string{"QV-1|A", "QV-1|B"}, []string{"2 QV-1 A", "3 QV-1 B"}},
		{"the first folder", "never", []string{"masters/QV-1/x.wav"}, "item", []string{"QV-1"}, []string{"2 QV-1 m:x.wav"}},
	} {
		if c.pattern == "never" {
			c.pattern = "(never)"
		}
		k := files(t, c.pattern, c.files...)
		r := register.Reconcile(table(c.heads, c.rows...), k, register.Settings{})
		if got := shown(k, r); !slices.Equal(got, c.want) {
			t.Errorf("%s:\n%s\nwant\n%s", c.name, strings.Join(got, "\n"), strings.Join(c.want, "\n"))
		}
	}
}
