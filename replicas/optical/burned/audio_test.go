package burned_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/testing/mmctest"
)

func TestAudio(t *testing.T) {
	const a, b, c = "QV-0107/a.wav", "QV-0107/b.wav", "QV-0107/c.wav"
	lacking := func(which ...int) func(*burned.Want) {
		return func(w *burned.Want) {
			for _, i := range which {
				w.Files[i].Sound = nil
			}
		}
	}
	for _, tc := range []struct {
		name   string
		gap    int
		offset int
		burned [][]byte // nil: the recordings
		disc   func(*compact)
		want   func(*burned.Want)
		told   []string
		none   int64 // NotCompared
	}{
		{name: "intact", told: []string{"intact", a + " intact track 1 at 0", b + " intact track 2 at 1501", c + " intact track 3 at 2627"}},
		{
			name: "intact with pauses", gap: 150,
			told: []string{"intact", a + " intact track 1 at 0", b + " intact track 2 at 1651", c + " intact track 3 at 2927"},
		}, {
			name: "one sector altered", disc: func(d *compact) { d.alter(1651, 1) },
			told: []string{
				"altered", a + " intact track 1 at 0", b + " altered track 2 at 1501", c + " intact track 3 at 2627",
				"differing 1651+1 track 2 00:00:02.00",
			},
		}, {
			// The changed sample is the burned 1651*588+294, and comes 667 earlier.
			name: "one sector altered, at an offset", offset: 667, disc: func(d *compact) { d.alter(1651, 1) },
			told: []string{
				"altered", a + " intact track 1 at 0", b + " altered track 2 at 1501", c + " intact track 3 at 2627",
				"differing 1650+1 track 2 00:00:01.74",
			},
		}, {
			name: "sectors muted", disc: func(d *compact) { clear(d.pcm[1651*cdda.SectorBytes : 1654*cdda.SectorBytes]) },
			told: []string{
				"altered", a + " intact track 1 at 0", b + " altered track 2 at 1501", c + " intact track 3 at 2627",
				"differing 1651+3 track 2 00:00:02.00 muted",
			},
		}, {
			name: "a row can't be read", offset: 30, disc: func(d *compact) { d.fail(1700, 3) },
			told: []string{
				"unreadable", a + " intact track 1 at 0", b + " unreadable track 2 at 1501", c + " intact track 3 at 2627",
				"unreadable 1700+3 track 2 00:00:02.49",
			},
		}, {
			name: "altered wins over unreadable", disc: func(d *compact) { d.fail(1700, 3); d.alter(2700, 2) },
			told: []string{
				"altered", a + " intact track 1 at 0", b + " unreadable track 2 at 1501", c + " altered track 3 at 2627",
				"unreadable 1700+3 track 2 00:00:02.49", "differing 2700+2 track 3 00:00:00.73",
			},
		}, {
			name: "a sector that the drive doubts differs", disc: func(d *compact) { d.doubts[1801] = &mmctest.Doubt{Bytes: []int{900, 901}} },
			told: []string{
				"unreadable", a + " intact track 1 at 0", b + " unreadable track 2 at 1501", c + " intact track 3 at 2627",
				"unreadable 1801+1 track 2 00:00:04.00 doubtful",
			},
		}, {
			name: "a sector that the drive doubts once", disc: func(d *compact) { d.doubts[1801] = &mmctest.Doubt{Bytes: []int{900, 901}, Times: 1} },
			told: []string{"intact", a + " intact track 1 at 0", b + " intact track 2 at 1501", c + " intact track 3 at 2627"},
		}, {
			name: "a source isn't within reach", want: lacking(1), none: 1,
			told: []string{"not-compared", a + " intact track 1 at 0", b + "  track 0 at -1 not-compared", c + " intact track 3 at 2627"},
		}, {
			name: "nor is its length known", offset: 30, want: func(w *burned.Want) { w.Files[1].Sound, w.Files[1].Samples = nil, 0 }, none: 1,
			told: []string{"not-compared", a + " intact track 1 at 0", b + "  track 0 at -1 not-compared", c + " intact track 3 at 2627"},
		}, {
			name: "nor is the first, with pauses", gap: 150, want: lacking(0), none: 1,
			told: []string{"not-compared", a + "  track 0 at -1 not-compared", b + " intact track 2 at 1651", c + " intact track 3 at 2927"},
		}, {
			name: "a source isn't within reach and another is altered", want: lacking(1), disc: func(d *compact) { d.alter(2700, 2) }, none: 1,
			told: []string{
				"altered", a + " intact track 1 at 0", b + "  track 0 at -1 not-compared", c + " altered track 3 at 2627",
				"differing 2700+2 track 3 00:00:00.73",
			},
		}, {
			name: "what can't be read lies where a source isn't within reach", want: lacking(1), disc: func(d *compact) { d.fail(1700, 3) }, none: 1,
			told: []string{
				"unreadable", a + " intact track 1 at 0", b + "  track 0 at -1 not-compared", c + " intact track 3 at 2627",
				"unreadable 1700+3 track 2 00:00:02.49",
			},
		}, {
			name: "none is within reach", want: lacking(0, 1, 2), none: 3,
			told: []string{"not-compared", a + "  track 0 at -1 not-compared", b + "  track 0 at -1 not-compared", c + "  track 0 at -1 not-compared"},
		}, {
			name: "none is within reach and a row can't be read", want: lacking(0, 1, 2), disc: func(d *compact) { d.fail(1700, 3) }, none: 3,
			told: []string{
				"unreadable", a + "  track 0 at -1 not-compared", b + "  track 0 at -1 not-compared", c + "  track 0 at -1 not-compared",
				"unreadable 1700+3 track 2 00:00:02.49",
			},
		}, {
			name: "another recording", burned: others(),
			told: []string{"other", a + " altered track 0 at -1 other", b + " altered track 0 at -1 other", c + " altered track 0 at -1 other"},
		}, {
			name: "silence", burned: silent(), want: func(w *burned.Want) { w.Files = sounds(silent()...) },
			told: []string{"says-nothing", a + "  track 0 at -1 says-nothing", b + "  track 0 at -1 says-nothing", c + "  track 0 at -1 says-nothing"},
		}, {
			name: "silence that can't be read", burned: silent(), want: func(w *burned.Want) { w.Files = sounds(silent()...) }, disc: func(d *compact) { d.fail(1700, 3) },
			told: []string{
				"unreadable", a + "  track 0 at -1 says-nothing", b + "  track 0 at -1 says-nothing", c + "  track 0 at -1 says-nothing",
				"unreadable 1700+3 track 2 00:00:02.49",
			},
		}, {
			name: "a pause can't be read", gap: 150, disc: func(d *compact) { d.fail(1520, 3) },
			told: []string{
				"unreadable", a + " intact track 1 at 0", b + " intact track 2 at 1651", c + " intact track 3 at 2927",
				"unreadable 1520+3 track 0 ",
			},
		}, {
			name: "a data disc was registered", want: func(w *burned.Want) { w.Kind = optical.Data },
			told: []string{"other", a + "  track 0 at -1 other", b + "  track 0 at -1 other", c + "  track 0 at -1 other"},
		}, {
			name: "tracks in another order", burned: [][]byte{recordings()[2], recordings()[0], recordings()[1]},
			told: []string{"reordered", a + " intact track 2 at 901", b + " intact track 3 at 2402", c + " intact track 1 at 0"},
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			list := tc.burned
			if list == nil {
				list = recordings()
			}
			disc := burn(tc.gap, list...)
			if tc.disc != nil {
				tc.disc(disc)
			}
			w := burned.Want{Kind: optical.Audio, Files: sounds(recordings()...)}
			if tc.want != nil {
				tc.want(&w)
			}
			r := holdSound(t.Context(), t, insert(t, disc.drive(tc.offset)), w, soundOptions())
			if diff := cmp.Diff(tc.told, told(r)); diff != "" {
				t.Error(diff)
			}
			if int64(r.NotCompared) != tc.none {
				t.Errorf("%d files are said not to be compared", r.NotCompared)
			}
			for _, h := range r.Files {
				if !h.Samples && w.Kind == optical.Audio {
					t.Errorf("%s isn't said to be samples", h.Name)
				}
			}
		})
	}
}

