package pages_test

import (
	"bytes"
	"context"
	"encoding/xml"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/clips"
	"firmus/fixity"
)

// hrefs are the addresses of a kind on a page.
func hrefs(r answer, pattern string) (out []string) {
	for _, m := range regexp.MustCompile(pattern).FindAllStringSubmatch(r.text, -1) {
		out = append(out, strings.ReplaceAll(m[1], "&amp;", "&"))
	}
	return out
}

// A finding's page lets both versions be heard at the damaged spot: what is played is what
// each file holds, and nothing else of a recording can be had.
func TestBothVersionsAreHeard(t *testing.T) {
	w, id := damaged(t)
	b := w.entered()
	page := b.get(fmt.Sprintf("/findings/%d", id))
	players := hrefs(page, `<audio [^>]*src="([^"]+)"`)
	waves := hrefs(page, `<img class="wave" src="([^"]+)"`)
	if len(players) != 2 || len(waves) != 2 || !strings.Contains(players[0], "/clip/vault") || !strings.Contains(players[1], "/clip/studio") || !page.says("as it is now") || !page.says("as taken in") {
		t.Fatalf("players %q, waveforms %q", players, waves)
	}
	file, err := os.ReadFile(filepath.Join(w.dir, "studio/masters/QV-0107/QV-0107_A.wav"))
	if err != nil {
		t.Fatal(err)
	}
	at := 101_500 - 44 // the middle of the damage, in samples of a byte, 8,000 a second
	want, err := clips.Cut(context.Background(), bytes.NewReader(file), int64(len(file)), clips.Order{From: time.Duration(at)*time.Second/8000 - clips.Usual/2})
	if err != nil {
		t.Fatal(err)
	}
	var whole bytes.Buffer
	if _, err := want.WriteTo(&whole); err != nil {
		t.Fatal(err)
	}
	r := b.get(players[1])
	if r.code != 200 || r.header.Get("Content-Type") != "audio/wav" || r.text != whole.String() {
		t.Errorf("the intact version: %d, %d bytes, want %d", r.code, len(r.text), whole.Len())
	}
	if r := b.get(players[0]); r.code != 200 || len(r.text) != whole.Len() || r.text == whole.String() {
		t.Errorf("the damaged version: %d, %d bytes", r.code, len(r.text))
	}
	for _, src := range waves {
		r := b.get(src)
		if err := xml.Unmarshal([]byte(r.text), new(struct{})); err != nil || r.header.Get("Content-Type") != "image/svg+xml" {
			t.Errorf("%s: %d %v", src, r.code, err)
		}
	}
	words := b.get(fmt.Sprintf("/findings/%d/listen", id))
	if words.code != 200 || !words.says("it holds other bytes") || !words.says("No difference was found in what the files say around the sound") {
		t.Errorf("in words: %d %s", words.code, words.text)
	}
	for _, path := range []string{"/clip/discs", "/clip/..%2f..%2fetc%2fpasswd", "/clip/", "/wave/nowhere", "/clip/studio/x"} {
		if r := b.get(fmt.Sprintf("/findings/%d%s", id, path)); r.code != 404 {
			t.Errorf("%s: %d", path, r.code)
		}
	}
	for _, q := range []string{"at=-1", "at=1e99", "at=NaN", "place=-4", "place=99", "at=%00", "at=17:99", "at=0:03", "at=99:00:00"} {
		if r := b.get(fmt.Sprintf("/findings/%d/clip/studio?%s", id, q)); r.code != 200 || int64(len(r.text)) > 44+2*8000*30 {
			t.Errorf("%s: %d, %d bytes", q, r.code, len(r.text))
		}
	}
	if r := w.browser().get(players[1]); r.code == 200 {
		t.Error("a clip without a session")
	}
}

