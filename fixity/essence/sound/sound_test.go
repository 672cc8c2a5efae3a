package sound_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strconv"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/essence/sound"
)

// Every code in the source has its line in the table, and the other way round.
func TestMeaningsAreComplete(t *testing.T) {
	f, err := parser.ParseFile(token.NewFileSet(), "note.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	codes := map[sound.Code]bool{}
	ast.Inspect(f, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok || v.Type == nil {
			return true
		}
		if id, ok := v.Type.(*ast.Ident); ok && id.Name == "Code" {
			code, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
			if err != nil {
				t.Fatal(err)
			}
			codes[sound.Code(code)] = true
		}
		return true
	})
	if len(codes) < 30 {
		t.Fatalf("only %d codes found in the source", len(codes))
	}
	for _, m := range sound.Meanings {
		if !codes[m.Code] {
			t.Errorf("%s is in the table twice, or is no code", m.Code)
		}
		delete(codes, m.Code)
		if m.Means == "" || m.Weight == "" || m.Sure == "" {
			t.Errorf("%s has no meaning: %+v", m.Code, m)
		}
		if got := (sound.Note{Code: m.Code}).Meaning(); got != m {
			t.Errorf("%s means %+v", m.Code, got)
		}
	}
	for c := range codes {
		t.Errorf("%s is not in the table", c)
	}
}

func TestJudge(t *testing.T) {
	for _, c := range []struct {
		name  string
		codes []sound.Code
		want  sound.Wholeness
	}{
		{"nothing", nil, sound.Whole},
		{"oddities", []sound.Code{sound.Trailing, sound.Zeros}, sound.Whole},
		{"opaque", []sound.Code{sound.Trailing, sound.OpaqueFile}, sound.Untold},
		{"broken wins", []sound.Code{sound.HeaderOpen, sound.NoFormat, sound.Zeros}, sound.Broken},
	} {
		var notes []sound.Note
		for _, code := range c.codes {
			notes = append(notes, sound.Note{Code: code})
		}
		if got := sound.Judge(notes); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestAt(t *testing.T) {
	for _, c := range []struct {
		rate  float64
		frame int64
		want  time.Duration
	}{
		{96000, 96000 * 3600 * 30, 30 * time.Hour},
		{96000, 1, 10417},
		{44100, 441, 10 * time.Millisecond},
		{44100, 44100*86400 + 1, 24*time.Hour + 22676},
		{244800.0 / 11, 22254545, 999999979575},
		{0, 5, 0},
		{1e-9, 1 << 62, 0},
		{48000, -1, 0},
	} {
		got := sound.Sound{Rate: c.rate}.At(c.frame)
		if d := got - c.want; d < -1 || d > 1 {
			t.Errorf("frame %d at %g Hz is at %v, want %v", c.frame, c.rate, got, c.want)
		}
	}
}

func TestAlike(t *testing.T) {
	a := sound.Sound{Codec: sound.PCM, Rate: 48000, Bits: 16, Channels: 2, Samples: fixity.DigestOf(fixity.BLAKE3, make([]byte, 32))}
	b := a
	b.Format, b.DataOffset = sound.FLAC, 99
	if !sound.Alike(a, b) {
		t.Error("the same samples in another format are not alike")
	}
	for name, change := range map[string]func(*sound.Sound){
		"rate":     func(s *sound.Sound) { s.Rate++ },
		"bits":     func(s *sound.Sound) { s.Bits++ },
		"channels": func(s *sound.Sound) { s.Channels++ },
		"codec":    func(s *sound.Sound) { s.Codec = sound.Float },
		"samples":  func(s *sound.Sound) { s.Samples.Sum = "00" },
	} {
		b := a
		change(&b)
		if sound.Alike(a, b) {
			t.Errorf("alike with another %s", name)
		}
	}
	if sound.Alike(sound.Sound{}, sound.Sound{}) {
		t.Error("two unknown sounds are alike")
	}
}