// The offset of the drive is found, and what it cuts off at an edge is no damage.
func TestAudioOffsets(t *testing.T) {
	disc := burn(0, recordings()...)
	for _, offset := range []int{0, 30, -30, 667, -1164} {
		for _, spooled := range []bool{true, false} {
			t.Run(fmt.Sprintf("%+d spooled %t", offset, spooled), func(t *testing.T) {
				o := soundOptions()
				var kept *memory
				o.Spool = nil
				if spooled {
					o.Spool = func(n int64) (burned.Spool, error) { kept = &memory{b: make([]byte, n)}; return kept, nil }
				}
				r := holdSound(t.Context(), t, insert(t, disc.drive(offset)), burned.Want{Files: sounds(recordings()...)}, o)
				if r.Verdict != "intact" || r.Sound == nil || r.Sound.Offset != offset {
					t.Fatalf("%q, %+v", told(r), r.Sound)
				}
				if n := r.Sound.EdgeStart + r.Sound.EdgeEnd; offset > 588 && n == 0 {
					t.Errorf("nothing is cut off: %+v", r.Sound)
				}
				if spooled && !kept.closed {
					t.Error("the spool stays open")
				}
			})
		}
	}
}

// The drive's known offset is no more than a hint.
func TestAudioKnownOffset(t *testing.T) {
	o := soundOptions()
	o.Offset, o.OffsetKnown = 102, true
	r := holdSound(t.Context(), t, insert(t, burn(0, recordings()...).drive(30)), burned.Want{Files: sounds(recordings()...)}, o)
	if r.Verdict != "intact" || r.Sound.Offset != 30 {
		t.Errorf("%q at %d", told(r), r.Sound.Offset)
	}
}

