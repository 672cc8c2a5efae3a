package ledger_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	heard "firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// heardAs is what a listener says of a recording so long.
func heardAs(t *testing.T, d time.Duration, codes ...heard.Code) *ledger.Sound {
	t.Helper()
	b, err := json.Marshal(heard.Sound{Format: heard.WAVE, Codec: heard.PCM, Duration: d})
	if err != nil {
		t.Fatal(err)
	}
	s := ledger.Sound{JSON: string(b), Duration: d}
	for _, c := range codes {
		s.Notes = append(s.Notes, heard.Note{Code: c})
	}
	return &s
}

// A save that lost something is a finding with its reason, and no version; the whole
// file that is saved after it is one.
func TestASaveThatLostSomethingIsNoVersion(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(access, side, "one", true, "studio", "vault")
		w.pass(time.Hour)
		w.listens = func(bytes string) *ledger.Sound {
			if strings.HasPrefix(bytes, "stump") {
				return heardAs(t, time.Minute, heard.DataBeyondEnd)
			}
			return heardAs(t, 20*time.Minute)
		}
		w.put("studio", access, side, "stump")
		w.audit("studio", order{})
		w.isIn(f, "studio", fixity.Altered)
		w.isIn(f, "vault", fixity.Intact)
		fd := w.finding(f, "studio")
		if !fd.Facts.Tells(fixity.NoSave) || !fd.Facts.Tells(fixity.Lacks) || len(fd.IntactIn) != 1 {
			w.Errorf("the finding: %+v", fd)
		}
		w.pass(time.Hour)
		w.put("studio", access, side, "stump, touched")
		w.audit("studio", order{})
		w.isIn(f, "studio", fixity.Altered)
		w.pass(time.Hour)
		w.put("studio", access, side, "one, trimmed")
		w.audit("studio", order{})
		w.isIn(f, "studio", fixity.Editing)
		w.quiet(f, "studio")
		w.view(func(x *ledger.Tx) error {
			v, err := x.Files.Sound(f.ID, 2)
			if v.Duration != 20*time.Minute {
				w.Errorf("what was heard in the save isn't kept: %+v", v)
			}
			return err
		})
		if n := w.verbs()[fixity.Saved]; n != 1 {
			w.Errorf("%d saves", n)
		}
	})
}
