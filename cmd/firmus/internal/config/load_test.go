package config_test

import (
	"encoding/json"
	"errors"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares got with the file, or writes it.
func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(strings.ReplaceAll(string(want), "\r\n", "\n"), got); d != "" {
		t.Errorf("%s, -want +got:\n%s", file, d)
	}
}

// corpus lists files, and fails if there are none.
func corpus(t testing.TB, pattern string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.FromSlash(pattern))
	if err != nil || len(files) == 0 {
		t.Fatalf("no files at %s: %v", pattern, err)
	}
	return files
}

// Each file in testdata/bad gives exactly the messages in the text beside it.
func TestBadFiles(t *testing.T) {
	files := corpus(t, "testdata/bad/*.toml")
	if texts, _ := filepath.Glob("testdata/bad/*.txt"); len(texts) != len(files) && !*update {
		t.Errorf("%d files and %d texts", len(files), len(texts))
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".toml")
		t.Run(name, func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			c, err := config.Parse(text, "firmus.toml")
			var bad *config.Error
			if c != nil || !errors.As(err, &bad) || len(bad.Problems) == 0 {
				t.Fatalf("Parse = %v, %v", c, err)
			}
			lines := strings.Count(string(text), "\n") + 1
			for _, p := range bad.Problems {
				if p.Line < 1 || p.Line > lines || p.Column < 1 {
					t.Errorf("no such place: %v", p)
				}
			}
			golden(t, strings.TrimSuffix(file, ".toml")+".txt", err.Error()+"\n")
		})
	}
}

// relative makes the paths of c relative to dir, with slashes.
func relative(t *testing.T, c *config.Config, dir string) {
	t.Helper()
	rel := func(p *string) {
		if *p == "" {
			return
		}
		q, err := filepath.Rel(dir, *p)
		if err != nil {
			t.Fatal(err)
		}
		*p = filepath.ToSlash(q)
	}
	rel(&c.File)
	rel(&c.State)
	for i := range c.Stores {
		rel(&c.Stores[i].Credentials)
		for j := range c.Stores[i].Sets {
			rel(&c.Stores[i].Sets[j].Path)
		}
	}
	if c.Mail != nil {
		rel(&c.Mail.PasswordFile)
	}
	for i := range c.Work.Sources {
		rel(&c.Work.Sources[i])
	}
	if c.Web.Certificate != "" {
		rel(&c.Web.Certificate)
		rel(&c.Web.Key)
	}
}

