package main

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/testing/browsertest"
	"firmus/replicas/testing/s3test"
	"firmus/replicas/testing/webtest"
	"firmus/testdata"

	"golang.org/x/net/webdav"
)

// A first run with a bucket, and one with a WebDAV folder. What is wrong with an address or a key
// is said where it is typed, in the words of that service, and what is right is tried at once.
func init() {
	const secret = "a secret word"
	type try struct{ address, key, want, do string }
	for name, serve := range map[string]func(t *testing.T) (tries []try, address, key string, gate *webtest.Gate){
		"s3": func(t *testing.T) ([]try, string, string, *webtest.Gate) {
			s := &s3test.Server{Bucket: "quillmere", Now: time.Now}
			for i, f := range firstFiles {
				s.Put("archive/"+f, s3test.Version{Data: testdata.Wave(fmt.Sprint("first", i), 300_000), Sum: "crc64nvme"})
			}
			gate := webtest.Start(t, s)
			at := "s3://" + strings.TrimPrefix(gate.URL, "http://")
			key := "[default]\naws_access_key_id = " + s3test.Key + "\naws_secret_access_key = " + secret + "\n"
			return []try{
				{at + "/quillmere/archive", "", "lacks the key's file", ""},
				{at + "/quillmere/archive", "aws_access_key_id = " + s3test.Key + "\n", "lacks a line aws_secret_access_key", ""},
				{at + "/quillmere/archive", strings.Replace(key, s3test.Key, "ANOTHER", 1), "the service does not know the access key", "See that the credentials file holds the newest access key"},
				{at + "/nowhere/archive", key, "there is no bucket of that name", "See that bucket and endpoint in the configuration are right"},
				{at + "/quillmere/nowhere", "", "there is no such thing, or this key may not see it", "See that bucket and folder in the configuration are right"},
			}, at + "/quillmere/archive", key, gate
		},
		"webdav": func(t *testing.T) ([]try, string, string, *webtest.Gate) {
			root := t.TempDir()
			for i, f := range firstFiles {
				p := filepath.Join(root, "archive", filepath.FromSlash(f))
				if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(p, testdata.Wave(fmt.Sprint("first", i), 300_000), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			files := &webdav.Handler{Prefix: "/dav", FileSystem: webdav.Dir(root), LockSystem: webdav.NewMemLS()}
			gate := webtest.Start(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if u, p, _ := r.BasicAuth(); u != "firmus" || p != secret {
					w.WriteHeader(http.StatusUnauthorized)
				} else if r.URL.Path == "/" {
					fmt.Fprint(w, "<html><body>Welcome</body></html>")
				} else {
					files.ServeHTTP(w, r)
				}
			}))
			key := "user = firmus\npassword = " + secret + "\n"
			return []try{
				{gate.URL + "/dav/archive", "", "lacks the key's file", ""},
				{gate.URL + "/dav/archive", "firmus\n", "has a line 1 that is none of the form KEY = VALUE", ""},
				{gate.URL + "/dav/archive", strings.Replace(key, secret, "another", 1), "the service does not accept the user and the password", "See that user and password in the credentials file are right"},
				{gate.URL + "/dav/nowhere", key, "there is no such thing, or it is not shown to this user", "See that endpoint and folder in the configuration are right"},
				{gate.URL + "/", "", "a web page came instead of a listing", ""},
			}, gate.URL + "/dav/archive", key, gate
		},
	} {
		firstRuns[name] = func(t *testing.T) {
			b := browsertest.New(t)
			tries, address, right, gate := serve(t)
			dir := t.TempDir()
			home, work, link := newcomer(t)
			n := 0
			tryCloud := func(x try) {
				t.Helper()
				b.Fill("cloud", x.address)
				if x.key != "" {
					n++
					p := filepath.Join(dir, fmt.Sprint("key", n))
					if err := os.WriteFile(p, []byte(x.key), 0o600); err != nil {
						t.Fatal(err)
					}
					b.Choose("cloud-key", p)
				}
				b.Click("Try it")
				b.Wait(x.want)
				b.Wait(x.do)
				if text := b.Text(); strings.Contains(text, secret) {
					t.Errorf("the page shows the secret: %s", text)
				}
				if to := os.Getenv("FIRMUS_PICTURES"); to != "" {
					b.Picture(filepath.Join(to, fmt.Sprintf("%s-%02d.png", name, n)))
				}
			}
			chooseFolders(b, home, link, func() {})
			for _, x := range tries {
				tryCloud(x)
			}
			tryCloud(try{address, right, "can be audited", ""})
			if text := b.Text(); strings.Contains(text, "NOT OK") || !strings.Contains(text, "A key was given") {
				t.Fatalf("the right key: %s", text)
			}
			b.Click("Next")
			b.Click("We burn no discs")
			b.Wait("Which mail server")
			b.Click("No letters")
			b.Click("Leave that open")
			b.Wait("What will be written")
			b.Click("It is a trial")
			b.Wait("Nothing above is NOT OK")
			b.Click("Write it and begin")
			b.Click("Begin the first intake")
			b.Wait("3 files taken under care. The first audit found no difference.")
			b.Wait("cloud 3 copies intact")
			c, err := config.Load(filepath.Join(work, "firmus.toml"))
			if err != nil {
				t.Fatal(err)
			}
			s, _ := c.Store("cloud")
			if st, err := os.Stat(s.Credentials); err != nil || st.Mode().Perm() != 0o600 || s.Service != name {
				t.Errorf("%+v: %v %v", s, st, err)
			}
			for _, call := range gate.Calls() {
				if m, _, _ := strings.Cut(call, " "); m != "GET" && m != "HEAD" && m != "PROPFIND" {
					t.Errorf("%s was sent", call)
				}
			}
			b.Click("To Today")
			b.Wait("No finding is open")
		}
	}
}
