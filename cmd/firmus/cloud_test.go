package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"unicode"

	"firmus/replicas/testing/drivetest"
	"firmus/testdata"
)

// cloudHouse is an archive with a studio and a cloud folder on a test server, of which
// all is known and intact.
type cloudHouse struct {
	*testing.T
	dir     string
	server  *drivetest.Server
	folder  string
	masters string
	ids     map[string]string // of files, by item
}

var cloudItems = []string{"QV-0107", "QV-0108", "QV-0109"}

func newCloudHouse(t *testing.T) *cloudHouse {
	t.Helper()
	s, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	h := &cloudHouse{T: t, dir: t.TempDir(), server: s, ids: map[string]string{}}
	h.folder = s.AddFolder(drivetest.Root, "Quillmere")
	h.masters = s.AddFolder(h.folder, "masters")
	for i, item := range cloudItems {
		data := testdata.Wave(item, 22*(5000+i))
		h.ids[item] = s.AddFile(s.AddFolder(h.masters, item), item+"_A.wav", data)
		p := filepath.Join(h.dir, "studio", item, item+"_A.wav")
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	h.configure(h.folder, h.endpoint())
	h.run(0, "intake")
	h.run(0, "audit")
	return h
}

func (h *cloudHouse) endpoint() string { return fmt.Sprintf("endpoint = %q", h.server.Endpoint()) }

func (h *cloudHouse) configure(folder, more string) {
	h.Helper()
	text := fmt.Sprintf(studioConfig+`[store.cloud]
kind = "cloud"
service = "drive"
folder = %q
%s
[web]
listen = "127.0.0.1:0"
`, folder, more)
	if err := os.WriteFile(filepath.Join(h.dir, "firmus.toml"), []byte(text), 0o644); err != nil {
		h.Fatal(err)
	}
}

func (h *cloudHouse) run(want int, args ...string) (out, msg string) {
	h.Helper()
	var o, m bytes.Buffer
	if got := run(append([]string{"--config", filepath.Join(h.dir, "firmus.toml")}, args...), nil, &o, &m); got != want && want >= 0 {
		h.Errorf("%v: exit %d, want %d\n%s%s", args, got, want, o.String(), m.String())
	}
	return o.String(), m.String()
}

func (h *cloudHouse) json(want int, args ...string) map[string]any {
	h.Helper()
	out, msg := h.run(want, append([]string{"--json"}, args...)...)
	var doc map[string]any
	if err := json.Unmarshal([]byte(out), &doc); err != nil {
		h.Fatalf("%v: %v\n%s%s", args, err, out, msg)
	}
	return doc
}

// audits gives the audit of each store, as JSON.
func (h *cloudHouse) audits(want int, args ...string) map[string]map[string]any {
	h.Helper()
	out := map[string]map[string]any{}
	for _, x := range h.json(want, append([]string{"audit"}, args...)...)["audits"].([]any) {
		a := x.(map[string]any)
		out[a["store"].(string)] = a
	}
	return out
}

// found are the findings of an audit, as "kind path".
func found(a map[string]any) []string {
	out := []string{}
	for _, x := range a["findings"].([]any) {
		f := x.(map[string]any)
		out = append(out, fmt.Sprint(f["kind"], " ", f["path"]))
	}
	return out
}

// unharmed says that the studio was audited as if nothing were the matter elsewhere.
func (h *cloudHouse) unharmed(a map[string]map[string]any) {
	h.Helper()
	s := a["studio"]
	if s["complete"] != true || s["intact"] != 3.0 || s["exit"] != 0.0 || len(found(s)) != 0 {
		h.Errorf("the studio: %v", s)
	}
}

// TestCloudCannotBeReached: each reason for which a cloud folder can't be audited is
// told in words, by check and by audit; the other stores are audited all the same, and
// nothing in the cloud is called missing.
func TestCloudCannotBeReached(t *testing.T) {
	t.Parallel()
	anotherProject := drivetest.Fault{Count: -1, Status: 403, Reason: "accessNotConfigured", Message: "Drive API has not been used in project 1234 before or it is disabled"}
	for _, c := range []struct {
		name string
		do   func(h *cloudHouse)
		says string
	}{
		{"the id of a file", func(h *cloudHouse) { h.configure(h.ids["QV-0107"], h.endpoint()) }, "is no folder but a file named"},
		{"a folder in the bin", func(h *cloudHouse) { h.server.Bin(h.folder, true) }, "lies in the bin"},
		{"a folder in a folder in the bin", func(h *cloudHouse) {
			up := h.server.AddFolder(drivetest.Root, "up")
			h.server.Move(h.folder, up)
			h.server.Bin(up, true)
		}, "lies in the bin"},
		{"the id of nothing", func(h *cloudHouse) { h.configure("1AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", h.endpoint()) }, "this account may not read it, or there is no such folder"},
		{"the folder of another set", func(h *cloudHouse) { h.configure(h.masters, h.endpoint()) }, "masters"},
		{"access was taken away", func(h *cloudHouse) { h.server.Hide(h.folder, true) }, "is not shared with this account"},
		{"a key for another project", func(h *cloudHouse) { h.server.Inject(anotherProject) }, "not switched on in the project"},
		{"the day's calls are used up", func(h *cloudHouse) {
			h.server.Inject(drivetest.Fault{Count: -1, Status: 403, Reason: "dailyLimitExceeded"})
		}, "for today are used up"},
		{"too many calls", func(h *cloudHouse) {
			h.server.Inject(drivetest.Fault{Count: -1, Status: 403, Reason: "rateLimitExceeded"})
		}, "too many calls at once"},
		{"a call that the service doesn't know", func(h *cloudHouse) {
			h.server.Inject(drivetest.Fault{Count: -1, Status: 400, Reason: "badRequest"})
		}, "does not accept the call"},
		{"no server", func(h *cloudHouse) { h.server.Close() }, "the service was not reached"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			h := newCloudHouse(t)
			c.do(h)
			out, _ := h.run(3, "check")
			if !strings.Contains(out, "NOT OK      store cloud: ") || strings.Contains(out, "store cloud, set") || !strings.Contains(out, c.says) || !strings.Contains(out, "ok          store studio") {
				t.Errorf("check doesn't say %q:\n%s", c.says, out)
			}
			a := h.audits(3)
			h.unharmed(a)
			cl := a["cloud"]
			if cl["exit"] != 3.0 || !strings.Contains(fmt.Sprint(cl["away"]), c.says) || fmt.Sprint(found(cl)) != "[away ]" {
				t.Errorf("audit: %v", cl)
			}
		})
	}
}

