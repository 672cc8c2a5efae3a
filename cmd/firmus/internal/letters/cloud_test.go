package letters_test

import (
	"fmt"
	"os"
	"testing"
	"time"

	"firmus/replicas/testing/drivetest"
)

// TestCloudWeek: a cloud folder in the weekly letter: what of it was only reported,
// and whose its files are, long before an account is closed. Rot in it, and what lies
// in its bin, are told with what the service says.
func TestCloudWeek(t *testing.T) {
	w := newWorld(t, "")
	s, err := drivetest.Start(drivetest.Options{Now: func() time.Time { return w.now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	folder := s.AddFolder(drivetest.Root, "Quillmere")
	masters := s.AddFolder(folder, "masters")
	w.configure(fmt.Sprintf(`
[store.cloud]
kind = "cloud"
service = "drive"
folder = %q
sets = ["masters"]
endpoint = %q
`, folder, s.Endpoint()), "")
	reels(w, 6, 0)
	var ids []string
	for i := range 6 {
		p := fmt.Sprintf("QV-01%02d/QV-01%02d_A.wav", i, i)
		b, err := os.ReadFile(w.path("studio/masters/" + p))
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, s.Put(masters, p, b))
	}
	s.Give(ids[4], "e.tansy@mail.example")
	s.Give(ids[5], "e.tansy@mail.example")
	w.post()
	for day := range 9 {
		if day == 8 {
			s.Rot(ids[1], 70_000)
			s.Bin(ids[2], true)
		}
		w.pass(5 * time.Hour) // night
		w.audit(day == 2 || day == 8)
		w.post()
		w.pass(19 * time.Hour)
	}
	golden(t, "cloud-week.txt", w.printAll())
}
