package ledger_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

func TestIncidents(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		var files []ledger.File
		w.tx(func(x *ledger.Tx) error {
			for i := range 60 {
				f, err := w.takeIn(x, masters, fmt.Sprintf("QV-%04d/a.wav", i), fmt.Sprintf("%04d", i), true, "studio", "vault")
				if err != nil {
					return err
				}
				files = append(files, f)
			}
			return nil
		})
		w.pass(time.Hour)
		for _, f := range files[:20] {
			w.rot("vault", masters, f.Path, "rot"+f.Path[3:7])
		}
		w.audit("vault", order{full: true})
		if got := w.finding(files[0], "vault"); got.ID == 0 || got.Incident != 0 {
			w.Errorf("20 files are an incident: %+v", got)
		}
		for _, f := range files[20:41] {
			w.remove("vault", masters, f.Path)
		}
		w.audit("vault", order{})
		id := w.finding(files[20], "vault").Incident
		if id == 0 {
			w.Fatal("21 missing files of 60 are no incident")
		}
		for _, f := range files[20:41] {
			if got := w.found(f, "vault", fixity.Missing, fixity.AtRisk); got.Incident != id {
				w.Errorf("finding %d is of incident %d, not %d", got.ID, got.Incident, id)
			}
		}
		if got := w.finding(files[0], "vault"); got.Incident != 0 {
			w.Errorf("an earlier finding was drawn into it: %+v", got)
		}
		w.audit("vault", order{})
		if got := w.finding(files[20], "vault").Incident; got != id {
			w.Errorf("incident %d became %d", id, got)
		}
	})
}

func TestAMassChangeIsAnIncidentWhenAnIntakeSeesItFirst(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		var files []ledger.File
		w.tx(func(x *ledger.Tx) error {
			for i := range 30 {
				f, err := w.takeIn(x, masters, fmt.Sprintf("QV-%04d/a.wav", i), fmt.Sprintf("%04d", i), true, "studio", "vault")
				if err != nil {
					return err
				}
				files = append(files, f)
			}
			return nil
		})
		for _, f := range files {
			w.remove("studio", masters, f.Path)
		}
		w.audit("studio", order{kind: ledger.Intake, stopAt: fixity.PhaseRead})
		id := w.found(files[0], "studio", fixity.Missing, fixity.AtRisk).Incident
		if id == 0 {
			w.Error("30 missing files of 30 are no incident")
		}
		w.audit("studio", order{})
		if got := w.finding(files[7], "studio").Incident; got != id {
			w.Errorf("incident %d became %d", id, got)
		}
	})
}

func TestUnderNarrowsWhatIsReadAndCounted(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		paths := []string{"QV-0107/a.wav", "QV-0107/b/c.wav", "QV-0107/b0.wav", "QV-0107/b.wav", "QV-0107/b!x.wav", "QV-0108/a.wav", "root.wav", "root"}
		files := map[string]ledger.File{}
		for i, p := range paths {
			files[p] = w.take(masters, p, fmt.Sprintf("bytes %d", i), true, "studio", "vault")
		}
		for _, c := range []struct {
			under string
			want  []string
		}{
			{"", paths},
			{"QV-0107", []string{"QV-0107/a.wav", "QV-0107/b/c.wav", "QV-0107/b0.wav", "QV-0107/b.wav", "QV-0107/b!x.wav"}},
			{"QV-0107/b", []string{"QV-0107/b/c.wav"}},
			{"QV-0107/b/c.wav", []string{"QV-0107/b/c.wav"}},
			{"QV-0107/b.wav", []string{"QV-0107/b.wav"}},
			{"root.wav", []string{"root.wav"}},
			{"root", []string{"root"}},
			{"QV-01", nil},
			{"nothing", nil},
		} {
			w.pass(time.Hour)
			a := w.audit("vault", order{full: true, set: masters, under: c.under})
			var got []string
			for _, p := range paths {
				if w.copyOf(files[p], "vault").Read.At.Equal(w.clock) {
					got = append(got, p)
				}
			}
			if !slices.Equal(got, c.want) {
				w.Errorf("under %q: read %s, want %s", c.under, quoteAll(got), quoteAll(c.want))
			}
			w.view(func(x *ledger.Tx) error {
				p, err := x.Audits.Progress(a)
				if err != nil || p.Listed != int64(len(c.want)) || p.Read != int64(len(c.want)) {
					w.Errorf("under %q: %+v, %v", c.under, p, err)
				}
				states, err := x.Copies.StatesOf("vault", []string{masters}, "", c.under)
				if err != nil || states[fixity.Intact] != int64(len(c.want)) {
					w.Errorf("under %q: %v, %v", c.under, states, err)
				}
				return nil
			})
		}
	})
}
