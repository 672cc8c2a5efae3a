package cue_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/replicas/optical/cue"
)

const one = `REM GENRE "Field recordings"
CATALOG 0012345678905
PERFORMER "Quillmere Valley Song Survey"
TITLE "QV-0107"
FILE "QD-0031.bin" BINARY
  TRACK 01 AUDIO
    TITLE "The Miller's Daughter"
    PERFORMER "A. Nonesuch"
    ISRC XX-QVS-58-00107
    FLAGS DCP PRE
    INDEX 01 00:00:00
  TRACK 02 AUDIO
    COMPOSER "trad."
    INDEX 00 03:14:74
    INDEX 01 03:16:74
    INDEX 02 03:20:00
`

const sessions = "\uFEFFFILE \"a.bin\" BINARY\r\n  TRACK 1 MODE1/2352\r\n    INDEX 01 00:00:00\r\n" +
	"REM SESSION 02\r\nFILE \"b.bin\" BINARY\r\n  TRACK 2 MODE1/2048\r\n    PREGAP 00:02:00\r\n    INDEX 01 00:00:00\r\n"

const wave = `FILE "side a.wav" WAVE
TRACK 01 AUDIO
INDEX 01 00:00:00
TRACK 02 AUDIO
INDEX 00 02:00:00
FILE "side b.wav" WAVE
INDEX 01 00:00:00
POSTGAP 00:01:00
`

func TestParse(t *testing.T) {
	for _, tc := range []struct {
		name, text string
		want       cue.Sheet
	}{
		{"one file", one, cue.Sheet{
			MCN: "0012345678905", Words: cue.Words{Title: "QV-0107", Performer: "Quillmere Valley Song Survey"},
			Files: []cue.File{{Name: "QD-0031.bin", Type: "BINARY"}},
			Tracks: []cue.Track{
				{Number: 1, Session: 1, Mode: cue.Audio, Index0: -1, ISRC: "XXQVS5800107", PreEmphasis: true, Words: cue.Words{Title: "The Miller's Daughter", Performer: "A. Nonesuch"}},
				{Number: 2, Session: 1, Mode: cue.Audio, Index0: (3*60+14)*75 + 74, Index1: (3*60+16)*75 + 74, Words: cue.Words{Composer: "trad."}},
			},
		}},
		{"two sessions, CRLF, byte order mark", sessions, cue.Sheet{
			Files: []cue.File{{Name: "a.bin", Type: "BINARY"}, {Name: "b.bin", Type: "BINARY"}},
			Tracks: []cue.Track{
				{Number: 1, Session: 1, Mode: cue.Mode1Raw, Index0: -1},
				{Number: 2, Session: 2, Mode: cue.Mode1User, File: 1, Index0: -1, Pregap: 150},
			},
		}},
		{"a gap at the end of the file before", wave, cue.Sheet{
			Files: []cue.File{{Name: "side a.wav", Type: "WAVE"}, {Name: "side b.wav", Type: "WAVE"}},
			Tracks: []cue.Track{
				{Number: 1, Session: 1, Mode: cue.Audio, Index0: -1},
				{Number: 2, Session: 1, Mode: cue.Audio, File: 1, Index0: 9000, Postgap: 75},
			},
		}},
		{"ISO 8859-1, a name without quotes", "FILE caf\xe9 one.bin BINARY\nTRACK 5 AUDIO\nINDEX 1 0:0:0\n", cue.Sheet{
			Files:  []cue.File{{Name: "café one.bin", Type: "BINARY"}},
			Tracks: []cue.Track{{Number: 5, Session: 1, Mode: cue.Audio, Index0: -1}},
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := cue.Parse([]byte(tc.text))
			if diff := cmp.Diff(tc.want, got); err != nil || diff != "" {
				t.Error(err, diff)
			}
		})
	}
}

func TestParseRefuses(t *testing.T) {
	head := "FILE a BINARY\nTRACK 1 AUDIO\n"
	for _, tc := range []struct{ name, text, says string }{
		{"nothing", "", "no tracks"},
		{"another text", "Dear all,\nthe disc is on the shelf.\n", "no tracks"},
		{"track without a file", "TRACK 1 AUDIO\n", "no file"},
		{"no index", head + "TRACK 2 AUDIO\nINDEX 01 0:0:0\n", "no index 1"},
		{"no index in the last", head, "no index 1"},
		{"index first", "INDEX 01 0:0:0\n", "before the first track"},
		{"61 seconds", head + "INDEX 01 00:61:00\n", "time"},
		{"frame 75", head + "INDEX 01 00:00:75\n", "time"},
		{"negative", head + "INDEX 01 -1:00:00\n", "time"},
		{"far away", head + "INDEX 01 99999:00:00\n", "time"},
		{"backwards", head + "INDEX 01 00:10:00\nTRACK 2 AUDIO\nINDEX 01 00:09:00\n", "before another"},
		{"index twice", head + "INDEX 01 0:0:0\nINDEX 01 0:0:1\n", "wrong place"},
		{"number skipped", head + "INDEX 01 0:0:0\nTRACK 3 AUDIO\n", "behind track 1"},
		{"track 100", "FILE a BINARY\nTRACK 100 AUDIO\n", "track"},
		{"unknown mode", "FILE a BINARY\nTRACK 1 CDG\n", "isn't read"},
		{"compressed file", "FILE a.mp3 MP3\n", "isn't read"},
		{"session skipped", "REM SESSION 03\n", "session"},
		{"file without tracks", "FILE a BINARY\nFILE b BINARY\nTRACK 1 AUDIO\nINDEX 01 0:0:0\n", "holds no track"},
		{"file without tracks at the end", head + "INDEX 01 0:0:0\nFILE b BINARY\n", "holds no track"},
		{"NUL in a name", "FILE \"a\x00\" BINARY\n", "without a name"},
		{"too long", strings.Repeat("REM\n", cue.MaxBytes/4+1), "bytes"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := cue.Parse([]byte(tc.text))
			if !errors.Is(err, cue.ErrSheet) || !strings.Contains(fmt.Sprint(err), tc.says) || !cmp.Equal(got, cue.Sheet{}) {
				t.Errorf("got %v, want one that says %q", err, tc.says)
			}
		})
	}
}

func FuzzParse(f *testing.F) {
	n := 0
	for _, s := range []string{one, sessions, wave, "", "FILE a BINARY"} {
		f.Add([]byte(s))
		n++
	}
	if n == 0 {
		f.Fatal("no seeds")
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := cue.Parse(b)
		if err != nil {
			if !errors.Is(err, cue.ErrSheet) || !cmp.Equal(s, cue.Sheet{}) {
				t.Fatal(err, s)
			}
			return
		}
		if len(s.Tracks) == 0 || len(s.Tracks) > 99 || len(s.Files) > 99 {
			t.Fatalf("%d tracks", len(s.Tracks))
		}
		for _, tr := range s.Tracks {
			if tr.File < 0 || tr.File >= len(s.Files) || tr.GapFile < 0 || tr.GapFile >= len(s.Files) || tr.Mode.Bytes() == 0 || tr.Index1 < 0 || tr.Session < 1 {
				t.Fatalf("%+v", tr)
			}
		}
	})
}