// What can't be heard is told, and no page fails for it.
func TestWhatCannotBeHeard(t *testing.T) {
	w, id := damaged(t)
	b := w.entered()
	path := fmt.Sprintf("/findings/%d", id)
	clip, wave, words := path+"/clip/vault", path+"/wave/vault", path+"/listen"
	tell := func(name, want string) {
		t.Helper()
		if r := b.get(path); r.code != 200 {
			t.Errorf("%s: the finding's page: %d", name, r.code)
		}
		if r := b.get(clip); r.code != 409 || !strings.Contains(r.text, want) {
			t.Errorf("%s: the clip: %d %q", name, r.code, r.text)
		}
		if r := b.get(wave); r.code != 200 || r.header.Get("Content-Type") != "image/svg+xml" || !strings.Contains(strings.Join(strings.Fields(stripped(r.text)), " "), want) {
			t.Errorf("%s: the waveform: %d %q", name, r.code, r.text)
		}
		if r := b.get(words); r.code != 200 || !r.says(want) {
			t.Errorf("%s: in words: %d", name, r.code)
		}
	}
	master := filepath.Join(w.dir, "vault/masters/QV-0107/QV-0107_A.wav")
	was, err := os.ReadFile(master)
	if err != nil {
		t.Fatal(err)
	}
	put := func(b []byte) {
		t.Helper()
		if err := os.WriteFile(master, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	put([]byte("not a sound at all"))
	tell("a text", "can't be played: it doesn't begin like a sound file")
	put(nil)
	tell("an empty file", "can't be played")
	if err := os.Remove(master); err != nil {
		t.Fatal(err)
	}
	tell("no file", "Nothing lies on vault where the copy should be")
	put(was)
	if err := os.Rename(filepath.Join(w.dir, "vault"), filepath.Join(w.dir, "gone")); err != nil {
		t.Fatal(err)
	}
	tell("the store is away", "The store vault could not be reached")
}

var markup = regexp.MustCompile(`<[^>]*>`)

func stripped(s string) string {
	return strings.NewReplacer("&#39;", "'", "&#34;", `"`).Replace(markup.ReplaceAllString(s, " "))
}

// A changed description is told field by field, side by side.
func TestDescriptionsSideBySide(t *testing.T) {
	w := newWorld(t, worldConfig)
	w.put("masters/QV-0107/QV-0107_A.wav", "107A", "studio", "vault")
	w.intake()
	p := filepath.Join(w.dir, "vault/masters/QV-0107/QV-0107_A.wav")
	b, err := os.ReadFile(p)
	if err != nil {
		t.Fatal(err)
	}
	b = slices.Concat(b, []byte("LIST\x14\x00\x00\x00INFOINAM\x08\x00\x00\x00<b>Song\x00"))
	if err := os.WriteFile(p, b, 0o644); err != nil {
		t.Fatal(err)
	}
	w.audit()
	fs := w.open()
	if len(fs) != 1 {
		t.Fatalf("%+v", fs)
	}
	r := w.entered().get(fmt.Sprintf("/findings/%d/listen", fs[0].ID))
	if !r.says("descriptions (LIST INFO)") || !r.says("not there") || !strings.Contains(r.text, "&lt;b&gt;Song") {
		t.Errorf("%d %s", r.code, r.text)
	}
}

// Who only looks doesn't hear restricted recordings, nor learns what they are called.
func TestRestricted(t *testing.T) {
	w := newWorld(t, strings.Replace(worldConfig, "role = \"master\"\n", "role = \"master\"\nrestricted = true\n", 1))
	w.put("masters/QV-0107/QV-0107_A lament of the widow.wav", "107A", "studio", "vault")
	w.intake()
	w.flip("vault/masters/QV-0107/QV-0107_A lament of the widow.wav")
	w.audit()
	id := w.open()[0].ID
	may, not := w.person("Ada", fixity.Technician), w.person("Ben", fixity.Viewer)
	clip := fmt.Sprintf("/findings/%d/clip/studio", id)
	if r := may.get(clip); r.code != 200 {
		t.Errorf("a technician: %d", r.code)
	}
	for _, path := range []string{clip, fmt.Sprintf("/findings/%d/wave/studio", id), fmt.Sprintf("/findings/%d/listen", id)} {
		if r := not.get(path); r.code != 403 || strings.Contains(r.text, "lament") {
			t.Errorf("%s: %d", path, r.code)
		}
	}
	if r := not.get(fmt.Sprintf("/findings/%d", id)); r.code != 200 || strings.Contains(r.text, "<audio") || strings.Contains(r.text, "/wave/") {
		t.Errorf("the finding's page has players: %d", r.code)
	}
	for _, path := range []string{"/", "/findings", fmt.Sprintf("/findings/%d", id), "/search?q=QV-0107", "/reels", "/reels/QV-0107", "/print/reels/QV-0107", "/print/reels", "/print/shift", "/print/holdings"} {
		r := not.get(path)
		if r.code != 200 && r.code != 403 || strings.Contains(r.text, "lament") {
			t.Errorf("%s tells what a restricted recording is called: %d %.200s", path, r.code, r.text[max(0, strings.Index(r.text, "lament")-100):])
		}
		if r := may.get(path); r.code != 200 {
			t.Errorf("%s for a technician: %d", path, r.code)
		}
	}
	if r := not.get("/search?q=widow"); !r.says("No file that your account may know has") {
		t.Error("a restricted file is found by its name")
	}
	if r := not.get("/search?q=QV-0107"); !r.says("name withheld") {
		t.Error("a restricted file isn't found by its item")
	}
	if r := not.get("/reels/QV-0107"); !r.says("QV-0107, name withheld") || !r.says("intact") {
		t.Error("a reel's page doesn't say how its restricted files are")
	}
}