// The smallest file with each kind of store, and all that is filled in.
func TestDefaults(t *testing.T) {
	c, err := config.Load(filepath.Join("testdata", "least.toml"))
	if err != nil {
		t.Fatal(err)
	}
	dir, err := filepath.Abs("testdata")
	if err != nil {
		t.Fatal(err)
	}
	relative(t, c, dir)
	text, err := json.MarshalIndent(c, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	golden(t, filepath.Join("testdata", "defaults.json"), string(text)+"\n")
}

func TestEverySetting(t *testing.T) {
	const text = "\xef\xbb\xbf" + `name = "Quillmere Valley Song Survey"
state = "../state"
titles_in_letters = true
closed = ["2026-12-24/2027-01-02", "2027-05-01"]
[set.masters]
role = "master"
pattern = '^[^/]+/(QV-[0-9]{4})/'
leave_out = ["*.bak", "scratch/"]
[set.access]
role = "access"
editing = "12h"
[store.studio]
kind = "disk"
arrivals = true
place = "Studio, room 12"
medium = "hard drive"
sets = { masters = "studio/masters", access = "studio/access" }
read_within = "2w"
expect_within = "1d"
schedule = "30 22 * * mon-fri"
window = "22:00-06:00"
rate = "20MB/s"
manifests = false
[store.vault]
kind = "disk"
visiting = true
follows = "cloud"
manifests = true
marker = false
rate = "1.5MiB/s"
[store.vault.sets]
masters = "vault"
[store.cloud]
kind = "cloud"
service = "drive"
folder = "FOLDER-ID"
endpoint = "http://127.0.0.1:8099/drive/v3/"
visiting = true
sets = ["masters"]
read_a_day = "20GB"
patterns = { masters = "{barcode}_{side}.wav" }
[store.discs]
kind = "optical"
place = "Disc cabinet, room 3"
medium = "CD-R"
drive = "/dev/sr0"
read_within = "2y"
[rule]
copies = 3
places = 2
within = "1w"
[ledger]
url = "postgres://firmus@db.example.org/firmus"
[mail]
server = "127.0.0.1:25"
from = "Firmus <firmus@example.org>"
to = ["archivist@example.org", "technician@example.org"]
tls = "none"
user = "firmus"
password_file = "mail-password"
deputy = "deputy@example.org"
weekly = "friday 16:30"
[web]
listen = "[::1]:0"
address = "https://firmus.example.org"
certificate = "tls/cert.pem"
key = "tls/key.pem"
proxies = ["192.0.2.7"]
[work]
sources = ["from-recorder"]
`
	dir := t.TempDir()
	file := filepath.Join(dir, "etc", "firmus.toml")
	c, err := config.Parse([]byte(text), file)
	if err != nil {
		t.Fatal(err)
	}
	if c.File != file {
		t.Errorf("File = %q, want %q", c.File, file)
	}
	relative(t, c, filepath.Dir(file))
	want := &config.Config{
		File:            "firmus.toml",
		Name:            "Quillmere Valley Song Survey",
		State:           "../state",
		TitlesInLetters: true,
		Closed:          []config.Days{{First: "2026-12-24", Last: "2027-01-02"}, {First: "2027-05-01", Last: "2027-05-01"}},
		Sets: []config.Set{
			{Name: "masters", Role: fixity.Master, Pattern: `^[^/]+/(QV-[0-9]{4})/`, LeaveOut: []string{"*.bak", "scratch/"}},
			{Name: "access", Role: fixity.Access, Editing: config.Day / 2},
		},
		Stores: []config.Store{
			{
				Name: "studio", Kind: config.Disk, Place: "Studio, room 12", Medium: "hard drive", Arrivals: true, Marker: true,
				Sets:       []config.Root{{Set: "masters", Path: "studio/masters"}, {Set: "access", Path: "studio/access"}},
				ReadWithin: 2 * config.Week, ExpectWithin: config.Day, Schedule: "30 22 * * mon-fri",
				Window: config.Window{From: 22 * 3600e9, To: 6 * 3600e9}, Rate: 20_000_000,
			},
			{
				Name: "vault", Kind: config.Disk, Visiting: true, Follows: "cloud", Manifests: true, Rate: 1_572_864,
				Sets:       []config.Root{{Set: "masters", Path: "vault"}},
				ReadWithin: 30 * config.Day, ExpectWithin: 3 * config.Day, Schedule: "0 1 * * *",
			},
			{
				Name: "cloud", Kind: config.Cloud, Service: "drive", Folder: "FOLDER-ID", Endpoint: "http://127.0.0.1:8099/drive/v3/", Visiting: true,
				Sets: []config.Root{{Set: "masters"}}, Patterns: []config.Naming{{Set: "masters", Pattern: "{barcode}_{side}.wav"}},
				ReadWithin: 365 * config.Day, ExpectWithin: 3 * config.Day, Schedule: "0 1 * * *", ReadADay: 20_000_000_000,
			},
			{
				Name: "discs", Kind: config.Optical, Place: "Disc cabinet, room 3", Medium: "CD-R", Drive: "/dev/sr0",
				ReadWithin: 2 * config.Year, ExpectWithin: 30 * config.Day,
			},
		},
		Rule:   config.Rule{Copies: 3, Places: 2, Within: config.Week},
		Ledger: config.Ledger{URL: "postgres://firmus@db.example.org/firmus"},
		Mail: &config.Mail{
			Server: "127.0.0.1:25", From: "Firmus <firmus@example.org>", To: []string{"archivist@example.org", "technician@example.org"},
			TLS: "none", User: "firmus", PasswordFile: "mail-password",
			Deputy: "deputy@example.org", Weekly: config.Weekly{Day: time.Friday, At: 16*time.Hour + 30*time.Minute},
		},
		Web:  config.Web{Listen: "[::1]:0", Address: "https://firmus.example.org", Certificate: "tls/cert.pem", Key: "tls/key.pem", Proxies: []string{"192.0.2.7"}},
		Work: config.Work{Sources: []string{"from-recorder"}},
	}
	if d := cmp.Diff(want, c); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	if _, ok := c.Store("vault"); !ok {
		t.Error("store vault is not found by name")
	}
	if _, ok := c.Set("vault"); ok {
		t.Error("a set called vault is found")
	}
}

func TestLoadRefuses(t *testing.T) {
	dir := t.TempDir()
	if _, err := config.Load(filepath.Join(dir, "firmus.toml")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file that isn't there: %v", err)
	}
	if _, err := config.Load(dir); err == nil {
		t.Error("a folder was loaded")
	}
	long := filepath.Join(dir, "long.toml")
	if err := os.WriteFile(long, []byte(strings.Repeat("#\n", 1<<20)), 0o644); err != nil {
		t.Fatal(err)
	}
	var bad *config.Error
	if _, err := config.Load(long); !errors.As(err, &bad) {
		t.Errorf("a file of 2 MiB: %v", err)
	}
}

// The sample speaks of every setting, and all that it offers behind # can be taken in.
func TestSample(t *testing.T) {
	file := filepath.Join("..", "..", "..", "..", "deploy", "firmus.toml")
	if _, err := config.Load(file); err != nil {
		t.Error(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	offered := 0
	for line := range strings.Lines(strings.ReplaceAll(string(text), "\r\n", "\n")) {
		if rest, ok := strings.CutPrefix(line, "#"); ok && strings.TrimLeft(rest, " \n#") == rest && rest != "" {
			line = rest
			offered++
		}
		all = append(all, line)
	}
	if offered < 10 {
		t.Errorf("only %d settings are offered", offered)
	}
	c, err := config.Parse([]byte(strings.Join(all, "")), file)
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range unset(c) {
		// Some are for test servers only; a register is a file here, and no document in the cloud.
		if !slices.Contains([]string{"Stores.Endpoint", "Stores.Tokens", "Register.Document", "Register.Store"}, path) {
			t.Errorf("the sample doesn't speak of %s", path)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, file := range append(corpus(f, "testdata/bad/*.toml"), corpus(f, "testdata/*.toml")...) {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := config.Parse(text, "firmus.toml")
		if (c == nil) != (err != nil) {
			t.Errorf("Parse = %v, %v", c, err)
		}
		var bad *config.Error
		if err != nil && (!errors.As(err, &bad) || len(bad.Problems) == 0) {
			t.Errorf("error %v names no problem", err)
		}
	})
}
