package audit_test

import (
	"fmt"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

const two = "QV-0107/side-b.wav"

// A file that is renamed to and fro, or replaced by a save, while the store is listed is
// there when something follows from the listing.
func TestWhatIsBackBeforeTheConclusionIsNeverMissing(t *testing.T) {
	onEach(t, func(t *testing.T) {
		w := newWorldOf(t, map[string]string{one: "side a", two: "side b", "QV-0109/side-a.wav": "another"})
		w.now = w.now.Add(day)
		w.must(os.Rename(w.file("shelf", "masters", one), w.file("shelf", "masters", one+".tmp")))
		w.must(os.Remove(w.file("shelf", "masters", two)))
		a, err := w.begin(ledger.Audit{Store: "shelf"})
		w.must(err)
		aud := w.auditor()
		w.must(aud.ListAll(t.Context(), a.ID))
		w.must(os.Rename(w.file("shelf", "masters", one+".tmp"), w.file("shelf", "masters", one)))
		w.must(aud.RunPhase(t.Context(), a.ID, fixity.PhaseList))
		w.put("shelf", "masters", "QV-0109/side-a.wav", "another") // saved again just now
		w.must(aud.Run(t.Context(), a.ID, fixity.PhaseProve))
		if d := cmp.Diff(of(fixity.Kind(fixity.Missing), two), w.kinds()); d != "" {
			t.Errorf("findings (-want +got):\n%s", d)
		}
		if p := w.progress(a); !p.Complete {
			t.Errorf("not complete: %q", p.Trouble)
		}
		w.sound()
	})
}

// What a second look can't see is not called missing either.
func TestWhatCannotBeLookedAtOnceMoreIsNeverMissing(t *testing.T) {
	w := newWorldOf(t, map[string]string{one: "side a", two: "side b"})
	w.now = w.now.Add(day)
	w.must(os.Remove(w.file("shelf", "masters", one)))
	a, err := w.begin(ledger.Audit{Store: "shelf"})
	w.must(err)
	w.must(w.auditor().ListAll(t.Context(), a.ID))
	w.at("shelf", "masters").stat = func(_ int, path string) error {
		if path == one {
			return os.ErrPermission
		}
		return nil
	}
	w.must(w.auditor().Run(t.Context(), a.ID, fixity.PhaseList))
	if k := w.kinds(); len(k) > 0 {
		t.Errorf("findings: %v", k)
	}
	if p := w.progress(a); p.Complete || len(p.Trouble) == 0 {
		t.Errorf("complete %t, trouble %q", p.Complete, p.Trouble)
	}
}

// A file that was replaced, and its size and time put back, isn't silent until its turn.
func TestAReplacedFileWithItsSizeAndTimeIsNeverLeftToItsTurn(t *testing.T) {
	onEach(t, func(t *testing.T) {
		w := newWorldOf(t, map[string]string{one: "side a", two: "side b"})
		w.audit(full("shelf"))
		if w.copyOf("shelf", "masters", one).InodeAt == 0 {
			t.Skip("inodes don't stay the same from mount to mount here")
		}
		w.put("shelf", "masters", one, "SIDE A")
		w.audit(ledger.Audit{Store: "shelf"})
		if d := cmp.Diff(of(fixity.Kind(fixity.Altered), one), w.kinds()); d != "" {
			t.Errorf("findings (-want +got):\n%s", d)
		}
		if n := w.at("shelf", "masters").wasRead(two); n != 1 {
			t.Errorf("the other was read %d times", n)
		}
	})
}

// Whoever changes the mode of all files doesn't have all of them read in one night.
func TestManyChangedInodesAreNeverReadAtOnce(t *testing.T) {
	files := map[string]string{}
	for i := range 3 * care.InodesAtOnce {
		files[fmt.Sprintf("QV-%04d/a.wav", i)] = fmt.Sprintf("side %d", i)
	}
	w := newWorldOf(t, files)
	w.audit(full("shelf"))
	if w.copyOf("shelf", "masters", "QV-0000/a.wav").InodeAt == 0 {
		t.Skip("inodes don't stay the same from mount to mount here")
	}
	for path := range files {
		w.must(os.Chmod(w.file("shelf", "masters", path), 0o640))
	}
	a, _ := w.audit(ledger.Audit{Store: "shelf"})
	if n := len(w.lines(a.ID)); n != care.InodesAtOnce {
		t.Errorf("%d files were read, want %d", n, care.InodesAtOnce)
	}
	soon := 0
	for path := range files {
		if c := w.copyOf("shelf", "masters", path); c.Due.Sub(w.now) < 10*day {
			soon++
		}
	}
	if want := len(files) - care.InodesAtOnce; soon < want {
		t.Errorf("%d files are read sooner, want %d", soon, want)
	}
	if k := w.kinds(); len(k) > 0 {
		t.Errorf("findings: %v", k)
	}
}
