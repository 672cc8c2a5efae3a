package burned_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/testing/discfstest"
)

// piece makes sectors of noise: no stretch of it occurs twice.
func piece(seed uint64, sectors int) []byte {
	r := rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8)})
	b := make([]byte, sectors*cdda.SectorBytes)
	_, _ = r.Read(b)
	return b
}

// soundImage writes a cue sheet with raw sectors of the pieces, read by a drive with
// that offset, and opens it.
func soundImage(t *testing.T, offset, gap int, change func([]byte), pieces ...[]byte) *optical.Disc {
	t.Helper()
	var pcm []byte
	sheet := "FILE \"disc.bin\" BINARY\n"
	for i, p := range pieces {
		if i > 0 {
			pcm = append(pcm, make([]byte, gap*cdda.SectorBytes)...)
		}
		lba := len(pcm) / cdda.SectorBytes
		sheet += fmt.Sprintf("  TRACK %02d AUDIO\n    INDEX 01 %02d:%02d:%02d\n", i+1, lba/75/60, lba/75%60, lba%75)
		pcm = append(pcm, p...)
	}
	disc := make([]byte, len(pcm))
	for i := range disc {
		if k := i + offset*cdda.SampleBytes; k >= 0 && k < len(pcm) {
			disc[i] = pcm[k]
		}
	}
	if change != nil {
		change(disc)
	}
	dir := t.TempDir()
	for name, b := range map[string][]byte{"disc.bin": disc, "disc.cue": []byte(sheet)} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return openImage(t, filepath.Join(dir, "disc.cue"))
}

