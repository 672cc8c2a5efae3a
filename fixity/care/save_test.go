package care_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/essence/sound"
)

// A save that lost something doesn't become a version.
func TestLost(t *testing.T) {
	const min, sec = time.Minute, time.Second
	wave := func(d time.Duration, codes ...sound.Code) care.Transfer {
		x := care.Transfer{Role: fixity.Access, Path: "song.wav", Size: 44 + int64(d/sec)*1000, Sound: sound.Sound{Format: sound.WAVE, Codec: sound.PCM, Duration: d}}
		for _, c := range codes {
			x.Notes = append(x.Notes, sound.Note{Code: c, Length: 18})
		}
		return x
	}
	silent := func(d time.Duration) care.Transfer {
		x := wave(d)
		x.Sound.Silent, x.Sound.Stretch = d, d
		return x
	}
	opaque := func(path string, size int64, codes ...sound.Code) care.Transfer {
		x := wave(0, append([]sound.Code{sound.OpaqueFile}, codes...)...)
		x.Path, x.Size, x.Sound = path, size, sound.Sound{}
		return x
	}
	lack := func(f care.Flaw, c sound.Code, missing int64) care.Loss {
		return care.Loss{Lacks: []care.Lack{{Flaw: f, Code: c, Missing: missing}}}
	}
	none := care.Loss{}
	for _, c := range []struct {
		name     string
		was, now care.Transfer
		unheard  string // "was", "now" or "": who was not listened to
		want     care.Loss
	}{
		{"trimmed by a breath", wave(20 * min), wave(20*min - 30*sec), "", none},
		{"longer", wave(20 * min), wave(25 * min), "", none},
		{"shorter by more than a minute, by less than a tenth", wave(20 * min), wave(20*min - 90*sec), "", none},
		{"shorter by more than a tenth, by less than a minute", wave(3 * min), wave(2*min + 10*sec), "", none},
		{"shorter by just a tenth", wave(20 * min), wave(18 * min), "", none},
		{"shorter by just a minute", wave(3 * min), wave(2 * min), "", none},
		{"empty, as before", opaque("notes.txt", 0), opaque("notes.txt", 0), "", none},
		{"not whole, in another way", wave(20*min, sound.DataBeyondEnd), wave(20*min, sound.HeaderOpen), "", lack(care.FlawNotWhole, sound.HeaderOpen, 0)},
		{"shorter by both", wave(20 * min), wave(17 * min), "", care.Loss{Was: 20 * min, Now: 17 * min}},
		{"shorter, and nobody had listened before", wave(20 * min), wave(10 * min), "was", care.Loss{Was: 19*min + 59*sec + 956*time.Millisecond, Now: 10 * min}},
		{"emptied", wave(20 * min), opaque("song.wav", 0), "", lack(care.FlawEmpty, "", 0)},
		{"emptied, and nobody listened", wave(20 * min), opaque("song.wav", 0), "now", lack(care.FlawEmpty, "", 0)},
		{"a text emptied", opaque("notes.txt", 90), opaque("notes.txt", 0), "", lack(care.FlawEmpty, "", 0)},
		{"cut short", wave(20 * min), wave(20*min-sec, sound.DataBeyondEnd), "", lack(care.FlawNotWhole, sound.DataBeyondEnd, 18)},
		{"zeroed with its header", wave(20 * min), silent(20 * min), "", care.Loss{Lacks: []care.Lack{{Flaw: care.FlawSilent, Silent: 20 * min, Stretch: 20 * min}}}},
		{"zeroed", wave(20 * min), opaque("song.wav", 1_200_044, sound.Blank), "", lack(care.FlawNoHeader, sound.Blank, 0)},
		{"a text zeroed", opaque("notes.txt", 90), opaque("notes.txt", 90, sound.Blank), "", lack(care.FlawNoHeader, sound.Blank, 0)},
		{"its header is gone", wave(20 * min), opaque("song.wav", 1_200_044), "", lack(care.FlawNoHeader, "", 0)},
		{"its header is gone, and the name says nothing", wave(20 * min), opaque("REC0001", 1_200_044), "", lack(care.FlawNoHeader, "", 0)},
		{"no header, as before", opaque("song.wav", 90), opaque("song.wav", 95), "", none},
		{"a text", opaque("notes.txt", 90), opaque("notes.txt", 20), "", none},
		{"whole after a stump", wave(sec, sound.DataBeyondEnd), wave(20 * min), "", none},
		{"not whole, as before", wave(20*min, sound.HeaderOpen), wave(20*min+sec, sound.HeaderOpen), "", none},
		{"nobody listened", wave(20 * min), wave(min), "now", none},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := care.Lost(care.Change{Was: c.was, Now: c.now, WasHeard: c.unheard != "was", Heard: c.unheard != "now"})
			if c.unheard == "was" { // reckoned from sizes
				got.Was = got.Was.Truncate(time.Millisecond)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if got.None() != (len(c.want.Lacks) == 0 && c.want.Was == 0) {
				t.Errorf("None is %t", got.None())
			}
		})
	}
}

