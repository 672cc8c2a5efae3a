package statements_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"hash/fnv"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

var update = flag.Bool("update", false, "write the golden files anew")

func TestMain(m *testing.M) {
	time.Local = time.UTC
	os.Exit(m.Run())
}

const archive = "Quillmere Valley Song Survey"

// on is a day of the invented year.
func on(month time.Month, day int) time.Time {
	return time.Date(2026, month, day, 3, 5, 0, 0, time.UTC)
}

var made = on(time.May, 20)

// world is a ledger in which some months went by.
type world struct {
	*testing.T
	l     *ledger.Ledger
	rules care.Rules
}

func newWorld(t *testing.T) *world {
	p, err := care.NewPattern("{item}/{item}_{side}[_{track}].wav")
	if err != nil {
		t.Fatal(err)
	}
	rules := care.Rules{
		Sets: []care.Set{{Name: "masters", Role: fixity.Master, Pattern: p}},
		Stores: []care.Store{
			{Name: "studio", Kind: "disk", Place: "Studio, room 12", Sets: []string{"masters"}, Arrivals: true, OwnDrive: true, ReadWithin: 30 * 24 * time.Hour},
			{Name: "vault", Kind: "disk", Place: "Safe, town hall", Sets: []string{"masters"}, OwnDrive: true, ReadWithin: 90 * 24 * time.Hour, ExpectWithin: 72 * time.Hour},
		},
	}
	o := ledgertest.Ready(t, t.TempDir()).Options()
	o.Rules, o.Now, o.By = rules, on(time.February, 9), "Ada Wren"
	l, err := ledger.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	w := &world{t, l, rules}
	if err := w.large(on(time.February, 9)).Adopt(t.Context(), "disk"); err != nil {
		t.Fatal(err)
	}
	return w
}

// large reads what the world's stores hold.
func (w *world) large(at time.Time) ledgertest.Large {
	return ledgertest.Large{Ledger: w.l, Set: "masters", Stores: []string{"studio", "vault"}, Now: at}
}

func (w *world) tx(at time.Time, do func(*ledger.Tx) error) {
	w.Helper()
	if err := w.l.Tx(w.Context(), at, do); err != nil {
		w.Fatal(err)
	}
}

// takeIn takes masters under care, which are whole in some stores and awaited in the others.
func (w *world) takeIn(at time.Time, long time.Duration, paths []string, stores ...string) {
	w.Helper()
	w.tx(at, func(t *ledger.Tx) error {
		var news []ledger.NewFile
		for _, p := range paths {
			sum := func(a fixity.Algorithm) fixity.Digest {
				h := fnv.New128a()
				fmt.Fprint(h, a, p)
				b := h.Sum(nil)
				return fixity.DigestOf(a, append(b, b...))
			}
			v := ledger.VersionOf(1_650_528_044, []fixity.Digest{sum(fixity.BLAKE3), sum(fixity.SHA256)}, make([]uint32, 25186), "Ada Wren", "")
			v.Sound = &ledger.Sound{JSON: `{"form":"wave","coding":"pcm","rate":96000,"bits":24,"channels":2,"frames":183552000}`, Samples: sum(fixity.BLAKE3), Duration: long}
			news = append(news, ledger.NewFile{Set: "masters", Path: p, Changed: at, Vouched: true, Version: v})
		}
		a, _, err := t.Audits.Begin(ledger.Audit{Store: "studio", Kind: ledger.Intake, Sets: []string{"masters"}, Cache: fixity.Bypassed, By: "Ada Wren", Run: at})
		if err != nil {
			return err
		}
		files, err := t.Files.AddAll("Ada Wren", news)
		if err != nil {
			return err
		}
		var rs []ledger.IntakeReading
		var copies []ledger.Copy
		for i, f := range files {
			for _, s := range w.rules.Stores {
				c := ledger.Copy{Store: s.Name, Set: f.Set, At: f.Path, File: f.ID, State: fixity.Awaited, Size: -1}
				for _, x := range stores {
					if x == s.Name {
						rs = append(rs, ledger.IntakeReading{Store: x, File: f.ID, Size: news[i].Version.Size, Cache: fixity.Bypassed, Outcome: fixity.ReadIntact, At: at})
						c.State, c.Held, c.Size, c.ModTime, c.Read = fixity.Intact, 1, news[i].Version.Size, at.UnixNano(), fixity.Evidence{Strength: fixity.Read, At: at, OK: true, Cache: fixity.Bypassed}
					}
				}
				copies = append(copies, c)
			}
		}
		if err := t.Copies.PutNew(copies); err != nil {
			return err
		}
		return t.Audits.TakenIn(a, "masters", "Ada Wren", rs)
	})
}

