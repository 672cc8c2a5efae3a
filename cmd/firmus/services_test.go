package main

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/replicas/testing/s3test"
	"firmus/replicas/testing/webtest"
	"firmus/testdata"

	"golang.org/x/net/webdav"
)

// kept is a folder of a service that a test keeps.
type kept struct {
	gate        *webtest.Gate
	config      string                                // the keys of its store
	put         func(t *testing.T, path, data string) // of the set of masters
	remove      func(t *testing.T, path string)
	empty       func(t *testing.T)      // takes all away that lies in the set's folder
	by          string                  // what the statement of holdings says that they are reported by
	emptied     string                  // what is said of it then
	says        []string                // in findings
	archived    func(path, data string) // puts it into a class that nothing is given out from
	archivedDue func(path, data string) // likewise, and what the service says of it is of other bytes
	masked      func(path, data string) // puts it so that what the service says of it is of other bytes; nil: can't be
}

// keepDAV is a folder on a WebDAV server by others, in this process.
func keepDAV(t *testing.T, dir string) kept {
	root := t.TempDir()
	must := func(t *testing.T, err error) {
		if err != nil {
			t.Helper()
			t.Fatal(err)
		}
	}
	must(t, os.MkdirAll(filepath.Join(root, "archive", "masters"), 0o755))
	files := &webdav.Handler{Prefix: "/dav", FileSystem: webdav.Dir(root), LockSystem: webdav.NewMemLS()}
	gate := webtest.Start(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if u, p, _ := r.BasicAuth(); u != "firmus" || p != "a secret word" {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		if r.Method != "PROPFIND" && r.Method != http.MethodGet {
			t.Errorf("%s %s", r.Method, r.URL)
		}
		files.ServeHTTP(w, r)
	}))
	must(t, os.WriteFile(filepath.Join(dir, "dav-login"), []byte("user = firmus\npassword = a secret word\n"), 0o600))
	return laidIn(kept{gate: gate, says: []string{"Look in the service's bin, if it has one", "over the same file", "its own pages"},
		config: fmt.Sprintf("service = \"webdav\"\nendpoint = %q\nfolder = \"archive\"\ncredentials = \"dav-login\"", gate.URL+"/dav/")}, root)
}

