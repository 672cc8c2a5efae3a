package app_test

import (
	"fmt"
	"io/fs"
	"os"
	"strings"
	"testing"
	"time"
)

// TestGoodMonth is a month of the daemon in which nothing is damaged: transfers
// arrive, access files are edited, litter comes and goes, the vault and the cloud are
// fed a day late, a drive visits, a holiday passes. Four weekly letters come, and
// nothing else; what arrived is under care, in each store.
func TestGoodMonth(t *testing.T) {
	t.Parallel()
	if testing.Short() || os.Getenv("FIRMUS_ALL_PARTS") != "1" {
		t.Skip("a month of a daemon takes half a minute: only with FIRMUS_ALL_PARTS=1")
	}
	inMonth(t, 6, 4, func(t *testing.T, m *month) {
		for day := range 28 {
			item := fmt.Sprintf("QV-03%02d", day-day%3)
			master, access := "masters/"+item+"/"+item+"_A.wav", "access/"+item+"/"+item+"_A_01.wav"
			if day == 4 || day == 20 {
				m.until(day, 9)
				m.move("in-the-safe", "safe")
				names, err := fs.Glob(os.DirFS(m.dir), "studio/masters/*/*.wav")
				if err != nil || len(names) < 6 {
					t.Fatal(names, err)
				}
				for _, n := range names {
					m.copy(n, strings.Replace(n, "studio/", "safe/", 1))
				}
				m.until(day, 12)
				m.move("safe", "in-the-safe")
			}
			m.until(day, 19)
			switch {
			case day >= 12 && day < 18: // a holiday: nobody is there
			case day%3 == 0:
				m.write("studio/"+master, master, 150_000+day)
				m.write("studio/"+access, access, 20_000+day)
				m.write("studio/masters/"+item+"/Thumbs.db", "litter", 10)
			case day%3 == 1: // it is trimmed, and saved again
				m.write("studio/"+access, access+", trimmed", 19_000+day)
			default:
				m.copy("studio/"+master, "vault/"+master)
				m.copy("studio/"+access, "vault/"+access)
				b, err := os.ReadFile(m.path("studio/" + master))
				if err != nil {
					t.Fatal(err)
				}
				m.drive.AddFile(m.drive.AddFolder(m.inCloud, item), item+"_A.wav", b)
				m.remove("studio/masters/" + item + "/Thumbs.db")
			}
		}
		m.until(28, 10)
		ls := m.outbox()
		for i, l := range ls {
			if l.Kind != "weekly" {
				t.Errorf("letter %d is no weekly one:\n%s", i, l.Text)
			}
			if want := time.Date(2031, 3, 10+7*i, 9, 0, 0, 0, time.Local); l.Made.Sub(want).Abs() > 10*time.Minute {
				t.Errorf("letter %d is of %s", i, l.Made)
			}
		}
		if len(ls) != 4 {
			t.Errorf("%d letters, want 4", len(ls))
		}
		golden(t, "good-month.txt", m.printed(ls))
		for _, store := range []string{"studio", "vault", "cloud"} {
			for _, c := range m.copies("masters", "QV-0306/QV-0306_A.wav") {
				if c.Store == store && c.State != "intact" {
					t.Errorf("%s: %s", store, c.State)
				}
			}
		}
	})
}