func TestAudioLevel(t *testing.T) {
	for _, db := range []float64{-1.8, -6} {
		t.Run(fmt.Sprint(db), func(t *testing.T) {
			var list [][]byte
			for _, r := range recordings() {
				list = append(list, louder(r, db))
			}
			r := holdSound(t.Context(), t, insert(t, burn(0, list...).drive(30)), burned.Want{Kind: optical.Audio, Files: sounds(recordings()...)}, soundOptions())
			if r.Verdict != "changed" || len(r.Differing) > 0 {
				t.Errorf("%q", told(r))
			}
			for _, h := range r.Files {
				if h.Cause != burned.CauseChanged || h.State != "altered" || math.Abs(h.Likeness.GainDB-db) > 0.05 {
					t.Errorf("%s: %s %s, %+.2f dB", h.Name, h.State, h.Cause, h.Likeness.GainDB)
				}
			}
		})
	}
}

var errSource = errors.New("the source's store went away")

type failing struct{}

func (failing) ReadAt([]byte, int64) (int, error) { return 0, errSource }

// What breaks a check off leaves no verdict.
func TestAudioBrokenOff(t *testing.T) {
	disc := burn(0, recordings()...)
	for _, tc := range []struct {
		name string
		set  func(*burned.Want, *mmctest.Drive, context.CancelFunc)
		want error
	}{
		{"a source fails", func(w *burned.Want, _ *mmctest.Drive, _ context.CancelFunc) { w.Files[2].Sound.PCM = failing{} }, errSource},
		{"cancelled", func(_ *burned.Want, d *mmctest.Drive, cancel context.CancelFunc) {
			d.Before = func(n int, _ []byte) {
				if n == 60 {
					cancel()
				}
			}
		}, context.Canceled},
	} {
		t.Run(tc.name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			sim := disc.drive(0)
			d := insert(t, sim)
			w := burned.Want{Kind: optical.Audio, Files: sounds(recordings()...)}
			tc.set(&w, sim, cancel)
			r, err := burned.Check(ctx, d, w, soundOptions())
			if !errors.Is(err, tc.want) || r.Verdict != "" || r.Check.Map == nil {
				t.Fatalf("%v, verdict %q", err, r.Verdict)
			}
			// The map goes on.
			o := soundOptions()
			o.Map = r.Check.Map
			sim.Before = nil
			r = holdSound(t.Context(), t, d, burned.Want{Kind: optical.Audio, Files: sounds(recordings()...)}, o)
			if r.Verdict != "intact" {
				t.Errorf("%q", told(r))
			}
		})
	}
}

