package main

import (
	"encoding/pem"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/testing/browsertest"
	"firmus/cmd/firmus/testing/mailtest"
	"firmus/replicas/testing/drivetest"
	"firmus/testdata"
)

func init() { firstRuns["cloud and letters"] = firstRunWithCloudAndLetters }

// A first run with a copy in the cloud and with letters, by clicks alone: what is wrong with a
// key, a folder or a password is said where it is typed, and what is right is tried at once.
// The service is the simulated one, and the mail server is on this computer, under a certificate
// that the program is told to believe.
func firstRunWithCloudAndLetters(t *testing.T) {
	b := browsertest.New(t)
	dir := t.TempDir()
	// Keys name the service's own address for tokens (https://developers.google.com/identity/protocols/oauth2/service-account).
	cloud, err := drivetest.Start(drivetest.Options{Tokens: "https://oauth2.googleapis.com/token"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(cloud.Close)
	cloud.Lock()
	folder := cloud.AddFolder(drivetest.Root, "Quillmere")
	sets := map[string]string{"masters": cloud.AddFolder(folder, "masters"), "access": cloud.AddFolder(folder, "access")}
	for i, f := range firstFiles {
		set, rest, _ := strings.Cut(f, "/")
		item, name, _ := strings.Cut(rest, "/")
		in := sets[set]
		if _, ok := sets[set+item]; !ok {
			sets[set+item] = cloud.AddFolder(in, item)
		}
		cloud.AddFile(sets[set+item], name, testdata.Wave(fmt.Sprint("first", i), 300_000))
	}
	secure, _ := mailtest.Certificate(t, "127.0.0.1")
	post := mailtest.Start(t, secure)
	post.User, post.Password = "firmus", "correct horse"
	file := func(name string, data []byte) string {
		t.Helper()
		at := filepath.Join(dir, name)
		if err := os.WriteFile(at, data, 0o600); err != nil {
			t.Fatal(err)
		}
		return at
	}
	key, err := cloud.Key("auditor@quillmere.example", "quillmere")
	if err != nil {
		t.Fatal(err)
	}
	others, err := drivetest.Start(drivetest.Options{Tokens: "https://oauth2.googleapis.com/token"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(others.Close)
	foreign, err := others.Key("somebody@elsewhere.example", "elsewhere")
	if err != nil {
		t.Fatal(err)
	}
	home, work, link := newcomer(t, cloudThere+"="+strings.TrimSuffix(strings.TrimPrefix(cloud.Endpoint(), "http://"), "/drive/v3/"),
		"SSL_CERT_FILE="+file("ca.pem", pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: secure.Certificates[0].Certificate[0]})))
	n := 0
	picture := func() {
		if n++; os.Getenv("FIRMUS_PICTURES") != "" {
			b.Picture(filepath.Join(os.Getenv("FIRMUS_PICTURES"), fmt.Sprintf("cloud-%02d.png", n)))
		}
	}
	chooseFolders(b, home, link, func() {})

	tryCloud := func(at, key, want string) {
		t.Helper()
		b.Fill("cloud", at)
		if key != "" {
			b.Choose("cloud-key", key)
		}
		b.Click("Try it")
		b.Wait(want)
		picture()
	}
	address := "https://drive.google.com/drive/folders/" + folder
	tryCloud(address, "", "lacks the key's file")
	tryCloud(address, file("notes.json", []byte(`{"name": "notes"}`)), "is no key of a service account")
	tryCloud(address, file("foreign.json", foreign), "the key was deleted or replaced by another")
	b.Wait("NOT OK")
	b.Wait("See whether the clock is right and whether the key is the newest")
	tryCloud("https://drive.google.com/drive/folders/1nowhere", file("key.json", key), "this account may not read it, or there is no such folder")
	tryCloud(address, "", "Which cloud folder") // the key that was given stays
	if text := b.Text(); strings.Contains(text, "NOT OK") || !strings.Contains(text, "A key was given") {
		t.Fatalf("the right key: %s", text)
	}
	b.Click("Next")
	b.Wait("Which drive reads your discs")
	b.Click("We burn no discs")

	b.Wait("Which mail server")
	tryMail := func(password, want string) {
		t.Helper()
		b.Fill("mail-server", post.Addr)
		b.Fill("mail-to", "archivist@quillmere.example")
		b.Fill("mail-from", "firmus@quillmere.example")
		b.Fill("mail-user", "firmus")
		if password != "" {
			b.Fill("mail-password", password)
		}
		b.Click("Send a letter to try")
		b.Wait(want)
		picture()
	}
	tryMail("", "lacks the password")
	tryMail("wrong", "see whether the account and its password are right")
	if len(post.Got()) != 0 || strings.Contains(b.Text(), "password wrong") {
		t.Errorf("with a wrong password: %d letters, %s", len(post.Got()), b.Text())
	}
	tryMail("correct horse", "look whether it has come")
	got := post.Got()
	if len(got) != 1 || got[0].To != "archivist@quillmere.example" || !got[0].Secure {
		t.Fatalf("%d letters came", len(got))
	}
	b.Click("Next")
	b.Wait("Where do people find the drive where new files arrive?")
	b.Click("Leave that open")
	b.Wait("What will be written")
	b.Click("It is a trial")
	b.Wait("Nothing above is NOT OK")
	if text := b.Text(); strings.Contains(text, "correct horse") || strings.Contains(text, "PRIVATE KEY") {
		t.Error("the page shows a secret")
	}
	picture()
	b.Click("Write it and begin")
	b.Click("Begin the first intake")
	b.Wait("3 files taken under care. The first audit found no difference.")
	b.Wait("cloud 3 copies intact")
	picture()
	c, err := config.Load(filepath.Join(work, "firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	s, _ := c.Store("cloud")
	for _, secret := range []string{s.Credentials, c.Mail.PasswordFile} {
		if st, err := os.Stat(secret); err != nil || st.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v %v", secret, st, err)
		}
	}
	if v := cloud.Violations(); len(v) > 0 {
		t.Errorf("the service was asked wrongly: %q", v)
	}
	b.Click("To Today")
	b.Wait("No finding is open")
	picture()
}