// TestCloudCredentials: a file that is no credential for this is refused before it is
// used for anything; the text says what it is, and what is needed.
func TestCloudCredentials(t *testing.T) {
	t.Parallel()
	key := `{"type": "service_account", "project_id": "p", "client_email": "a@quillmere.example", "private_key": "k", "token_uri": %q}`
	for _, c := range []struct {
		name, text string
		mode       os.FileMode
		says       string
	}{
		{"not there", "", 0o600, "no such file"},
		{"not JSON", "my password", 0o600, "not JSON"},
		{"a program that people sign in with", `{"installed": {"client_id": "c"}}`, 0o600, "not a sign-in"},
		{"another type", `{"type": "external_account", "credential_source": {"file": "/etc/passwd"}}`, 0o600, "it is of type \"external_account\""},
		{"a key that is sent elsewhere", strings.Replace(goodKey(t), "TOKENS", "https://tokens.quillmere.example/", 1), 0o600, "was not given out by the service"},
		{"a key without its private part", `{"type": "service_account", "client_email": "a@quillmere.example", "token_uri": "https://oauth2.googleapis.com/token"}`, 0o600, "lacks its account or its private part"},
		{"a key that was cut off", fmt.Sprintf(key, "https://oauth2.googleapis.com/token"), 0o600, "the key's private part can't be read"},
		{"read by others", fmt.Sprintf(key, "https://oauth2.googleapis.com/token"), 0o644, "chmod 600"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			if c.mode != 0o600 && runtime.GOOS == "windows" {
				t.Skip("files have no such mode here")
			}
			h := newCloudHouse(t)
			h.server.Reset()
			h.configure(h.folder, `credentials = "key.json"`)
			file := filepath.Join(h.dir, "key.json")
			if c.text != "" {
				if err := os.WriteFile(file, []byte(c.text), c.mode); err != nil {
					t.Fatal(err)
				}
			}
			out, _ := h.run(3, "check")
			if !strings.Contains(out, "NOT OK      store cloud: ") || strings.Contains(out, "store cloud, set") || !strings.Contains(out, c.says) {
				t.Errorf("check doesn't say %q:\n%s", c.says, out)
			}
			a := h.audits(3)
			h.unharmed(a)
			if cl := a["cloud"]; cl["exit"] != 3.0 || !strings.Contains(fmt.Sprint(cl["away"]), c.says) || fmt.Sprint(found(cl)) != "[away ]" {
				t.Errorf("audit: %v", cl)
			}
		})
	}
}

