package pages_test

import (
	"context"
	"html"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/pages/firstrun"
	"firmus/cmd/firmus/internal/pages/site"
)

func noChecks(context.Context, *config.Config) ([]site.Checked, error) { return nil, nil }

// A register is looked at before it is kept, and kept only by who saw what is read of it now.
func TestSetupRegister(t *testing.T) {
	dir := t.TempDir()
	register := filepath.Join(dir, "register.csv")
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(register, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	write("Number,Side,Mood\nQV-0107,A,gay\n")
	if err := os.Mkdir(filepath.Join(dir, "masters"), 0o777); err != nil {
		t.Fatal(err)
	}
	shared := false
	check := func(context.Context, *config.Config) (out []site.Checked, err error) {
		if shared {
			out = append(out, site.Checked{What: "volumes", Mark: "warning", OK: true})
		}
		return out, nil
	}
	server := httptest.NewUnstartedServer(nil)
	address := "http://" + server.Listener.Addr().String()
	s, link, err := firstrun.New(firstrun.Options{Path: filepath.Join(dir, "firmus.toml"), Listen: server.Listener.Addr().String(), Log: slog.New(slog.DiscardHandler),
		Places: func() []string { return nil }, Check: check, Cloud: noChecks, Mail: noChecks, Done: func() {}}, address)
	if err != nil {
		t.Fatal(err)
	}
	server.Config.Handler = s
	server.Start()
	defer server.Close()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Jar: jar}
	body := func(res *http.Response, err error) (int, string) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		text, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		return res.StatusCode, string(text)
	}
	post := func(path string, pairs ...string) (int, string) {
		t.Helper()
		form := url.Values{}
		for i := 0; i < len(pairs); i += 2 {
			form.Set(pairs[i], pairs[i+1])
		}
		req, err := http.NewRequest(http.MethodPost, address+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Origin", address)
		return body(client.Do(req))
	}
	_, key, _ := strings.Cut(link, "key=")
	post("/enter", "key", key)

	if code, text := post("/setup/register", "file", filepath.Join(dir, "none.csv")); code != http.StatusUnprocessableEntity || !strings.Contains(text, "there is no such file") {
		t.Fatalf("%d %s", code, text)
	}
	code, text := post("/setup/register", "file", register)
	if code != http.StatusOK || !strings.Contains(text, "1 row below the header") || !strings.Contains(text, "<option selected>item</option>") {
		t.Fatalf("%d %s", code, text)
	}
	blockOf := func(text string) string {
		t.Helper()
		m := regexp.MustCompile(`name="block" value="([^"]*)"`).FindStringSubmatch(text)
		if m == nil {
			t.Fatal(text)
		}
		return html.UnescapeString(m[1])
	}
	seen := blockOf(text)
	columns := []string{"file", register, "word.0", "Number", "field.0", "item", "word.1", "Side", "field.1", "side", "word.2", "Mood", "field.2", "condition", "confirm", "1"}
	// What a person chose is another reading than the one that was shown: shown anew.
	code, text = post("/setup/register", append(columns, "block", seen)...)
	chosen := blockOf(text)
	if code != http.StatusOK || chosen == seen || !strings.Contains(chosen, `condition = "Mood"`) {
		t.Fatalf("%d %s", code, chosen)
	}
	if _, text = body(client.Get(address + "/setup/register")); strings.Contains(text, "was confirmed") {
		t.Fatal("kept without a confirmation")
	}
	if code, text = post("/setup/register", append(columns, "block", chosen, "field.1", "item")...); code != http.StatusUnprocessableEntity || !strings.Contains(html.UnescapeString(text), `both "Number" and "Side"`) {
		t.Fatalf("%d %s", code, text)
	}
	post("/setup/register", append(columns, "block", chosen)...)
	if _, text = body(client.Get(address + "/setup/register")); !strings.Contains(html.UnescapeString(text), `condition = "Mood"`) || !strings.Contains(text, "was confirmed") {
		t.Fatal(text)
	}

	// The rest of the setup, and what is written.
	for _, step := range [][]string{{"holdings", "name", "Quillmere"}, {"masters", "masters", "masters"}, {"access", "none", "1"}, {"second", "second", "second"},
		{"second-in", "second-masters", "second"}, {"cloud", "none", "1"}, {"discs", "none", "1"}, {"letters", "none", "1"}, {"places", "none", "1"}} {
		post("/setup/"+step[0], step[1:]...)
	}
	// Whether it is a trial is asked if the copies lie on one drive, or if it was said.
	for _, c := range []struct{ shared, said, asked bool }{{false, false, false}, {true, false, true}, {true, true, true}, {false, true, true}} {
		if shared = c.shared; c.said {
			post("/setup/write", "trial", "1")
		}
		if _, text = body(client.Get(address + "/setup/result")); !strings.Contains(text, "What will be written") || strings.Contains(text, "Is this a trial") != c.asked {
			t.Errorf("%+v: %s", c, text)
		}
	}
	post("/setup/write")
	cfg, err := config.Load(filepath.Join(dir, "firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if cfg.Register == nil || cfg.Register.File != register || len(cfg.Register.Columns) != 3 {
		t.Errorf("%+v", cfg.Register)
	}
}