// keepS3 is a bucket on a server in this process.
func keepS3(t *testing.T, dir string) kept {
	s := &s3test.Server{Bucket: "quillmere", Now: time.Now}
	s.Put("archive/masters/", s3test.Version{})
	gate := webtest.Start(t, s)
	if err := os.WriteFile(filepath.Join(dir, "s3-key"), []byte("[default]\naws_access_key_id = "+s3test.Key+"\naws_secret_access_key = a secret word\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return kept{
		gate:   gate,
		config: fmt.Sprintf("service = \"s3\"\nendpoint = %q\nbucket = \"quillmere\"\nfolder = \"archive\"\ncredentials = \"s3-key\"", gate.URL),
		put: func(t *testing.T, path, data string) {
			s.Put("archive/masters/"+path, s3test.Version{Data: []byte(data), Sum: "crc64nvme"})
		},
		remove: func(t *testing.T, path string) { s.Delete("archive/masters/" + path) },
		empty: func(t *testing.T) {
			for _, item := range cloudItems {
				s.Delete("archive/masters/" + item + "/" + item + "_A.wav")
			}
		},
		by:      "a CRC-64NVME of the whole file",
		emptied: "the service shows nothing in the folder, where 3 files are expected",
		says:    []string{"deleted on ", ", and an earlier version is kept there", "delete that marker alone", "under the same key", "reported right by the service"},
		archived: func(path, data string) {
			s.Put("archive/masters/"+path, s3test.Version{Data: []byte(data), Sum: "crc64nvme", Class: "DEEP_ARCHIVE"})
		},
		archivedDue: func(path, data string) {
			s.Put("archive/masters/"+path, s3test.Version{Data: []byte(data), KMS: true, Class: "DEEP_ARCHIVE"})
		},
		masked: func(path, data string) {
			s.Put("archive/masters/"+path, s3test.Version{Data: []byte(data), KMS: true})
		},
	}
}

// laidIn is a folder below which files of the set are laid.
func laidIn(k kept, root string) kept {
	at := func(path string) string { return filepath.Join(root, "archive", "masters", filepath.FromSlash(path)) }
	k.put = func(t *testing.T, path, data string) {
		t.Helper()
		if err := os.MkdirAll(filepath.Dir(at(path)), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(at(path), []byte(data), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	k.empty = func(t *testing.T) {
		t.Helper()
		for _, item := range cloudItems {
			if err := os.RemoveAll(at(item)); err != nil {
				t.Fatal(err)
			}
		}
	}
	k.by = "size and time alone" // of files that nobody uploaded
	if k.emptied == "" {
		k.emptied = "the service shows nothing in the folder, where 3 files are expected"
	}
	k.remove = func(t *testing.T, path string) {
		t.Helper()
		if err := os.Remove(at(path)); err != nil {
			t.Fatal(err)
		}
	}
	return k
}

// keepApache is a folder on a WebDAV server by others.
func keepApache(t *testing.T, dir string) kept {
	addr, root := webtest.Apache(t, "firmus", "a secret word")
	if err := os.WriteFile(filepath.Join(dir, "dav-login"), []byte("user = firmus\npassword = a secret word\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	gate := webtest.Before(t, addr)
	return laidIn(kept{gate: gate, says: []string{"over the same file"},
		config: fmt.Sprintf("service = \"webdav\"\nendpoint = %q\nfolder = \"archive\"\ncredentials = \"dav-login\"", gate.URL)}, root)
}

// keepGateway is a bucket on an S3 server by others. Files are laid into its folder: it says
// nothing of them but size and time.
func keepGateway(t *testing.T, dir string) kept {
	addr, root := webtest.Gateway(t, "FIRMUSGATEWAY", "a secret word")
	if err := os.WriteFile(filepath.Join(dir, "s3-key"), []byte("aws_access_key_id = FIRMUSGATEWAY\naws_secret_access_key = a secret word\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	gate := webtest.Before(t, addr)
	return laidIn(kept{gate: gate, says: []string{"under the same key"}, emptied: "there is no such folder", // a bucket has no folders, but of what lies in them
		config: fmt.Sprintf("service = \"s3\"\nendpoint = %q\nbucket = \"quillmere\"\nfolder = \"archive\"\ncredentials = \"s3-key\"", gate.URL)}, filepath.Join(root, "quillmere"))
}

// TestServices: the whole way of an archive with its copies on each kind of service that
// the program is given an address of.
func TestServices(t *testing.T) {
	t.Parallel()
	for name, keep := range map[string]func(*testing.T, string) kept{"webdav": keepDAV, "s3": keepS3, "apache": keepApache, "versitygw": keepGateway} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := &cloudHouse{T: t, dir: t.TempDir()}
			k := keep(t, h.dir)
			waves := map[string]string{}
			for i, item := range cloudItems {
				path := item + "/" + item + "_A.wav"
				waves[path] = string(testdata.Wave(item, 22*(5000+i)))
				p := filepath.Join(h.dir, "studio", filepath.FromSlash(path))
				if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(p, []byte(waves[path]), 0o644); err != nil {
					t.Fatal(err)
				}
				k.put(t, path, waves[path])
			}
			text := fmt.Sprintf(studioConfig+`[store.cloud]
kind = "cloud"
%s
[web]
listen = "127.0.0.1:0"
`, k.config)
			if err := os.WriteFile(filepath.Join(h.dir, "firmus.toml"), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			out, _ := h.run(0, "check")
			if !strings.Contains(out, "can be audited") {
				t.Errorf("check:\n%s", out)
			}
			h.run(0, "intake")
			if a := h.audits(0)["cloud"]; a["intact"] != 3.0 || a["complete"] != true || len(found(a)) != 0 {
				t.Errorf("%v", a)
			}
			if a := h.audits(0, "cloud", "--full")["cloud"]; a["read"] != 3.0 || a["intact"] != 3.0 {
				t.Errorf("in full: %v", a)
			}
			k.gate.Reset()
			if a := h.audits(0, "cloud")["cloud"]; a["read"] != 0.0 || a["intact"] != 3.0 {
				t.Errorf("nothing is due: %v", a)
			}
			for _, c := range k.gate.Calls() {
				if strings.HasPrefix(c, "GET") && strings.HasSuffix(c, ".wav") {
					t.Errorf("nothing is due, and %s", c)
				}
			}

			// Exchanged, with the size it had; gone; and one that nobody knows.
			const a, b = "QV-0107/QV-0107_A.wav", "QV-0108/QV-0108_A.wav"
			time.Sleep(1100 * time.Millisecond) // times of a service may have seconds only
			rotten := []byte(waves[a])
			rotten[len(rotten)-7] ^= 1
			k.put(t, a, string(rotten))
			k.remove(t, b)
			k.put(t, "QV-0107/other.wav", string(testdata.Wave("other", 22*4000)))
			got := strings.Join(found(h.audits(1, "cloud")["cloud"]), ", ")
			if want := "altered " + a + ", unexpected QV-0107/other.wav, missing " + b; len(strings.Split(got, ", ")) != 3 || !sameWords(got, want) {
				t.Errorf("found %s, want %s", got, want)
			}
			shown := ""
			for n := 1; n <= 3; n++ {
				out, _ := h.run(-1, "findings", "show", fmt.Sprint(n))
				shown += out
				if strings.Contains(out, "a secret word") {
					t.Error("the password is shown")
				}
			}
			for _, want := range k.says {
				if !strings.Contains(shown, want) {
					t.Errorf("nothing says %q:\n%s", want, shown)
				}
			}
			k.put(t, a, waves[a])
			k.put(t, b, waves[b])
			k.remove(t, "QV-0107/other.wav")
			if c := h.audits(0, "cloud")["cloud"]; c["intact"] != 3.0 || len(found(c)) != 0 {
				t.Errorf("put right: %v", c)
			}

			// An ETag that is no MD5 is no evidence: the file is read once, and not each night.
			if k.masked != nil {
				time.Sleep(1100 * time.Millisecond)
				k.masked(a, waves[a])
				for _, read := range []float64{1, 0} {
					if c := h.audits(0, "cloud")["cloud"]; c["read"] != read || c["intact"] != 3.0 || len(found(c)) != 0 {
						t.Errorf("another ETag, read %v: %v", read, c)
					}
				}
			}

			// What lies in an archive class can't be read now: no damage, and not fetched.
			if k.archived != nil {
				k.archived(a, waves[a])
				k.gate.Reset()
				c := h.audits(3, "cloud", "--full")["cloud"]
				if c["intact"] != 3.0 || c["read"] != 2.0 || len(found(c)) != 0 || !strings.Contains(fmt.Sprint(c["trouble"]), "not readable now: it lies in the service's class DEEP_ARCHIVE") {
					t.Errorf("in an archive class: %v", c)
				}
				for i, x := range k.gate.Calls() {
					if strings.HasPrefix(x, "GET") && strings.Contains(x, a) {
						t.Errorf("%s %v", x, k.gate.Headers()[i])
					}
				}
				// Whoever didn't ask for all of it is told, and has nothing to do before the promise ends.
				k.archivedDue(a, waves[a])
				k.gate.Reset()
				c = h.audits(0, "cloud")["cloud"]
				if c["intact"] != 3.0 || c["read"] != 0.0 || c["complete"] != true || len(found(c)) != 0 || len(c["trouble"].([]any)) != 0 ||
					!strings.Contains(fmt.Sprint(c["warnings"]), "1 file of masters in cloud is due and can't be read now (QV-0107/QV-0107_A.wav)") {
					t.Errorf("due in an archive class: %v", c)
				}
				if calls := strings.Join(k.gate.Calls(), "\n"); strings.Contains(calls, "GET /quillmere/archive/masters/"+a) {
					t.Errorf("it was fetched: %s", calls)
				}
				time.Sleep(1100 * time.Millisecond)
				k.put(t, a, waves[a])
				h.run(0, "audit", "cloud")
			}

			// By what each file is reported stands in the statement of holdings.
			out, _ = h.run(0, "report", "holdings")
			if !strings.Contains(out, "What services report of the copies that they keep") || !strings.Contains(out, k.by) {
				t.Errorf("nothing says %q:\n%s", k.by, out)
			}

			// A folder that shows nothing is away, as an empty drive is: no file is called missing.
			k.empty(t)
			c := h.audits(3, "cloud")["cloud"]
			if c["intact"] != 3.0 || fmt.Sprint(found(c)) != "[away ]" || !strings.Contains(fmt.Sprint(c["away"]), k.emptied) {
				t.Errorf("emptied: %v", c)
			}
			for path, data := range waves {
				k.put(t, path, data)
			}
			if c := h.audits(0, "cloud")["cloud"]; c["intact"] != 3.0 || len(found(c)) != 0 {
				t.Errorf("filled again: %v", c)
			}

			// Whoever can't be asked has lost nothing.
			for what, f := range map[string]webtest.Fault{
				"shut out": {Status: 401}, "a page": {Status: 200, Header: http.Header{"Content-Type": {"text/html"}}, Body: "<html></html>"},
				"an outage": {Status: 503}, "nothing there": {Status: 404}, "no answer": {Drop: true},
			} {
				f.Count = -1
				k.gate.Inject(f)
				if c := h.audits(3)["cloud"]; c["exit"] != 3.0 || fmt.Sprint(found(c)) != "[away ]" {
					t.Errorf("%s: %v", what, c)
				}
				if out, msg := h.run(3, "check"); strings.Contains(out+msg, "a secret word") {
					t.Errorf("%s: the password is shown", what)
				}
				k.gate.Heal()
				if c := h.audits(0)["cloud"]; c["intact"] != 3.0 {
					t.Errorf("after %s: %v", what, c)
				}
			}
		})
	}
}

// sameWords says that two texts have the same words, in whatever order.
func sameWords(a, b string) bool {
	n := map[string]int{}
	for _, w := range strings.FieldsFunc(a, func(r rune) bool { return r == ' ' || r == ',' }) {
		n[w]++
	}
	for _, w := range strings.FieldsFunc(b, func(r rune) bool { return r == ' ' || r == ',' }) {
		n[w]--
	}
	for _, k := range n {
		if k != 0 {
			return false
		}
	}
	return true
}