// A first reading leaves a baseline that another drive's is held against.
func TestAudioBaseline(t *testing.T) {
	first := holdSound(t.Context(), t, insert(t, burn(0, recordings()...).drive(30)), burned.Want{Kind: optical.Audio}, soundOptions())
	if first.Verdict != "baseline" || first.Baseline == nil || first.Baseline.Sound == nil {
		t.Fatalf("%q", told(first))
	}
	packed, err := first.Baseline.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d bytes", len(packed))
	for _, tc := range []struct {
		name   string
		offset int
		disc   *compact
		edit   func(*compact)
		told   []string
	}{
		{"same drive", 30, burn(0, recordings()...), nil, []string{"intact"}},
		{"another drive", -1164, burn(0, recordings()...), nil, []string{"intact"}},
		{"another disc", 30, burn(0, others()...), nil, []string{"other"}},
		// Rows of whole groups of ten sectors, as that drive reads them.
		{"altered", 30, burn(0, recordings()...), func(d *compact) { d.alter(1651, 1) }, []string{"altered", "differing 1650+10 track 2 00:00:01.74"}},
		{"unreadable", 30, burn(0, recordings()...), func(d *compact) { d.fail(1700, 3) }, []string{"unreadable", "unreadable 1700+3 track 2 00:00:02.49"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if tc.edit != nil {
				tc.edit(tc.disc)
			}
			var b burned.Baseline
			if err := b.UnmarshalBinary(packed); err != nil {
				t.Fatal(err)
			}
			r := holdSound(t.Context(), t, insert(t, tc.disc.drive(tc.offset)), burned.Want{Kind: optical.Audio, Baseline: &b}, soundOptions())
			if diff := cmp.Diff(tc.told, told(r)); diff != "" {
				t.Error(diff)
			}
			if r.Baseline != &b {
				t.Error("another baseline is given")
			}
		})
	}
}

// A first reading that wasn't whole leaves a baseline all the same.
func TestAudioBaselineOfDamaged(t *testing.T) {
	disc := burn(0, recordings()...)
	disc.fail(1700, 3)
	r := holdSound(t.Context(), t, insert(t, disc.drive(0)), burned.Want{Kind: optical.Audio}, soundOptions())
	want := []string{"unreadable", "unreadable 1700+3 track 2 00:00:02.49"}
	if diff := cmp.Diff(want, told(r)); diff != "" {
		t.Error(diff)
	}
	if r.Baseline == nil || r.Baseline.Sound == nil || !cmp.Equal(r.Baseline.Sound.Unread, []int{170}) {
		t.Fatalf("%+v", r.Baseline)
	}
	r = holdSound(t.Context(), t, insert(t, burn(0, recordings()...).drive(0)), burned.Want{Kind: optical.Audio, Baseline: r.Baseline}, soundOptions())
	if r.Verdict != "intact" {
		t.Errorf("%q", told(r))
	}
}

// Without room for the sectors they are read twice, and that is told.
func TestAudioNoRoom(t *testing.T) {
	full := errors.New("no space left")
	o := burned.Options{Now: time.Now, Spool: func(int64) (burned.Spool, error) { return nil, full }}
	r := holdSound(t.Context(), t, insert(t, burn(0, recordings()...).drive(667)), burned.Want{Kind: optical.Audio, Files: sounds(recordings()...)}, o)
	if r.Verdict != "intact" || len(r.Problems) != 1 || !errors.Is(r.Problems[0], full) {
		t.Errorf("%q, %v", told(r), r.Problems)
	}
}
