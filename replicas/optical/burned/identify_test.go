package burned_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/testing/mmctest"
)

// without are files whose sources aren't within reach.
func without(files []burned.File) []burned.File {
	for i := range files {
		files[i].Sound = nil
	}
	return files
}

// identified are the matches, and how many sectors of sound the drive was asked for.
func identified(t *testing.T, sim *mmctest.Drive, known []burned.Known) ([]burned.Match, int) {
	t.Helper()
	d := insert(t, sim)
	n := 0
	sim.Before = func(_ int, cdb []byte) {
		if cdb[0] == 0xBE { // READ CD
			n += int(cdb[6])<<16 | int(cdb[7])<<8 | int(cdb[8])
		}
	}
	got, err := burned.Identify(t.Context(), d, known)
	if err != nil {
		t.Fatal(err)
	}
	return got, n
}

func TestIdentify(t *testing.T) {
	disc := burn(0, recordings()...)
	toc := insert(t, disc.drive(0)).Contents().ID()
	right, wrong := sounds(recordings()...), sounds(others()...)
	audio := func(id int64, toc string, files []burned.File) burned.Known {
		return burned.Known{ID: id, Kind: optical.Audio, TOC: toc, Files: files}
	}
	var longer []burned.File
	for _, f := range without(sounds(recordings()...)) {
		f.Samples += 10 * cdda.SectorSamples
		longer = append(longer, f)
	}
	first := holdSound(t.Context(), t, insert(t, disc.drive(30)), burned.Want{Kind: optical.Audio}, soundOptions())
	otherFirst := holdSound(t.Context(), t, insert(t, burn(0, others()...).drive(30)), burned.Want{Kind: optical.Audio}, soundOptions())
	some := sounds(recordings()...)
	some[1].Sound = nil
	many := func() (list []burned.Known) {
		for i := range 40 {
			list = append(list, audio(int64(100+i), toc, wrong))
		}
		return append(list, audio(7, "", right))
	}
	for _, tc := range []struct {
		name   string
		gap    int
		offset int
		known  []burned.Known
		want   []burned.Match
	}{
		{"by sound, of two of equal lengths", 0, 667, []burned.Known{audio(1, "", wrong), audio(2, "", right)}, []burned.Match{{ID: 2, Sure: true, How: burned.BySound}}},
		{"by sound, with pauses", 150, -1164, []burned.Known{audio(1, "", wrong), audio(2, "", right)}, []burned.Match{{ID: 2, Sure: true, How: burned.BySound}}},
		{"by sound, though both had this table of contents", 0, 0, []burned.Known{audio(1, toc, wrong), audio(2, toc, right)}, []burned.Match{{ID: 2, Sure: true, How: burned.BySound}}},
		{"by its table of contents alone", 0, 30, []burned.Known{audio(1, "another", without(sounds(others()...))[:2]), audio(2, toc, without(sounds(recordings()...)))}, []burned.Match{{ID: 2, How: burned.ByTOC}}},
		{"by its table of contents, one source within reach", 0, 30, []burned.Known{audio(2, toc, some)}, []burned.Match{{ID: 2, How: burned.ByTOC}}},
		{"by lengths", 0, 30, []burned.Known{audio(1, "", longer), audio(2, "", without(sounds(recordings()...)))}, []burned.Match{{ID: 2, How: burned.ByLengths}}},
		{"twins", 0, -30, []burned.Known{audio(1, toc, right), audio(2, toc, right), audio(3, toc, wrong)}, []burned.Match{{ID: 1, Sure: true, How: burned.BySound}, {ID: 2, Sure: true, How: burned.BySound}}},
		{"twins without sources", 0, -30, []burned.Known{audio(1, toc, without(sounds(recordings()...))), audio(2, toc, without(sounds(recordings()...)))}, []burned.Match{{ID: 1, How: burned.ByTOC}, {ID: 2, How: burned.ByTOC}}},
		{"the surest first", 0, 0, []burned.Known{audio(1, "", without(sounds(recordings()...))), audio(2, toc, without(sounds(recordings()...))), audio(3, "", right)}, []burned.Match{{ID: 3, Sure: true, How: burned.BySound}, {ID: 2, How: burned.ByTOC}, {ID: 1, How: burned.ByLengths}}},
		{"unknown", 0, 0, []burned.Known{audio(1, "another", wrong), audio(2, "", longer)}, nil},
		{"none is known", 0, 0, nil, nil},
		{"a data disc of the same files", 0, 0, []burned.Known{{ID: 1, Kind: optical.Data, TOC: toc, Files: right}}, nil},
		{"by its baseline", 0, 667, []burned.Known{{ID: 1, Kind: optical.Audio, TOC: toc, Baseline: otherFirst.Baseline}, {ID: 2, Kind: optical.Audio, TOC: toc, Baseline: first.Baseline}}, []burned.Match{{ID: 2, Sure: true, How: burned.BySound}}},
		{"of many", 0, 667, many(), []burned.Match{{ID: 7, Sure: true, How: burned.BySound}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, n := identified(t, burn(tc.gap, recordings()...).drive(tc.offset), tc.known)
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Error(diff)
			}
			t.Logf("%d sectors", n)
			if n > burned.IdentifySectors {
				t.Errorf("%d sectors were read", n)
			}
		})
	}
}

