package disk_test

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/disk"
)

// TestPinMoves: a file that is replaced by another of its size and time has another pin, and
// a file that nobody touched has the same, listed or asked for by itself.
func TestPinMoves(t *testing.T) {
	d := open(t, disk.Options{}, map[string]string{"QV-0107/a.wav": "1111", "QV-0107/b.wav": "2222"})
	at := filepath.Join(d.Root(), "QV-0107")
	then := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	set := func(name, text string) {
		t.Helper()
		p := filepath.Join(at, name)
		check(t, os.WriteFile(p, []byte(text), 0o600))
		check(t, os.Chtimes(p, then, then))
	}
	set("a.wav", "1111")
	set("b.wav", "2222")
	pins := func() map[string]fixity.Entry {
		t.Helper()
		out := map[string]fixity.Entry{}
		for e, err := range d.List(t.Context(), "QV-0107") {
			check(t, err)
			out[e.Path] = e
			one, err := d.Stat(t.Context(), e.Path)
			check(t, err)
			if one != e {
				t.Errorf("%s: listed %+v, by itself %+v", e.Path, e, one)
			}
		}
		return out
	}
	before := pins()
	if before["QV-0107/a.wav"].InodeAt() == 0 {
		if runtime.GOOS == "windows" {
			t.Skip("no NTFS")
		}
		t.Skip("the numbers of this file system are not steady")
	}
	time.Sleep(20 * time.Millisecond) // a tick of the clock that the kernel stamps with
	set("new.wav", "3333")
	check(t, os.Rename(filepath.Join(at, "new.wav"), filepath.Join(at, "a.wav")))
	after := pins()
	a, b := after["QV-0107/a.wav"], after["QV-0107/b.wav"]
	if was := before["QV-0107/a.wav"]; a.InodeAt() == was.InodeAt() || a.Size != was.Size || !a.ModTime.Equal(was.ModTime) {
		t.Errorf("replaced: %+v, before %+v", a, was)
	}
	if b != before["QV-0107/b.wav"] {
		t.Errorf("not touched: %+v, before %+v", b, before["QV-0107/b.wav"])
	}
	r, err := d.Open(t.Context(), a, 0) // the pin of a listing holds when it is read
	check(t, err)
	check(t, r.Close())
}