// read reads all copies of a store; every n-th then holds other bytes.
func (w *world) read(at time.Time, store string, n int) {
	w.Helper()
	if err := w.large(at).Read(w.Context(), store, at, n); err != nil {
		w.Fatal(err)
	}
}

// aFewMonths is a year that has some of everything.
func aFewMonths(t *testing.T) *world {
	w := newWorld(t)
	long := 31*time.Minute + 52*time.Second
	w.takeIn(on(time.February, 10), long, []string{"QV-0107/QV-0107_A.wav", "QV-0107/QV-0107_B.wav", "QV-0108/QV-0108_A.wav"}, "studio", "vault")
	w.read(on(time.March, 20), "studio", 0)
	w.takeIn(on(time.April, 3), 0, []string{"=1+1/=1+1_A.wav"}, "studio")
	w.read(on(time.April, 4), "vault", 0)
	w.read(on(time.May, 2), "studio", 3)
	var d ledger.Disc
	w.tx(on(time.April, 10), func(t *ledger.Tx) (err error) {
		d, err = t.Discs.Add(ledger.Disc{Store: "discs", Number: "QD-0001", Twin: "A", Kind: ledger.DataDisc, Box: "4"}, []ledger.DiscFile{{N: 1, File: 1, Version: 1, Name: "QV-0107_A.wav"}}, "Ada Wren", "burned")
		return err
	})
	w.tx(on(time.April, 11), func(t *ledger.Tx) error {
		_, err := t.Discs.RecordCheck(d, ledger.DiscCheck{Began: on(time.April, 11), Ended: on(time.April, 11), By: "Ada Wren", Verdict: fixity.DiscIntact, Proved: "QD-0001", Sectors: 100, AtOnce: 100},
			[]ledger.DiscHeld{{File: 1, State: fixity.Intact}}, "", nil)
		return err
	})
	w.tx(on(time.May, 3), func(t *ledger.Tx) error {
		t.Copies.Drilled(ledger.Drill{Store: "vault", At: on(time.May, 3), Files: 3, Proved: 3, Bytes: 12, Took: time.Minute, By: "Ada Wren"})
		return nil
	})
	return w
}

// stated is a statement in all its forms.
type stated interface {
	Text(io.Writer) error
	HTML(io.Writer) error
	Grids() []sheet.Grid
}

// golden holds each form of a statement against what testdata has. A workbook is read back
// with the reader of registers.
func (w *world) golden(name string, s stated) {
	w.Helper()
	var text, html, csv, xlsx, js bytes.Buffer
	for _, err := range []error{s.Text(&text), s.HTML(&html), s.Grids()[0].CSV(&csv), sheet.XLSX(&xlsx, s.Grids())} {
		if err != nil {
			w.Fatal(err)
		}
	}
	e := json.NewEncoder(&js)
	e.SetIndent("", "  ")
	if err := e.Encode(s); err != nil {
		w.Fatal(err)
	}
	for form, got := range map[string]string{"txt": text.String(), "html": html.String(), "csv": csv.String(), "json": js.String(), "xlsx.txt": cells(w.T, xlsx.Bytes())} {
		file := filepath.Join("testdata", name+"."+form)
		if *update {
			if err := errors.Join(os.MkdirAll("testdata", 0o755), os.WriteFile(file, []byte(got), 0o644)); err != nil {
				w.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			w.Fatal(err)
		}
		if diff := cmp.Diff(string(want), got); diff != "" {
			w.Errorf("%s is otherwise than testdata has it; run with -update and look at it:\n%s", file, diff)
		}
	}
}

// cells are a workbook's, as text: a line a row.
func cells(t *testing.T, b []byte) string {
	t.Helper()
	book, err := workbook.Open(t.Context(), workbook.File{Name: "statement.xlsx", Bytes: b}, workbook.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	for _, sh := range book.Sheets {
		fmt.Fprintf(&out, "[%s]\n", sh.Name)
		if _, err := sh.Lines(t.Context(), func(l register.Line) error {
			for i, c := range l.Cells {
				if i > 0 {
					out.WriteString(" | ")
				}
				switch {
				case c.IsNumber:
					fmt.Fprintf(&out, "%v", c.Number)
				case c.Text != "":
					fmt.Fprintf(&out, "%q", c.Text)
				}
			}
			out.WriteString("\n")
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	}
	return out.String()
}
