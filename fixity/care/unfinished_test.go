package care_test

import (
	"bytes"
	"path"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
	"firmus/testdata"
)

func TestUnfinished(t *testing.T) {
	wave := func(d, silent, stretch time.Duration) sound.Sound {
		return sound.Sound{Format: sound.WAVE, Codec: sound.PCM, Duration: d, Silent: silent, Stretch: stretch}
	}
	note := func(codes ...sound.Code) (out []sound.Note) {
		for _, c := range codes {
			out = append(out, sound.Note{Code: c, Length: 18})
		}
		return out
	}
	zeros := func(secs ...time.Duration) (out []sound.Note) {
		for _, s := range secs {
			out = append(out, sound.Note{Code: sound.Zeros, From: time.Second, To: time.Second + s*time.Second})
		}
		return out
	}
	const min, sec = time.Minute, time.Second
	opaque := note(sound.OpaqueFile)
	whole := wave(10*min, 0, 0)
	for _, c := range []struct {
		name  string
		role  fixity.Role
		path  string
		size  int64
		sound sound.Sound
		notes []sound.Note
		want  []care.Lack
	}{
		{"whole", fixity.Master, "a.wav", 9, whole, nil, nil},
		{"odd, and whole", fixity.Master, "a.wav", 9, whole, note(sound.Trailing, sound.SizeLimit, sound.PartFrame, sound.FormatOdd, sound.OtherCodec), nil},
		{"text", fixity.Master, "a.txt", 9, sound.Sound{}, opaque, nil},
		{"empty text", fixity.Master, "QV-0101/notes.txt", 0, sound.Sound{}, opaque, nil},
		{"zeros, not named as sound", fixity.Master, "a.bin", 9, sound.Sound{}, note(sound.OpaqueFile, sound.Blank), nil},
		{"a checksum list beside it", fixity.Master, "a.wav.md5", 9, sound.Sound{}, opaque, nil},
		{"empty", fixity.Master, "QV-0101/A.WAV", 0, sound.Sound{}, opaque, []care.Lack{{Flaw: care.FlawEmpty}}},
		{"empty, of a kind that isn't taken apart", fixity.Access, "a.mp3", 0, sound.Sound{}, opaque, []care.Lack{{Flaw: care.FlawEmpty}}},
		{"no header", fixity.Master, "a.aiff", 9, sound.Sound{}, opaque, []care.Lack{{Flaw: care.FlawNoHeader}}},
		{"a kind that isn't taken apart", fixity.Access, "a.mp3", 9, sound.Sound{}, opaque, nil},
		{"nothing but zeros", fixity.Master, "REC.WAV", 70_000, sound.Sound{}, note(sound.OpaqueFile, sound.Blank), []care.Lack{{Flaw: care.FlawNoHeader, Code: sound.Blank}}},
		{"nothing but zeros, of a kind that isn't taken apart", fixity.Master, "a.Opus", 9, sound.Sound{}, note(sound.OpaqueFile, sound.Blank), []care.Lack{{Flaw: care.FlawNoHeader, Code: sound.Blank}}},
		{"cut short", fixity.Access, "a.wav", 9, whole, note(sound.DataBeyondEnd), []care.Lack{{Flaw: care.FlawNotWhole, Code: sound.DataBeyondEnd, Missing: 18}}},
		{"cut short, another name", fixity.Access, "REC0001", 9, whole, note(sound.DataBeyondEnd), []care.Lack{{Flaw: care.FlawNotWhole, Code: sound.DataBeyondEnd, Missing: 18}}},
		{"never completed", fixity.Master, "a.wav", 9, whole, note(sound.HeaderOpen), []care.Lack{{Flaw: care.FlawNotWhole, Code: sound.HeaderOpen}}},
		{"two things", fixity.Master, "a.flac", 9, sound.Sound{Format: sound.FLAC}, note(sound.FLACFrame, sound.FLACMD5),
			[]care.Lack{{Flaw: care.FlawNotWhole, Code: sound.FLACFrame}, {Flaw: care.FlawNotWhole, Code: sound.FLACMD5}}},
		{"not decoded", fixity.Master, "a.flac", 9, sound.Sound{Format: sound.FLAC}, note(sound.FLACNotDecoded), nil},
		{"silent", fixity.Access, "a.wav", 9, wave(10*sec, 10*sec, 10*sec), nil, []care.Lack{{Flaw: care.FlawSilent, Silent: 10 * sec, Stretch: 10 * sec}}},
		{"silent for half of it", fixity.Master, "a.wav", 9, wave(10*sec, 5*sec, 5*sec), nil, nil},
		{"silent for more than half of it, in pieces", fixity.Access, "a.wav", 9, wave(10*sec, 6*sec, sec), nil, []care.Lack{{Flaw: care.FlawSilent, Silent: 6 * sec, Stretch: sec}}},
		{"a minute of silence in a master", fixity.Master, "a.wav", 9, wave(10*min, min, min), nil, []care.Lack{{Flaw: care.FlawSilent, Silent: min, Stretch: min}}},
		{"less than that", fixity.Master, "a.wav", 9, wave(10*min, 4*min, min-1), nil, nil},
		{"a minute of silence in an access file", fixity.Access, "a.wav", 9, wave(10*min, min, min), nil, nil},
		{"notes alone: a minute", fixity.Master, "a.wav", 9, whole, zeros(5, 60), []care.Lack{{Flaw: care.FlawSilent, Silent: 65 * sec, Stretch: min}}},
		{"notes alone: more than half", fixity.Access, "a.wav", 9, wave(min, 0, 0), zeros(16, 16), []care.Lack{{Flaw: care.FlawSilent, Silent: 32 * sec, Stretch: 16 * sec}}},
		{"notes alone: little", fixity.Master, "a.wav", 9, whole, zeros(1, 2, 3), nil},
		{"no length is known", fixity.Access, "a.wav", 9, wave(0, 0, 0), zeros(5), nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := care.Unfinished(care.Transfer{Role: c.role, Path: c.path, Size: c.size, Sound: c.sound, Notes: c.notes})
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// What the table of samples says of each is what is found in it.
func TestNoSampleIsWholerThanItsTableSays(t *testing.T) {
	lines := 0
	for _, row := range testdata.Table("sound") {
		name, want := row[0], row[2]
		lines++
		b := testdata.Sound(name)
		s, notes, err := essence.Read(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, l := range care.Unfinished(care.Transfer{Role: fixity.Master, Path: path.Join("QV-0101", name), Size: int64(len(b)), Sound: s, Notes: notes}) {
			got = append(got, string(l.Flaw))
		}
		if s := strings.Join(got, " "); s != want {
			t.Errorf("%s: %q, its table says %q", name, s, want)
		}
	}
	if lines < 20 {
		t.Errorf("only %d samples of sound", lines)
	}
}
