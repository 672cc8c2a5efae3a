package essence_test

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"firmus/fixity/essence"
	"firmus/testdata"
)

func described(t *testing.T, b []byte) []essence.Part {
	t.Helper()
	ps, err := essence.Describe(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	return ps
}

func told(ds []essence.Difference) string {
	var out []string
	side := func(s *string) string {
		if s == nil {
			return "-"
		}
		return *s
	}
	for _, d := range ds {
		out = append(out, fmt.Sprintf("%s/%s: %s > %s", d.Part, d.Field, side(d.Was), side(d.Is)))
	}
	return strings.Join(out, "\n")
}

// What an editor changed around the sound is told field by field.
func TestDescriptionsDiffer(t *testing.T) {
	a := noise(48)
	pcm := plain(1, 2, 48000, 3, 24)
	list := func(title string) []byte {
		return chunk("LIST", append([]byte("INFO"), join(chunk("INAM", []byte(title+"\x00")), chunk("ISFT", []byte("editor 1\x00")))...))
	}
	for _, c := range []struct {
		name, want string
		was, is    []byte
	}{
		{"nothing", "", riff(pcm, data(a)), riff(pcm, data(a))},
		{"a title", "descriptions (LIST INFO)/title: The Mill > The Old Mill", riff(pcm, list("The Mill"), data(a)), riff(pcm, list("The Old Mill"), data(a))},
		{"a chunk more", "descriptions (LIST INFO)/title: - > The Mill\ndescriptions (LIST INFO)/program: - > editor 1", riff(pcm, data(a)), riff(pcm, data(a), list("The Mill"))},
		{"coding history", "broadcast description (bext)/coding history: A=ANALOGUE > A=PCM", riff(bext("A=ANALOGUE"), pcm, data(a)), riff(bext("A=PCM"), pcm, data(a))},
		{"what is not known", "abcd/: 3 bytes > 3 bytes, with other contents\nefgh/: - > 1 byte", riff(pcm, chunk("abcd", []byte("one")), data(a)), riff(pcm, chunk("abcd", []byte("two")), data(a), chunk("efgh", []byte("x")))},
		{"aiff", "name (NAME)/text: The Mill > Mühle", form("AIFF", comm(2, 8, 24), ckunk("NAME", []byte("The Mill")), ssnd(a)), form("AIFF", comm(2, 8, 24), ckunk("NAME", []byte("M\xfchle")), ssnd(a))},
	} {
		if got := told(essence.Differ(described(t, c.was), described(t, c.is))); got != c.want {
			t.Errorf("%s: %s\nwant %s", c.name, got, c.want)
		}
	}
}

// Tags that metaflac writes are found, and nothing else differs.
func TestTagsOfFLAC(t *testing.T) {
	programs(t, "sox", "flac", "metaflac")
	wav := filepath.Join(t.TempDir(), "a.wav")
	synth(t, wav, 16, 1)
	run(t, nil, "flac", "-s", "-f", wav, "-o", wav+".flac")
	run(t, nil, "metaflac", "--set-tag=TITLE=The Mill", "--set-tag=PERFORMER=a", "--set-tag=PERFORMER=b", wav+".flac")
	was := described(t, load(t, wav+".flac"))
	run(t, nil, "metaflac", "--remove-tag=PERFORMER", "--set-tag=PERFORMER=a", "--set-tag=DATE=c. 1963", wav+".flac")
	got := told(essence.Differ(was, described(t, load(t, wav+".flac"))))
	for _, want := range []string{"tags (block 4)/performer: b > -", "tags (block 4)/date: - > c. 1963"} {
		if !strings.Contains(got, want) {
			t.Errorf("%s\nlacks %s", got, want)
		}
	}
	if strings.Contains(got, "title") || strings.Contains(got, "how the samples lie") {
		t.Errorf("what is the same is told: %s", got)
	}
}

// Whatever the bytes, a description is bounded, and differs in nothing from itself.
func FuzzDescribe(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, file []byte, _ uint16) {
		ps := described(t, file)
		if len(ps) > 201 {
			t.Errorf("%d parts", len(ps))
		}
		if ds := essence.Differ(ps, described(t, file)); len(ds) > 0 {
			t.Errorf("it differs from itself: %s", told(ds))
		}
		essence.Differ(ps, described(t, testdata.Sound("broadcast.wav")))
	})
}
