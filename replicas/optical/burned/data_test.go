package burned_test

import (
	"bytes"
	"errors"
	"io"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/mmctest"
)

// with is the survey's files after a change.
func with(change func(map[string][]byte)) map[string][]byte {
	files := survey()
	change(files)
	return files
}

// copies gives each file a copy at hand.
func copies(files map[string][]byte) func([]burned.File) {
	return func(list []burned.File) {
		for i, f := range list {
			list[i].Copy = func() (io.ReaderAt, error) { return bytes.NewReader(files[f.Name]), nil }
		}
	}
}

// More places than are told in full: all are known, and none twice.
func TestDataInThousandsOfPlaces(t *testing.T) {
	files := map[string][]byte{"a.wav": bytes.Repeat([]byte("Quillmere Valley"), 6_000_000/16), "b.wav": []byte("untouched")}
	disc := map[string][]byte{"a.wav": bytes.Clone(files["a.wav"]), "b.wav": files["b.wav"]}
	for at := 0; at < 4096*1400; at += 4096 { // every second sector
		disc["a.wav"][at] ^= 1
	}
	w := burned.Want{Kind: optical.Data, Files: expected(files)}
	copies(files)(w.Files)
	p := volume{files: disc, rockRidge: true}.press()
	r, err := burned.Check(t.Context(), p.image(t, 0), w, spoolless())
	if err != nil {
		t.Fatal(err)
	}
	rest := int64(0)
	for i, x := range r.DifferingRest {
		if rest += x.Count; x.Count != 1 || x.LBA != r.Differing[0].LBA+2*int64(burned.MaxRuns+i) {
			t.Fatalf("rest %d: %+v", i, x)
		}
	}
	if r.Verdict != fixity.DiscAltered || r.DifferingAll != 1400 || len(r.Differing) != burned.MaxRuns || rest != 400 || r.InBlocks {
		t.Errorf("%s: %d sectors, %d rows and %d more", r.Verdict, r.DifferingAll, len(r.Differing), rest)
	}
}