// Sectors that can't be read where it looks leave what the table of contents says, and
// cost no more than others.
func TestIdentifyDamaged(t *testing.T) {
	disc := burn(0, recordings()...)
	toc := insert(t, disc.drive(0)).Contents().ID()
	disc.fail(0, disc.sectors())
	var known []burned.Known
	var want []burned.Match
	for i := range int64(6) {
		known = append(known, burned.Known{ID: i, Kind: optical.Audio, TOC: toc, Files: sounds(recordings()...)})
		want = append(want, burned.Match{ID: i, How: burned.ByTOC})
	}
	got, n := identified(t, disc.drive(30), known)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if n == 0 || n > burned.IdentifySectors {
		t.Errorf("%d sectors were read", n)
	}
}

// Baselines are looked for where their windows lie. When there are no sectors left to
// read, the table of contents has the last word.
func TestIdentifyBound(t *testing.T) {
	disc := burn(0, recordings()...)
	first := holdSound(t.Context(), t, insert(t, disc.drive(30)), burned.Want{Kind: optical.Audio}, soundOptions())
	toc := insert(t, disc.drive(0)).Contents().ID()
	var known []burned.Known
	for i := range 4 {
		b := *first.Baseline.Sound
		b.Windows = b.Windows[10*i : 10*i+10]
		known = append(known, burned.Known{ID: int64(i), Kind: optical.Audio, TOC: toc, Baseline: &burned.Baseline{Sound: &b}})
	}
	got, n := identified(t, disc.drive(667), known)
	if len(got) != 4 || !got[0].Sure || got[3].Sure || got[3].How != burned.ByTOC {
		t.Errorf("%+v", got)
	}
	if n == 0 || n > burned.IdentifySectors {
		t.Errorf("%d sectors were read", n)
	}
}

func TestIdentifyErrors(t *testing.T) {
	disc := burn(0, recordings()...)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	d := insert(t, disc.drive(0))
	known := []burned.Known{{ID: 1, Kind: optical.Audio, Files: sounds(recordings()...)}}
	if _, err := burned.Identify(ended, d, known); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	sim := disc.drive(0)
	d = insert(t, sim)
	sim.Unplug()
	if got, err := burned.Identify(t.Context(), d, known); err == nil {
		t.Errorf("without a drive: %v", got)
	}
	lost := sounds(recordings()...)
	for i := range lost {
		lost[i].Sound.PCM = failing{}
	}
	d = insert(t, disc.drive(0))
	if _, err := burned.Identify(t.Context(), d, []burned.Known{{ID: 1, Kind: optical.Audio, Files: lost}}); !errors.Is(err, errSource) {
		t.Error(err)
	}
}

// Bytes of anybody's aren't taken for a baseline, and leave the one that was there.
func TestBaselineHostile(t *testing.T) {
	first := holdSound(t.Context(), t, insert(t, burn(0, recordings()[2]).drive(30)), burned.Want{Kind: optical.Audio}, soundOptions())
	packed, err := first.Baseline.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	window := fmt.Sprintf(`{"At":9223372036854775807,"PCM":%q}`, base64.StdEncoding.EncodeToString(make([]byte, cdda.WindowBytes)))
	for _, tc := range []struct {
		name string
		b    []byte
	}{
		{"nothing", nil},
		{"no gzip", []byte("baseline")},
		{"cut off", packed[:len(packed)/2]},
		{"damaged", append(bytes.Clone(packed[:len(packed)-6]), 1, 2, 3, 4, 5, 6)},
		{"no JSON", squeezed(t, "x")},
		{"another version", squeezed(t, `{"version":2}`)},
		{"too long", squeezed(t, string(bytes.Repeat([]byte(" "), 64<<20+1)))},
		{"no sectors", squeezed(t, `{"version":1,"sound":{}}`)},
		{"many sectors", squeezed(t, `{"version":1,"sound":{"Sectors":9223372036854775807}}`)},
		{"less than none", squeezed(t, `{"version":1,"sound":{"Sectors":-10,"Sums":[]}}`)},
		{"sums lack", squeezed(t, `{"version":1,"sound":{"Sectors":20,"Sums":[1]}}`)},
		{"a short window", squeezed(t, `{"version":1,"sound":{"Sectors":10,"Sums":[1],"Windows":[{"At":0,"PCM":"AAAA"}]}}`)},
		{"a window beyond everything", squeezed(t, `{"version":1,"sound":{"Sectors":10,"Sums":[1],"Windows":[`+window+`]}}`)},
		{"a group that isn't there", squeezed(t, `{"version":1,"sound":{"Sectors":10,"Sums":[1],"Unread":[1]}}`)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := burned.Baseline{Files: []burned.BaseFile{{Path: "QV-0107.wav"}}}
			if err := b.UnmarshalBinary(tc.b); !errors.Is(err, burned.ErrBaseline) {
				t.Errorf("%v", err)
			}
			if len(b.Files) != 1 || b.Sound != nil {
				t.Errorf("it was changed: %+v", b)
			}
		})
	}
}