func TestAStumpIsNoVersion(t *testing.T) {
	wave := func(size int64, codes ...sound.Code) care.Transfer {
		x := care.Transfer{Role: fixity.Master, Path: "QV-0001/QV-0001_A.wav", Size: size, Sound: sound.Sound{Format: sound.WAVE, Duration: time.Minute}}
		for _, c := range codes {
			x.Notes = append(x.Notes, sound.Note{Code: c, Length: 18})
		}
		return x
	}
	opaque := func(path string, size int64) care.Transfer {
		return care.Transfer{Role: fixity.Master, Path: path, Size: size}
	}
	from := func(o, n int64) []fixity.Range { return []fixity.Range{{Offset: o, Length: n}} }
	const mb = 1 << 20
	for _, c := range []struct {
		name     string
		was, now care.Transfer
		a        fixity.Anatomy
		damaged  []fixity.Range
		want     bool
	}{
		{"a beginning", wave(mb), wave(mb/2, sound.DataBeyondEnd), fixity.CutShort, from(mb/2, mb/2), true},
		{"a beginning that is whole by itself", wave(mb), wave(mb / 2), fixity.CutShort, from(mb/2, mb/2), false},
		{"a beginning of what can't be taken apart", opaque("song.mp3", mb), opaque("song.mp3", mb/2), fixity.CutShort, from(mb/2, mb/2), true},
		{"a beginning, then zeros to the end", wave(mb), wave(mb), fixity.Zeroed, from(mb/2, mb/2), true},
		{"zeros from its beginning to its end", wave(mb), wave(mb), fixity.Zeroed, from(0, mb), false},
		{"zeros in its middle and to its end", wave(mb), wave(mb), fixity.Zeroed, []fixity.Range{{Offset: mb / 2, Length: mb / 2}, {Offset: mb / 4, Length: 9}}, false},
		{"zeros in its middle", wave(mb), wave(mb), fixity.Zeroed, from(mb/4, mb/2), false},
		{"another length, not whole", wave(mb), wave(mb/3, sound.DataBeyondEnd), fixity.Replaced, from(0, mb), true},
		{"another length, no sound at all", wave(mb), opaque("QV-0001/QV-0001_A.wav", 5000), "", from(0, mb), true},
		{"another whole recording", wave(mb), wave(2 * mb), fixity.Replaced, from(0, 2*mb), false},
		{"a bit", wave(mb), wave(mb), fixity.Flipped, from(0, 65536), false},
		{"neither is whole", wave(mb, sound.HeaderOpen), wave(mb/3, sound.DataBeyondEnd), fixity.Replaced, from(0, mb), false},
		{"a text", opaque("notes.txt", 90), opaque("notes.txt", 80), "", from(0, 90), false},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := care.Stump(care.Change{Was: c.was, Now: c.now, WasHeard: true, Heard: true}, c.a, c.damaged); got != c.want {
				t.Errorf("Stump is %t", got)
			}
		})
	}
}