func openImage(t *testing.T, path string) *optical.Disc {
	t.Helper()
	d, err := optical.OpenImage(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d
}

func sources(pieces ...[]byte) (list []burned.File) {
	for i, p := range pieces {
		n := int64(len(p) / cdda.SampleBytes)
		list = append(list, burned.File{Name: fmt.Sprintf("piece %d", i+1), Size: -1, Samples: n,
			Sound: &cdda.Source{PCM: bytes.NewReader(p), Samples: n}})
	}
	return list
}

func check(t *testing.T, d *optical.Disc, w burned.Want) burned.Result {
	t.Helper()
	r, err := burned.Check(t.Context(), d, w, burned.Options{Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// noise puts other samples into one sector.
func noise(lba int) func([]byte) {
	return func(b []byte) {
		for i := lba * cdda.SectorBytes; i < (lba+1)*cdda.SectorBytes; i++ {
			b[i] ^= 0x55
		}
	}
}

// summary is a report in one line.
func summary(r burned.Result) string {
	s := string(r.Verdict)
	for _, h := range r.Files {
		s += fmt.Sprintf(" %s", h.State)
		if h.Cause != "" {
			s += "(" + h.Cause + ")"
		}
	}
	for _, x := range r.Differing {
		s += fmt.Sprintf(" %d+%d track %d at %s", x.LBA, x.Count, x.Track, x.Time)
	}
	return s
}

func TestSound(t *testing.T) {
	a, b, c := piece(1, 700), piece(2, 800), piece(3, 750)
	for _, tc := range []struct {
		name   string
		disc   *optical.Disc
		want   []burned.File
		expect string
	}{
		{"no offset", soundImage(t, 0, 0, nil, a, b, c), sources(a, b, c), "intact intact intact intact"},
		{"offset 667", soundImage(t, 667, 0, nil, a, b, c), sources(a, b, c), "intact intact intact intact"},
		{"offset -1164, pauses", soundImage(t, -1164, 150, nil, a, b, c), sources(a, b, c), "intact intact intact intact"},
		{"one sector", soundImage(t, 30, 0, noise(1000), a, b, c), sources(a, b, c), "altered intact altered intact 1000+1 track 2 at 00:00:04.00"},
		{"another order", soundImage(t, 30, 0, nil, b, a), sources(a, b), "reordered intact intact"},
		{"another recording", soundImage(t, 0, 0, nil, piece(7, 700), piece(8, 800)), sources(a, b), "other altered(other) altered(other)"},
		{"silence", soundImage(t, 0, 0, nil, make([]byte, 700*cdda.SectorBytes)), sources(make([]byte, 700*cdda.SectorBytes)), "says-nothing (says-nothing)"},
		{"one source lacks", soundImage(t, 100, 0, nil, a, b, c), append(sources(a), burned.File{Name: "gone", Size: -1}, sources(c)[0]), "not-compared intact (not-compared) intact"},
		{"one lacks, another is altered", soundImage(t, 100, 0, noise(1600), a, b, c), append(sources(a), burned.File{Name: "gone", Size: -1}, sources(c)[0]),
			"altered intact (not-compared) altered 1600+1 track 3 at 00:00:01.25"},
		{"all lack", soundImage(t, 0, 0, nil, a, b), []burned.File{{Name: "gone", Size: -1}, {Name: "gone", Size: -1}}, "not-compared (not-compared) (not-compared)"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := summary(check(t, tc.disc, burned.Want{Kind: optical.Audio, Files: tc.want})); got != tc.expect {
				t.Errorf("got  %s\nwant %s", got, tc.expect)
			}
		})
	}
}

// What is another kind of disc needs no reading.
func TestOtherKind(t *testing.T) {
	d := soundImage(t, 0, 0, nil, piece(1, 700))
	r := check(t, d, burned.Want{Kind: optical.Data, Files: []burned.File{{Name: "a.wav", Size: 5}}})
	if summary(r) != "other (other)" || r.Check.Map.Counts().Untried == 0 {
		t.Errorf("%s, %+v", summary(r), r.Check.Map.Counts())
	}
}

// A disc that nothing is known of gets a baseline, and later readings, in drives with
// other offsets, are held against it.
func TestSoundBaseline(t *testing.T) {
	a, b := piece(1, 900), piece(2, 1100)
	first := check(t, soundImage(t, 100, 0, nil, a, b), burned.Want{Kind: optical.Audio})
	if first.Verdict != fixity.DiscBaseline || first.Baseline == nil {
		t.Fatalf("%s", summary(first))
	}
	packed, err := first.Baseline.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	var base burned.Baseline
	if err := base.UnmarshalBinary(packed); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(*first.Baseline, base); diff != "" {
		t.Errorf("packed and unpacked (-was +is):\n%s", diff)
	}
	for _, tc := range []struct {
		name    string
		disc    *optical.Disc
		verdict fixity.DiscVerdict
		offset  int
		lba     int64 // that differing sectors must hold
	}{
		{"the same drive", soundImage(t, 100, 0, nil, a, b), fixity.DiscIntact, 0, -1},
		{"another drive", soundImage(t, -500, 0, nil, a, b), fixity.DiscIntact, -600, -1},
		{"one sector is another", soundImage(t, 667, 0, noise(1234), a, b), fixity.DiscAltered, 567, 1234},
		{"another disc", soundImage(t, 100, 0, nil, piece(5, 900), piece(6, 1100)), fixity.DiscOther, 0, -1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := check(t, tc.disc, burned.Want{Kind: optical.Audio, Baseline: &base})
			if r.Verdict != tc.verdict || r.Sound.Offset != tc.offset || (len(r.Differing) > 0) != (tc.lba >= 0) {
				t.Fatalf("%s at offset %d", summary(r), r.Sound.Offset)
			}
			for _, x := range r.Differing {
				if tc.lba < x.LBA || tc.lba >= x.LBA+x.Count || x.Count > cdda.Group+1 {
					t.Errorf("differing %+v", x)
				}
			}
		})
	}
}

// Which disc is this? Twins can't be told apart; one of the same lengths can.
func TestIdentifySound(t *testing.T) {
	a, b := piece(1, 900), piece(2, 1100)
	d := soundImage(t, 667, 0, nil, a, b)
	known := []burned.Known{
		{ID: 1, Kind: optical.Audio, Files: sources(piece(5, 900), piece(6, 1100))},
		{ID: 2, Kind: optical.Audio, Files: sources(a, b)},
		{ID: 3, Kind: optical.Audio, Files: sources(a, b)},
		{ID: 4, Kind: optical.Data, Files: []burned.File{{Name: "a.wav", Size: 5}}},
		{ID: 5, Kind: optical.Audio, Files: []burned.File{{Name: "gone", Samples: 900 * 588}, {Name: "gone", Samples: 1100 * 588}}},
		{ID: 6, Kind: optical.Audio, Files: []burned.File{{Name: "gone", Samples: 901 * 588}, {Name: "gone", Samples: 2000 * 588}}},
	}
	got, err := burned.Identify(t.Context(), d, known)
	if err != nil {
		t.Fatal(err)
	}
	want := []burned.Match{{ID: 2, Sure: true, How: burned.BySound}, {ID: 3, Sure: true, How: burned.BySound}, {ID: 5, How: burned.ByLengths}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// dataImage makes an image of files by a recipe.
func dataImage(t *testing.T, files map[string][]byte, recipe string) string {
	t.Helper()
	return discfstest.Image(t, recipe, discfstest.WriteContents(t, files))
}

func wanted(t *testing.T, files map[string][]byte, names ...string) (list []burned.File) {
	t.Helper()
	for _, n := range names {
		s, err := digest.Read(t.Context(), bytes.NewReader(files[n]), fixity.BLAKE3)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, burned.File{Name: n, Size: s.Size, Digests: s.Digests, Blocks: s.Blocks})
	}
	return list
}

// Files of one length whose names begin alike are other files, and a disc that has some of
// this one's is another disc.
func TestIdentifyNeverByNamesThatBeginAlike(t *testing.T) {
	burnt := map[string][]byte{"QV-0201_A.wav": piece(1, 100), "QV-0201_B.wav": piece(2, 100)}
	names := []string{"QV-0201_A.wav", "QV-0201_B.wav"}
	others := map[string][]byte{"QV-0203_A.wav": piece(3, 100), "QV-0203_B.wav": piece(4, 100), "QV-0201_A.wav": piece(5, 100), "QV-0201_B.wav": piece(6, 100)}
	withoutSums := func(list []burned.File) []burned.File {
		for i := range list {
			list[i].Blocks = nil
		}
		return list
	}
	known := func(files ...[]burned.File) (list []burned.Known) {
		for i, f := range files {
			list = append(list, burned.Known{ID: int64(i + 1), Kind: optical.Data, Files: f})
		}
		return list
	}
	for _, tc := range []struct {
		name, recipe string
		known        []burned.Known
		want         []burned.Match
	}{
		{"names that begin alike", "rock", known(wanted(t, others, "QV-0203_A.wav", "QV-0203_B.wav"), wanted(t, burnt, names...)), []burned.Match{{ID: 2, Sure: true, How: burned.ByFiles}}},
		{"the same, and no sums", "rock", known(withoutSums(wanted(t, others, "QV-0203_A.wav", "QV-0203_B.wav")), withoutSums(wanted(t, burnt, names...))), []burned.Match{{ID: 2, Sure: true, How: burned.ByFiles}}},
		{"names of eight and three", "plain", known(wanted(t, others, "QV-0203_A.wav", "QV-0203_B.wav"), wanted(t, burnt, names...)), []burned.Match{{ID: 2, Sure: true, How: burned.ByFiles}}},
		{"the same names and sizes, other bytes", "rock", known(wanted(t, others, names...)), []burned.Match{{ID: 1, How: burned.BySome}}},
		{"some of the files", "rock", known(wanted(t, burnt, "QV-0201_A.wav"), wanted(t, burnt, names...)), []burned.Match{{ID: 2, Sure: true, How: burned.ByFiles}}},
		{"some of the files, and no other disc has all", "rock", known(wanted(t, burnt, "QV-0201_A.wav")), []burned.Match{{ID: 1, Sure: true, How: burned.ByFiles}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := openImage(t, dataImage(t, burnt, tc.recipe))
			got, err := burned.Identify(t.Context(), d, tc.known)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestFiles(t *testing.T) {
	a, b := piece(1, 100), piece(2, 120)
	burnt := map[string][]byte{"QV-0107/QV-0107_A.wav": a, "QV-0107/QV-0107_B.wav": b}
	want := wanted(t, burnt, "QV-0107/QV-0107_A.wav", "QV-0107/QV-0107_B.wav")
	other := bytes.Clone(b)
	other[70_000] ^= 1
	for _, tc := range []struct {
		name   string
		image  string
		shrink int64 // to
		expect string
	}{
		{"Rock Ridge", dataImage(t, burnt, "x-rock"), 0, "intact intact intact"},
		{"Joliet alone", dataImage(t, burnt, "x-joliet"), 0, "intact intact intact"},
		{"one bit", dataImage(t, map[string][]byte{"QV-0107/QV-0107_A.wav": a, "QV-0107/QV-0107_B.wav": other}, "x-rock"), 0, "altered intact altered"},
		{"another name", dataImage(t, map[string][]byte{"QV-0107/QV-0107_A.wav": a, "QV-0107/side two.wav": b}, "x-rock"), 0, "intact intact intact(renamed)"},
		{"one lacks", dataImage(t, map[string][]byte{"QV-0107/QV-0107_A.wav": a, "notes.txt": []byte("x")}, "x-rock"), 0, "missing intact missing"},
		{"another disc", dataImage(t, map[string][]byte{"QV-0200/QV-0200_A.wav": piece(9, 77)}, "x-rock"), 0, "other (other) (other)"},
		{"cut short", dataImage(t, burnt, "x-rock"), 400_000, "unreadable intact unreadable(shorter)"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if tc.shrink > 0 {
				if err := os.Truncate(tc.image, tc.shrink); err != nil {
					t.Fatal(err)
				}
			}
			r := check(t, openImage(t, tc.image), burned.Want{Kind: optical.Data, Files: want})
			got := string(r.Verdict)
			for _, h := range r.Files {
				got += " " + string(h.State)
				if h.Cause != "" {
					got += "(" + h.Cause + ")"
				}
			}
			if got != tc.expect {
				t.Errorf("got  %s\nwant %s\n%v", got, tc.expect, r.Problems)
			}
			if tc.name == "one bit" {
				if diff := cmp.Diff([]fixity.Range{{Offset: 65536, Length: 65536}}, r.Files[1].Ranges); diff != "" {
					t.Error(diff)
				}
				if len(r.Differing) != 1 || r.Differing[0].Count != 32 || r.Differing[0].Of[0].Path != "QV-0107/QV-0107_B.wav" {
					t.Errorf("differing: %+v", r.Differing)
				}
			}
		})
	}
	known := []burned.Known{{ID: 1, Kind: optical.Data, Files: want}, {ID: 2, Kind: optical.Data, Files: wanted(t, map[string][]byte{"x.wav": a}, "x.wav")}}
	got, err := burned.Identify(t.Context(), openImage(t, dataImage(t, burnt, "x-rock")), known)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]burned.Match{{ID: 1, Sure: true, How: burned.ByFiles}}, got); diff != "" {
		t.Error(diff)
	}
}

func TestFilesBaseline(t *testing.T) {
	a, b := piece(1, 100), piece(2, 120)
	other := bytes.Clone(b)
	other[70_000] ^= 1
	first := check(t, openImage(t, dataImage(t, map[string][]byte{"a.wav": a, "b.wav": b}, "x-rock")), burned.Want{})
	if first.Verdict != fixity.DiscBaseline || len(first.Baseline.Files) != 2 {
		t.Fatalf("%s", summary(first))
	}
	for _, tc := range []struct {
		name    string
		files   map[string][]byte
		verdict fixity.DiscVerdict
	}{
		{"the same", map[string][]byte{"a.wav": a, "b.wav": b}, fixity.DiscIntact},
		{"one bit", map[string][]byte{"a.wav": a, "b.wav": other}, fixity.DiscAltered},
		{"one lacks", map[string][]byte{"a.wav": a}, fixity.DiscMissing},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := check(t, openImage(t, dataImage(t, tc.files, "x-rock")), burned.Want{Baseline: first.Baseline})
			if r.Verdict != tc.verdict {
				t.Errorf("%s", summary(r))
			}
		})
	}
}

func FuzzBaseline(f *testing.F) {
	good, err := (&burned.Baseline{Files: []burned.BaseFile{{Path: "a\xff", Size: 5, Blocks: []uint32{7}}},
		Sound: &cdda.Baseline{Sectors: 10, Sums: []uint32{1}, Windows: []cdda.Window{{At: 3, PCM: make([]byte, cdda.WindowBytes)}}}}).MarshalBinary()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add(good[:len(good)/2])
	f.Add([]byte(nil))
	f.Fuzz(func(t *testing.T, p []byte) {
		var b burned.Baseline
		if err := b.UnmarshalBinary(p); err != nil {
			if !errors.Is(err, burned.ErrBaseline) {
				t.Error(err)
			}
			return
		}
		again, err := b.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		var c burned.Baseline
		if err := c.UnmarshalBinary(again); err != nil {
			t.Error(err)
		}
		if diff := cmp.Diff(b, c); diff != "" {
			t.Error(diff)
		}
	})
}