// One fault gives exactly that, however the disc is read.
func TestData(t *testing.T) {
	plainNames := map[string][]byte{"QV0107/SIDE_A.WAV": survey()[sideA], "QV0107/SIDE_B.WAV": survey()[sideB]}
	for _, tc := range []struct {
		name   string
		disc   map[string][]byte        // nil: the survey's
		files  map[string][]byte        // that were burned; nil: the survey's
		set    func(*volume)            // Rock Ridge if nil
		want   func(list []burned.File) // changes what is known
		faults map[int64]*mmctest.Fault // in a drive only
		cut    int64                    // sectors of an image, in an image only
		view   discfs.View              // Rock Ridge if ""
		says   []string
	}{
		{name: "intact", says: []string{"intact"}},
		{name: "a weak digest", want: func(l []burned.File) {
			for i := range l {
				l[i].Digests = l[i].Digests[1:] // MD5
			}
		}, says: []string{"intact"}},
		{name: "sizes and blocks aren't known", want: func(l []burned.File) {
			for i := range l {
				l[i].Size, l[i].Blocks = -1, nil
			}
		}, says: []string{"intact"}},
		{name: "nothing known of one", want: func(l []burned.File) { l[2].Digests, l[2].Blocks = nil, nil }, says: []string{"not-compared", notes + ":  not-compared"}},
		{
			name: "one file altered", disc: with(func(m map[string][]byte) { m[sideA] = flipped(m[sideA], 65_536, 299_999) }),
			says: []string{"altered", sideA + ": altered 65536+65536 262144+37856",
				"differing 63+32 file " + sideA + "@65536", "differing 159+19 file " + sideA + "@262144"},
		}, {
			name: "one bit, a copy at hand", disc: with(func(m map[string][]byte) { m[sideA][70_000] ^= 1 }), want: copies(survey()),
			says: []string{"altered", sideA + ": altered 70000+1", "differing 65+1 file " + sideA + "@69632"},
		}, {
			name: "two places in a block and one in another, a copy at hand", disc: with(func(m map[string][]byte) { m[sideA] = flipped(m[sideA], 65_536, 131_071, 299_999) }), want: copies(survey()),
			says: []string{"altered", sideA + ": altered 65536+1 131071+1 299999+1",
				"differing 63+1 file " + sideA + "@65536", "differing 94+1 file " + sideA + "@129024", "differing 177+1 file " + sideA + "@299008"},
		}, {
			name: "a copy that is rotten itself", disc: with(func(m map[string][]byte) { m[sideA] = flipped(m[sideA], 70_000) }),
			want: copies(with(func(m map[string][]byte) { m[sideA] = flipped(m[sideA], 131_000) })),
			says: []string{"altered", sideA + ": altered 65536+65536", "differing 63+32 file " + sideA + "@65536"},
		}, {
			name: "cut short, a copy at hand", disc: with(func(m map[string][]byte) { m[other] = m[other][:70_000] }), want: copies(survey()),
			says: []string{"altered", other + ": altered 70000+61072"},
		}, {
			name: "grown, a copy at hand", disc: with(func(m map[string][]byte) { m[notes] = append(m[notes], 1, 2) }), want: copies(survey()),
			says: []string{"altered", notes + ": altered 1500+2", "differing 276+1 file " + notes + "@0"},
		}, {
			name: "a bad sector and a bit, a copy at hand", disc: with(func(m map[string][]byte) { m[sideA] = flipped(m[sideA], 70_000) }), faults: bad(31), want: copies(survey()),
			says: []string{"altered", sideA + ": altered 0+2048 70000+1", "unreadable 31+1 file " + sideA + "@0", "differing 65+1 file " + sideA + "@69632"},
		}, {
			name: "altered, blocks aren't known", disc: with(func(m map[string][]byte) { m[sideA] = flipped(m[sideA], 5) }),
			want: func(l []burned.File) { l[0].Blocks = nil },
			says: []string{"altered", sideA + ": altered"},
		}, {
			name: "a small file altered", disc: with(func(m map[string][]byte) { m[notes] = flipped(m[notes], 7) }),
			says: []string{"altered", notes + ": altered 0+1500", "differing 276+1 file " + notes + "@0"},
		}, {
			name: "the only file altered", disc: map[string][]byte{notes: flipped(survey()[notes], 7)}, files: map[string][]byte{notes: survey()[notes]},
			says: []string{"altered", notes + ": altered 0+1500", "differing 30+1 file " + notes + "@0"},
		}, {
			name: "one cut short when it was burned", disc: with(func(m map[string][]byte) { m[other] = m[other][:70_000] }),
			says: []string{"altered", other + ": altered 65536+65536", "differing 309+3 file " + other + "@65536"},
		}, {
			name: "one that grew", disc: with(func(m map[string][]byte) { m[other] = append(m[other], 1) }),
			says: []string{"altered", other + ": altered 131072+1", "differing 341+1 file " + other + "@131072"},
		}, {
			name: "emptied", disc: with(func(m map[string][]byte) { m[other] = nil }), says: []string{"altered", other + ": altered 0+131072"},
		}, {
			name: "an empty file", disc: with(func(m map[string][]byte) { m["zero"] = nil }), files: with(func(m map[string][]byte) { m["zero"] = nil }),
			says: []string{"intact"},
		}, {
			name: "renamed", disc: with(func(m map[string][]byte) { m["side two.wav"] = m[sideB]; delete(m, sideB) }),
			says: []string{"intact", sideB + ": intact renamed at side two.wav"},
		}, {
			name: "two with the same bytes renamed", disc: with(func(m map[string][]byte) { m["x1"], m["x2"] = m[sideA], m[sideA]; delete(m, sideA); delete(m, sideB) }),
			files: with(func(m map[string][]byte) { m[sideB] = m[sideA] }),
			says:  []string{"intact", sideA + ": intact renamed at x1", sideB + ": intact renamed at x2"},
		}, {
			name: "two changed places", disc: with(func(m map[string][]byte) { m[sideB] = flipped(m[sideA], 1); m[sideA], m[sideB] = m[sideB], m[sideA] }),
			files: with(func(m map[string][]byte) { m[sideB] = flipped(m[sideA], 1) }),
			says:  []string{"intact", sideA + ": intact renamed at " + sideB, sideB + ": intact renamed at " + sideA},
		}, {
			name: "another under its name", disc: with(func(m map[string][]byte) { m["old.wav"] = m[sideB]; m[sideB] = m[other] }),
			says: []string{"intact", sideB + ": intact renamed at old.wav", "extra " + sideB},
		}, {
			name: "one more", disc: with(func(m map[string][]byte) { m["thumbs"] = []byte("x") }), says: []string{"intact", "extra thumbs"},
		}, {
			name: "one lacks", disc: with(func(m map[string][]byte) { delete(m, sideB) }), says: []string{"missing", sideB + ": missing"},
		}, {
			name: "of two with the same bytes one lacks", disc: survey(), files: with(func(m map[string][]byte) { m["again.wav"] = m[sideB] }),
			says: []string{"missing", "again.wav: missing"},
		}, {
			name: "another disc", disc: map[string][]byte{"QV-0200/QV-0200_A.wav": make([]byte, 90_000)},
			says: []string{"other", sideA + ":  other", sideB + ":  other", notes + ":  other", other + ":  other", "extra QV-0200/QV-0200_A.wav"},
		}, {
			name: "another disc with the same names", disc: map[string][]byte{sideA: make([]byte, 80_000), sideB: make([]byte, 200_000)},
			files: map[string][]byte{sideA: survey()[sideA], sideB: survey()[sideB]},
			says:  []string{"other", sideA + ":  other", sideB + ":  other"},
		}, {
			name: "plain names", disc: plainNames, files: map[string][]byte{"qv-0107/side_a.wav": survey()[sideA], "qv-0107/side_b.wav": survey()[sideB]},
			set: func(v *volume) { v.rockRidge = false }, view: discfs.Plain,
			says: []string{"intact", "qv-0107/side_a.wav: intact at QV0107/SIDE_A.WAV", "qv-0107/side_b.wav: intact at QV0107/SIDE_B.WAV"},
		}, {
			name: "Joliet's names", set: func(v *volume) {
				v.rockRidge, v.joliet = false, map[string]string{notes: "QV-0107/notes.txt"}
			}, view: discfs.Joliet, says: []string{"intact"},
		}, {
			name: "the folder itself isn't on it", disc: map[string][]byte{"A.wav": survey()[sideA], "s/B.wav": survey()[sideB]},
			files: map[string][]byte{"QV-0107/A.wav": survey()[sideA], "QV-0107/s/B.wav": survey()[sideB]},
			says:  []string{"intact", "QV-0107/A.wav: intact at A.wav", "QV-0107/s/B.wav: intact at s/B.wav"},
		}, {
			name: "shorter than its file system", cut: 300,
			says: []string{"unreadable", other + ": unreadable shorter 47104+83968"},
		}, {
			name: "bad sectors in files", faults: bad(40, 41, 177, 178),
			says: []string{"unreadable", sideA + ": unreadable 18432+4096 299008+992", sideB + ": unreadable 0+2048",
				"unreadable 40+2 file " + sideA + "@18432", "unreadable 177+1 file " + sideA + "@299008", "unreadable 178+1 file " + sideB + "@0"},
		}, {
			name: "a bad sector and an altered block", disc: with(func(m map[string][]byte) { m[sideA] = flipped(m[sideA], 70_000) }), faults: bad(31),
			says: []string{"altered", sideA + ": altered 0+2048 65536+65536", "unreadable 31+1 file " + sideA + "@0", "differing 63+32 file " + sideA + "@65536"},
		}, {
			name: "a bad sector in a directory", faults: bad(20),
			says: []string{"unreadable", other + ": unreadable not-found", "unreadable 20+1 structure QV-0108@0", "structure 1, free 0"},
		}, {
			name: "the root can't be read", faults: bad(18), view: discfs.Plain, // whether there was Rock Ridge only it says
			says: []string{"unreadable", sideA + ": unreadable not-found", sideB + ": unreadable not-found", notes + ": unreadable not-found", other + ": unreadable not-found",
				"unreadable 18+1 structure @0", "structure 1, free 0"},
		}, {
			name: "the volume can't be read", faults: bad(16, 17),
			says: []string{"unreadable", sideA + ": unreadable not-found", sideB + ": unreadable not-found", notes + ": unreadable not-found", other + ": unreadable not-found",
				"unreadable 16+2 "}, view: "none",
		}, {
			name: "a directory that another view has as well", faults: bad(20), set: func(v *volume) { v.joliet = map[string]string{} }, view: discfs.Joliet,
			says: []string{"unreadable", "unreadable 20+1 structure QV-0107@0", "structure 1, free 0"},
		}, {
			name: "a bad sector in free space", faults: bad(25, 26), says: []string{"unreadable", "unreadable 25+2 free", "structure 0, free 2"},
		}, {
			name: "the run-out", faults: bad(341, 342), says: []string{"intact"},
		}, {
			name: "sectors that are read at the third try", faults: map[int64]*mmctest.Fault{40: {Fails: 2}}, says: []string{"intact"},
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			v := volume{files: tc.disc, rockRidge: true}
			if v.files == nil {
				v.files = survey()
			}
			if tc.set != nil {
				tc.set(&v)
			}
			p := v.press()
			files := tc.files
			if files == nil {
				files = survey()
			}
			w := burned.Want{Kind: optical.Data, Files: expected(files)}
			if tc.want != nil {
				tc.want(w.Files)
			}
			view := tc.view
			switch view {
			case "":
				view = discfs.RockRidge
			case "none":
				view = ""
			}
			see := func(t *testing.T, r burned.Result, err error) {
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(tc.says, said(r)); diff != "" {
					t.Errorf("%s%v", diff, r.Problems)
				}
				if r.View != view || r.ExtraAll != int64(len(r.Extra)) || !r.Check.Map.Done() {
					t.Errorf("view %q, %d more files, read whole: %v", r.View, r.ExtraAll, r.Check.Map.Done())
				}
				all := func(rows []burned.Sectors) (n int64) {
					for _, x := range rows {
						n += x.Count
					}
					return n
				}
				if all(r.Unreadable) != r.UnreadableAll || all(r.Differing) != r.DifferingAll {
					t.Errorf("%d sectors unreadable, %d differ", r.UnreadableAll, r.DifferingAll)
				}
			}
			if tc.faults == nil {
				t.Run("image", func(t *testing.T) {
					d := p.image(t, tc.cut)
					r, err := burned.Check(t.Context(), d, w, spoolless())
					see(t, r, err)
				})
			}
			if tc.cut > 0 {
				return
			}
			disc := func() *mmctest.Disc {
				x := p.disc()
				for lba, f := range tc.faults {
					f := *f
					x.Faults[lba] = &f
				}
				return x
			}
			inDrive(t, "drive", disc, w, soundOptions(), see)
			inDrive(t, "drive without room", disc, w, spoolless(), see)
		})
	}
}

