package letters_test

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"firmus/replicas/testing/drivetest"
)

// TestCloudWeek: a cloud folder in the weekly letter: what of it was only reported,
// and whose its files are, long before an account is closed. Rot in it, and what lies
// in its bin, are told with what the service says.
func TestCloudWeek(t *testing.T) {
	t.Parallel()
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

// Restricted recordings that the service gives to whoever has a link are named in the weekly
// letter until that ends; others may be given to everybody.
func TestCloudPublic(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	s, err := drivetest.Start(drivetest.Options{Now: func() time.Time { return w.now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	folder := s.AddFolder(drivetest.Root, "Quillmere")
	masters := s.AddFolder(folder, "masters")
	cloud := fmt.Sprintf("\n[store.cloud]\nkind = \"cloud\"\nservice = \"drive\"\nfolder = %q\nsets = [\"masters\"]\nendpoint = %q\n", folder, s.Endpoint())
	restrict := func(yes bool) {
		t.Helper()
		w.configure(cloud, "")
		text, err := os.ReadFile(w.path("firmus.toml"))
		if err != nil {
			t.Fatal(err)
		}
		if yes {
			text = bytes.Replace(text, []byte("[set.masters]\n"), []byte("[set.masters]\nrestricted = true\n"), 1)
		}
		if err := os.WriteFile(w.path("firmus.toml"), text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	restrict(false)
	reels(w, 3, 0)
	items := map[string]string{}
	for i := range 3 {
		item := fmt.Sprintf("QV-01%02d", i)
		b, err := os.ReadFile(w.path("studio/masters/" + item + "/" + item + "_A.wav"))
		if err != nil {
			t.Fatal(err)
		}
		items[item] = s.AddFolder(masters, item)
		s.AddFile(items[item], item+"_A.wav", b)
	}
	// week lives seven days, and gives what the weekly letter says of it.
	week := func() string {
		t.Helper()
		before := len(w.server.Got())
		for range 7 {
			w.pass(5 * time.Hour)
			w.audit(false)
			w.post()
			w.pass(19 * time.Hour)
		}
		var all strings.Builder
		for _, m := range w.server.Got()[before:] {
			all.Write(m.Data)
		}
		_, text, _ := strings.Cut(strings.ReplaceAll(all.String(), "=\r\n", ""), "can be read by everybody")
		return text
	}
	s.Lie(items["QV-0101"], map[string]any{"permissionIds": []any{"7", "anyoneWithLink"}})
	if text := week(); text != "" {
		t.Errorf("nothing is restricted: %s", text)
	}
	restrict(true)
	if text := week(); !strings.Contains(text, "QV-0101") || strings.Contains(text, "QV-0100)") || !strings.Contains(text, "End that sharing in the service") {
		t.Errorf("a folder that everybody may read: %.300s", text)
	}
	s.Lie(items["QV-0101"], nil)
	if text := week(); text != "" {
		t.Errorf("it has ended: %.300s", text)
	}
}