// goodKey is a key as the service makes one, whose tokens come from TOKENS.
func goodKey(t *testing.T) string {
	t.Helper()
	s, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	text, err := s.Key("auditor@quillmere.example", "quillmere")
	if err != nil {
		t.Fatal(err)
	}
	return strings.Replace(string(text), s.TokenURL(), "TOKENS", 1)
}

// TestCloudAccessLostHalfway: what a listing that broke off doesn't show isn't missing,
// and what was read before stays read.
func TestCloudAccessLostHalfway(t *testing.T) {
	t.Parallel()
	t.Run("while it is listed", func(t *testing.T) {
		t.Parallel()
		h := newCloudHouse(t)
		h.server.Inject(drivetest.Fault{Method: "drive.files.list", Skip: 3, Hook: func() { h.server.Hide(h.folder, true) }})
		out, _ := h.run(3, "audit")
		if !strings.Contains(out, "NOT FINISHED") || strings.Contains(out, "missing") || strings.Contains(out, "nothing is under care") {
			t.Errorf("%s", out)
		}
	})
	t.Run("while it is read", func(t *testing.T) {
		t.Parallel()
		h := newCloudHouse(t)
		h.server.Inject(drivetest.Fault{Method: "drive.files.get#media", Skip: 1, Hook: func() { h.server.Hide(h.folder, true) }})
		a := h.audits(3, "--full")
		h.unharmed(a)
		if cl := a["cloud"]; cl["intact"] != 3.0 || cl["read"] != 1.0 || len(found(cl)) != 0 || !strings.Contains(fmt.Sprint(cl["trouble"]), "away") {
			t.Errorf("%v", cl)
		}
	})
	t.Run("the folder is moved, and seen", func(t *testing.T) {
		t.Parallel()
		h := newCloudHouse(t)
		h.server.Move(h.folder, h.server.AddFolder(drivetest.Root, "elsewhere"))
		h.unharmed(h.audits(0, "--full"))
	})
}

// TestCloudTwoOfOneName: two files of one name are two things; the good one stays
// intact, whichever was there first.
func TestCloudTwoOfOneName(t *testing.T) {
	t.Parallel()
	h := newCloudHouse(t)
	id := h.server.AddFile(h.server.Find(h.masters, "QV-0107"), "QV-0107_A.wav", []byte("a bad one"))
	for _, args := range [][]string{nil, {"--full"}} {
		a := h.audits(1, args...)
		h.unharmed(a)
		if cl := a["cloud"]; cl["intact"] != 3.0 || fmt.Sprint(found(cl)) != "[unexpected QV-0107/QV-0107_A.wav [id:"+id+"]]" {
			t.Errorf("%v", found(cl))
		}
	}
	_, msg := h.run(1, "audit", "cloud")
	if !strings.Contains(msg, `"QV-0107/QV-0107_A.wav" is there more than once`) {
		t.Errorf("it isn't said: %s", msg)
	}
}

