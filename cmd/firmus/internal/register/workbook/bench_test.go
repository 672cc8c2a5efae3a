package workbook_test

import (
	"context"
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
)

// big is a register of 20,000 rows with 14 columns, as XLSX, ODS or CSV.
func big(b testing.TB, kind string) []byte {
	const rows = 20_000
	heads := []string{"Number", "Side", "Barcode", "Title", "Composer", "Performers", "Recorded", "Digitised", "Length", "Disc", "Box", "Condition", "Notes", "Mood"}
	var s strings.Builder
	cell := func(i, n int) string { return fmt.Sprintf("%s of row %d", heads[i], n) }
	switch kind {
	case "XLSX":
		s.WriteString("<sheetData>")
		for n := 1; n <= rows; n++ {
			fmt.Fprintf(&s, `<row r="%d">`, n)
			for i := range heads {
				at := register.Letters(i) + fmt.Sprint(n)
				switch {
				case n == 1:
					fmt.Fprintf(&s, `<c r="%s" t="inlineStr"><is><t>%s</t></is></c>`, at, heads[i])
				case i == 8:
					fmt.Fprintf(&s, `<c r="%s" s="1"><v>0.0221296296296296</v></c>`, at)
				case i == 2:
					fmt.Fprintf(&s, `<c r="%s"><v>30234000517861</v></c>`, at)
				default:
					fmt.Fprintf(&s, `<c r="%s" t="inlineStr"><is><t>%s</t></is></c>`, at, cell(i, n))
				}
			}
			s.WriteString("</row>")
		}
		s.WriteString("</sheetData>")
		return xlsx(b, "", s.String())
	case "ODS":
		s.WriteString(`<table:table table:name="Reels">`)
		for n := 1; n <= rows; n++ {
			s.WriteString("<table:table-row>")
			for i := range heads {
				text := cell(i, n)
				if n == 1 {
					text = heads[i]
				}
				fmt.Fprintf(&s, `<table:table-cell office:value-type="string" calcext:value-type="string"><text:p>%s</text:p></table:table-cell>`, text)
			}
			s.WriteString("</table:table-row>")
		}
		s.WriteString("</table:table>")
		return ods(b, s.String())
	}
	for n := 1; n <= rows; n++ {
		for i := range heads {
			text := cell(i, n)
			if n == 1 {
				text = heads[i]
			}
			s.WriteString(text + map[bool]string{true: "\n", false: ";"}[i == len(heads)-1])
		}
	}
	return []byte(s.String())
}

// BenchmarkRegister reads 20,000 rows of 14 columns, 13 of them mapped, from the file's
// bytes to rows; peak-MiB is how far the heap grew meanwhile.
func BenchmarkRegister(b *testing.B) {
	for _, kind := range []string{"XLSX", "ODS", "CSV"} {
		b.Run(kind, func(b *testing.B) {
			text := big(b, kind)
			o := register.Order{Columns: register.Columns{register.Item: "Number", register.Side: "Side", register.Barcode: "Barcode", register.Title: "Title", register.Composer: "Composer",
				register.Performers: "Performers", register.Recorded: "Recorded", register.Digitised: "Digitised", register.Length: "Length", register.Disc: "Disc", register.Box: "Box",
				register.Condition: "Condition", register.Notes: "Notes"}}
			peak := uint64(0)
			for b.Loop() {
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				before := m.HeapAlloc
				ctx, stop := context.WithCancel(b.Context())
				seen := make(chan uint64)
				go func() {
					top := uint64(0)
					for ctx.Err() == nil {
						var m runtime.MemStats
						runtime.ReadMemStats(&m)
						top = max(top, m.HeapAlloc)
						time.Sleep(5 * time.Millisecond)
					}
					seen <- top
				}()
				book, err := open(text, workbook.Options{})
				if err != nil {
					b.Fatal(err)
				}
				t, err := register.Read(b.Context(), "register", book, o)
				if err != nil || len(t.Rows) != 19_999 {
					b.Fatal(len(t.Rows), err)
				}
				stop()
				peak = max(peak, <-seen-before)
			}
			b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
		})
	}
}
