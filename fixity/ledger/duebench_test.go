package ledger_test

import (
	"fmt"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// All that is due in one folder of 100,000 files, page by page, if the register says of so many
// of them that they can't be transferred again: how long it takes to put these first, and to
// give them and the rest.
func BenchmarkDue(b *testing.B) {
	for _, once := range []int{0, 1, 20} {
		b.Run(fmt.Sprint(once*1000), func(b *testing.B) {
			l, done := manyFiles(b, 100_000, "QV-%04d_%05d.wav", byName(b))
			defer done()
			if err := l.Tx(b.Context(), begun, func(x *ledger.Tx) error {
				var says []fixity.RegisterSays
				for i := range once {
					says = append(says, fixity.RegisterSays{Item: fmt.Sprintf("QV-%04d", 50+i), Unplayable: true, Text: "{}"})
				}
				return x.Register.PutSays(says, "Ada Wren")
			}); err != nil {
				b.Fatal(err)
			}
			took := map[string]time.Duration{}
			for b.Loop() {
				dueInOneFolder(b, l, took)
			}
			for what, d := range took {
				b.ReportMetric(float64(d.Milliseconds())/float64(b.N), what+"-ms")
			}
		})
	}
}

func dueInOneFolder(b *testing.B, l *ledger.Ledger, took map[string]time.Duration) {
	r := l.Record(func() time.Time { return begun }, "Ada Wren")
	var a ledger.Audit
	if err := l.Tx(b.Context(), begun, func(x *ledger.Tx) (err error) {
		if a, _, err = x.Audits.Begin(ledger.Audit{Store: "vault", Kind: ledger.Plain, Sets: []string{masters}, Cache: fixity.Bypassed, By: "Ada Wren"}); err == nil {
			_, err = x.Audits.AddShards(a, masters, nil)
		}
		return err
	}); err != nil {
		b.Fatal(err)
	}
	due := 0
	for _, p := range []fixity.Phase{fixity.PhaseList, fixity.PhaseProve, fixity.PhaseFirst, fixity.PhaseRead} {
		jobs, err := r.Open(b.Context(), a.ID, p)
		if err != nil {
			b.Fatal(err)
		}
		began := time.Now()
		for _, j := range jobs {
			s, err := r.Claim(b.Context(), j)
			if err == nil && p == fixity.PhaseList {
				err = r.CommitListing(b.Context(), fixity.Listed{Shard: s, Done: true})
			}
			for p != fixity.PhaseList && err == nil {
				var page []fixity.Due
				page, err = r.Due(b.Context(), s, 500)
				if due += len(page); len(page) < 500 {
					break
				}
				s.Cursor = page[len(page)-1].Path
			}
			if err == nil && p == fixity.PhaseFirst {
				s.Cursor = ""
				err = r.CommitReadings(b.Context(), fixity.Readings{Shard: s, End: true, Done: true})
			}
			if err != nil {
				b.Fatal(err)
			}
		}
		took[string(p)] += time.Since(began)
		if began = time.Now(); p != fixity.PhaseRead {
			if err := r.Advance(b.Context(), a.ID, p); err != nil {
				b.Fatal(err)
			}
			took["after-"+string(p)] += time.Since(began)
		}
	}
	if due < 100_000 {
		b.Fatalf("%d are due", due)
	}
}