// TestCloudOddNames: whatever a name in the cloud is, nothing is opened or written by it
// on a disk, and nothing is shown of it that a terminal would obey.
func TestCloudOddNames(t *testing.T) {
	t.Parallel()
	h := newCloudHouse(t)
	names := []string{"a/b.wav", "..", ".", "/etc/passwd", "x\x1b[31m\nNOT FINISHED\r.wav", "\u202ewav.exe", "../../up.wav", "tab\t\x00\x7f\u0085.wav", " ", "C:\\aux.wav", strings.Repeat("n", 5000)}
	for _, n := range names {
		h.server.AddFile(h.server.Find(h.masters, "QV-0107"), n, []byte("bytes of "+n))
	}
	h.server.AddFile(h.server.AddFolder(h.masters, "../.."), "in.wav", []byte("up"))
	before := filesBelow(t, filepath.Dir(h.dir), h.dir)
	a := h.audits(1, "--full")
	h.unharmed(a)
	cl := a["cloud"]
	if n := len(found(cl)); cl["intact"] != 3.0 || n != len(names)+1 {
		t.Errorf("%d findings: %q", n, found(cl))
	}
	for _, x := range cl["findings"].([]any) {
		p := x.(map[string]any)["path"].(string)
		for part := range strings.SplitSeq(p, "/") {
			if part == "" || part == "." || part == ".." {
				t.Errorf("a path with such a part: %q", p)
			}
		}
	}
	out, msg := h.run(1, "audit", "--full")
	list, _ := h.run(0, "findings")
	for _, text := range []string{out, msg, list} {
		for _, r := range text {
			if r != '\n' && (unicode.IsControl(r) || unicode.Is(unicode.Cf, r)) {
				t.Fatalf("%q reaches the terminal in\n%s", r, text)
			}
		}
		if strings.Contains(text, "\nNOT FINISHED") {
			t.Errorf("a name writes a line of its own:\n%s", text)
		}
	}
	if after := filesBelow(t, filepath.Dir(h.dir), h.dir); after != before {
		t.Errorf("on the disk there is now\n%s\nbefore\n%s", after, before)
	}
}

// filesBelow are the names of all files below a folder but for those of the state.
func filesBelow(t *testing.T, dir, house string) string {
	t.Helper()
	var all []string
	if err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err == nil && p == filepath.Join(house, "state") {
			return filepath.SkipDir
		}
		all = append(all, p)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return strings.Join(all, "\n")
}