// What was read otherwise than it should be is read once more before it is believed.
func TestDataReadAgain(t *testing.T) {
	p := volume{files: survey(), rockRidge: true}.press()
	altered := volume{files: with(func(m map[string][]byte) { m[sideB] = flipped(m[sideB], 199_999) }), rockRidge: true}.press()
	for _, tc := range []struct {
		name string
		p    *pressed
		lba  int64
		say  func(n int) bool // of the n-th reading of the sector: it comes wrong
		says []string
	}{
		{"wrong each time", p, 275, func(int) bool { return true },
			[]string{"altered", sideB + ": altered 196608+3392", "differing 274+2 file " + sideB + "@196608"}},
		{"burned so", altered, -1, nil, []string{"altered", sideB + ": altered 196608+3392", "differing 274+2 file " + sideB + "@196608"}},
		{"wrong but the last time", p, 275, nil, []string{"unsteady", sideB + ": unsteady"}},
	} {
		for _, room := range []bool{true, false} {
			o, last := soundOptions(), 2 // by the check, and once more
			if !room {
				o, last = spoolless(), 3 // by the check, for the file, and once more
			}
			say := tc.say
			if say == nil {
				say = func(n int) bool { return n < last }
			}
			name := tc.name
			if !room {
				name += ", without room"
			}
			disc := func() *mmctest.Disc {
				x, n := tc.p.disc(), 0
				x.Content = func(lba int64, b []byte) {
					copy(b, tc.p.at(lba))
					if lba == tc.lba {
						if n++; say(n) {
							b[100] ^= 4
						}
					}
				}
				return x
			}
			inDrive(t, name, disc, burned.Want{Files: expected(survey())}, o, func(t *testing.T, r burned.Result, err error) {
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(tc.says, said(r)); diff != "" {
					t.Error(diff)
				}
			})
		}
	}
}

