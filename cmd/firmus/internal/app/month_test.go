package app_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// TestOrdinaryMonth is four weeks in which nothing is damaged: transfers arrive,
// access files are edited, saved and renamed, litter comes and goes, a drive lives
// in a safe and visits, a holiday passes. No finding is above "to tidy", and each
// was caused by a person.
func TestOrdinaryMonth(t *testing.T) {
	t.Parallel()
	w := newWorld(t, worldConfig+`
[store.safe]
kind = "disk"
own_drive = true
visiting = true
sets = { masters = "safe/masters" }
read_within = "90d"
expect_within = "20d"
`)
	for i := range 8 {
		w.write(fmt.Sprintf("studio/masters/QV-01%02d/QV-01%02d_A.wav", i, i), fmt.Sprint("old", i), 150_000+i)
		w.copy(fmt.Sprintf("studio/masters/QV-01%02d/QV-01%02d_A.wav", i, i), fmt.Sprintf("vault/masters/QV-01%02d/QV-01%02d_A.wav", i, i))
	}
	w.now = w.now.Add(10 * 24 * time.Hour)
	if res := w.intake(); res.Taken != 8 || res.Agreed != 8 {
		t.Fatalf("first intake: %+v", res)
	}
	caused := map[string]bool{} // findings a person's doing explains, by path
	told := []string{}
	visit := false
	for day := range 28 {
		switch {
		case day >= 12 && day < 17: // a holiday: nobody is there
		case day%3 == 0:
			// Evening: two sides are transferred, access files made; the vault is fed the day after next.
			item := fmt.Sprintf("QV-02%02d", day)
			w.write("studio/masters/"+item+"/"+item+"_A.wav", item+"A", 200_000+day)
			w.write("studio/masters/"+item+"/"+item+"_B.wav", item+"B", 210_000+day)
			w.write("studio/access/"+item+"/"+item+"_A_01.wav", item+"a", 90_000+day)
			w.write("studio/masters/"+item+"/Thumbs.db", "litter", 10)
			w.write("studio/access/"+item+"/"+item+"_A_01.wav.pk", "peaks", 10)
		case day%3 == 1:
			// An access file is saved again inside its window; another is renamed.
			item := fmt.Sprintf("QV-02%02d", day-1)
			if day == 10 {
				w.move("studio/access/"+item+"/"+item+"_A_01.wav", "studio/access/"+item+"/"+item+"_A_01 cut.wav")
				caused[item+"/"+item+"_A_01.wav"] = true
				break
			}
			w.write("studio/access/"+item+"/"+item+"_A_01.wav", item+"a, trimmed", 80_000+day)
		case day == 17: // what would have been copied was not made
		default:
			item := fmt.Sprintf("QV-02%02d", day-2)
			for _, f := range []string{"masters/" + item + "/" + item + "_A.wav", "masters/" + item + "/" + item + "_B.wav"} {
				w.copy("studio/"+f, "vault/"+f)
			}
			if day-2 != 9 {
				w.copy("studio/access/"+item+"/"+item+"_A_01.wav", "vault/access/"+item+"/"+item+"_A_01.wav")
			}
			w.remove("studio/masters/" + item + "/Thumbs.db")
		}
		if day == 6 || day == 20 { // the drive from the safe visits and is fed
			visit = true
			if day == 20 {
				w.move("safe-away", "safe")
			}
			feedSafe(w, day)
		}
		w.now = w.now.Add(5 * time.Hour) // night
		w.intake()
		for store, r := range w.audit(acts.AuditOrder{}) {
			if e := r.Exit(); e == 3 {
				t.Errorf("day %d: %s exits 3: away %v", day, store, r.Away)
			}
			for _, f := range r.Findings {
				if f.Urgency != fixity.Tidy {
					t.Errorf("day %d: [%d] %s %s %s in %s: %s", day, f.ID, f.Urgency, f.Kind, f.Path, store, report.Told(f, nil))
				}
				if !caused[f.Path] {
					t.Errorf("day %d: nobody caused [%d] %s %s in %s: %s", day, f.ID, f.Kind, f.Path, store, report.Told(f, nil))
				}
				if r.Fresh[f.ID] {
					told = append(told, fmt.Sprintf("%s %s", f.Kind, f.Path))
				}
			}
		}
		if day == 11 { // the archivist accepts the new name; later the vault follows
			signOffAll(t, w)
			w.copy("studio/access/QV-0209/QV-0209_A_01 cut.wav", "vault/access/QV-0209/QV-0209_A_01 cut.wav")
		}
		if visit {
			w.move("safe", "safe-away")
			visit = false
		}
		w.now = w.now.Add(19 * time.Hour)
	}
	if !slices.Equal(told, []string{"misplaced QV-0209/QV-0209_A_01.wav"}) {
		t.Errorf("told in the month: %q, want the one rename", told)
	}
	// All of it arrived in the end.
	for store, r := range w.audit(acts.AuditOrder{Full: true}) {
		for _, s := range []fixity.State{fixity.Altered, fixity.Missing, fixity.Disputed, fixity.Unsteady} {
			if r.States[s] != 0 {
				t.Errorf("%s: %d %s", store, r.States[s], s)
			}
		}
	}
}

// feedSafe copies all masters of the studio to the drive from the safe.
func feedSafe(w *world, day int) {
	for i := range 8 {
		p := fmt.Sprintf("masters/QV-01%02d/QV-01%02d_A.wav", i, i)
		w.copy("studio/"+p, "safe/"+p)
	}
	for d := 0; d <= day; d += 3 {
		if d >= 12 && d < 17 {
			continue
		}
		item := fmt.Sprintf("QV-02%02d", d)
		for _, side := range []string{"A", "B"} {
			p := "masters/" + item + "/" + item + "_" + side + ".wav"
			w.copy("studio/"+p, "safe/"+p)
		}
	}
}

func signOffAll(t *testing.T, w *world) {
	t.Helper()
	a := w.open()
	defer a.Close()
	var ids []int64
	if err := a.Ledger.View(context.Background(), func(tx *ledger.Tx) error {
		fs, err := tx.Findings.Open("studio")
		for _, f := range fs {
			ids = append(ids, f.ID)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if len(ids) == 0 {
		t.Fatal("nothing to sign off")
	}
	if _, err := a.Deciding.SignOff(context.Background(), deciding.SignOffOrder{Findings: ids, Reason: "so it is meant"}); err != nil {
		t.Fatal(err)
	}
}