// TestCloudBytesThatAreNotWhatWasPromised: other bytes than the service says are never
// intact, and the other files are read.
func TestCloudBytesThatAreNotWhatWasPromised(t *testing.T) {
	t.Parallel()
	media := func(f drivetest.Fault) func(h *cloudHouse) {
		return func(h *cloudHouse) {
			f.Method, f.File, f.Count = "drive.files.get#media", h.ids["QV-0107"], -1
			h.server.Inject(f)
		}
	}
	for _, c := range []struct {
		name string
		do   func(h *cloudHouse)
		exit int
		kind string // of the finding; "" if it can't be said what it is
		says string // what findings show, or the trouble
	}{
		{"the size is too large", func(h *cloudHouse) { h.server.Lie(h.ids["QV-0107"], map[string]any{"size": "999999"}) }, 1, "unreadable", "the service says that it has 999999 bytes"},
		{"the size is too small", func(h *cloudHouse) { h.server.Lie(h.ids["QV-0107"], map[string]any{"size": "10"}) }, 1, "unreadable", "the service says that it has 10 bytes"},
		{"the size is none", func(h *cloudHouse) { h.server.Lie(h.ids["QV-0107"], map[string]any{"size": "0"}) }, 1, "altered", ""},
		{"more bytes come", media(drivetest.Fault{Extra: 7}), 1, "unreadable", "and gives more"},
		{"fewer bytes come, as if that were all", media(drivetest.Fault{EndAfter: -1}), 1, "unreadable", "and ends after 0"},
		{"other bytes come", media(drivetest.Fault{Flip: true, FlipAt: 70_000}), 1, "altered", "the service goes on reporting the right checksum"},
		{"it breaks off again and again", media(drivetest.Fault{CutAfter: 1000}), 3, "", "the connection broke"},
		{"it is given out no more today", media(drivetest.Fault{Status: 403, Reason: "downloadQuotaExceeded"}), 3, "", "another day it can be read again"},
		{"it may not be downloaded", func(h *cloudHouse) { h.server.Forbid(h.ids["QV-0107"]) }, 3, "", "does not allow reading it"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			h := newCloudHouse(t)
			c.do(h)
			a := h.audits(c.exit, "--full")
			h.unharmed(a)
			cl := a["cloud"]
			if c.kind == "" {
				if cl["read"] != 2.0 || len(found(cl)) != 0 || !strings.Contains(fmt.Sprint(cl["trouble"]), c.says) || !strings.Contains(fmt.Sprint(cl["trouble"]), "QV-0107") {
					t.Errorf("%v read, %v, %v", cl["read"], found(cl), cl["trouble"])
				}
				return
			}
			if cl["read"] != 3.0 || cl["intact"] != 2.0 || fmt.Sprint(found(cl)) != "["+c.kind+" QV-0107/QV-0107_A.wav]" {
				t.Errorf("%v read, %v intact, %v", cl["read"], cl["intact"], found(cl))
			}
			if out, _ := h.run(0, "findings", "show", "1"); !strings.Contains(out, c.says) || !strings.Contains(out, "studio") {
				t.Errorf("findings show doesn't say %q:\n%s", c.says, out)
			}
		})
	}
}

// TestCloudFullSaysHowMuch: a person who orders all of it is told how much that is, and
// gets it whatever the day's bytes are.
func TestCloudFullSaysHowMuch(t *testing.T) {
	t.Parallel()
	h := newCloudHouse(t)
	h.configure(h.folder, h.endpoint()+"\nread_a_day = \"100kB\"")
	out, msg := h.run(0, "audit", "cloud", "--full")
	if !strings.Contains(msg, "all of it is read over the net, 330 kB, also what is beyond its read_a_day (100 kB)") || !strings.Contains(out, "3 read (330 kB)") {
		t.Errorf("%s%s", out, msg)
	}
	if _, msg = h.run(0, "audit", "cloud"); strings.Contains(msg, "over the net") {
		t.Errorf("in rotation: %s", msg)
	}
}

// A register that is a spreadsheet of the cloud's own is exported and read.
func TestCloudRegister(t *testing.T) {
	t.Parallel()
	h := newCloudHouse(t)
	text, err := os.ReadFile(filepath.Join("internal", "register", "workbook", "testdata", "written.xlsx"))
	if err != nil {
		t.Fatal(err)
	}
	id := h.server.AddSheet(drivetest.Root, "Register", text)
	address := "https://docs.example.org/spreadsheets/d/" + id + "/edit"
	doc := h.json(0, "register", "try", address)
	if doc["rows"] != 2.0 || doc["matched"] != 2.0 || !strings.Contains(fmt.Sprint(doc["proposed"]), address) {
		t.Error(doc)
	}
	h.configure(h.folder, h.endpoint()+fmt.Sprintf("\n[register]\nfile = %q\ncolumns = { item = \"Number\", length = \"Length\" }\n", address))
	if doc := h.json(0, "register", "try"); doc["rows"] != 2.0 {
		t.Error(doc)
	}
	if doc := h.json(3, "register", "try", strings.Replace(address, id, "nowhere", 1)); doc["why"] != "out of reach" {
		t.Error(doc)
	}
}