// A file that the last session left out is found in the one before.
func TestDataSessions(t *testing.T) {
	const begin = 12_000
	first, second := survey(), survey()
	delete(first, other)
	delete(second, sideA)
	one, two := volume{files: first, rockRidge: true}.press(), volume{files: second, rockRidge: true, base: begin}.press()
	disc := func() *mmctest.Disc {
		n := int64(len(one.b)) / discfs.SectorSize
		x := two.disc()
		x.Tracks = []mmctest.Track{{Number: 1, Data: true}, {Number: 2, Session: 2, LBA: begin, Data: true}}
		x.LeadOut += begin
		x.LeadOuts = []int64{n, x.LeadOut}
		x.Faults = bad(one.lba[sideA]+1, two.lba[notes])
		x.Content = func(lba int64, b []byte) {
			if lba >= begin {
				copy(b, two.at(lba))
			} else {
				copy(b, one.at(lba))
			}
		}
		return x
	}
	inDrive(t, "two", disc, burned.Want{Files: expected(survey())}, soundOptions(), func(t *testing.T, r burned.Result, err error) {
		if err != nil {
			t.Fatal(err)
		}
		want := []string{"unreadable", sideA + ": unreadable 2048+2048", notes + ": unreadable 0+1500"}
		if diff := cmp.Diff(want, said(r)[:3]); diff != "" || r.UnreadableAll != 2 || r.Free+r.Structure != 0 || r.Session != begin {
			t.Errorf("%s%+v", diff, r)
		}
	})
}

// A disc without a file system that is known says nothing, or is another one.
func TestDataNoFileSystem(t *testing.T) {
	p := &pressed{b: make([]byte, 100*discfs.SectorSize)}
	for i := range p.b {
		p.b[i] = byte(i * i >> 7)
	}
	r, err := burned.Check(t.Context(), p.image(t, 0), burned.Want{}, spoolless())
	if err != nil || r.Verdict != fixity.DiscSaysNothing || len(r.Problems) == 0 || !errors.Is(r.Problems[len(r.Problems)-1], discfs.ErrNone) {
		t.Errorf("%v, %v, %v", r.Verdict, err, r.Problems)
	}
	r, err = burned.Check(t.Context(), p.image(t, 0), burned.Want{Files: expected(map[string][]byte{notes: {1}})}, spoolless())
	if err != nil || !cmp.Equal(said(r), []string{"other", notes + ":  other"}) {
		t.Errorf("%v, %v", said(r), err)
	}
}
