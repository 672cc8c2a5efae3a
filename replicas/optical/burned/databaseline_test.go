package burned_test

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/mmctest"
)

// packed is a baseline that was kept and taken out again.
func packed(t *testing.T, b *burned.Baseline) *burned.Baseline {
	t.Helper()
	if b == nil {
		t.Fatal("no baseline was made")
	}
	p, err := b.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	var out burned.Baseline
	if err := out.UnmarshalBinary(p); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(*b, out); diff != "" {
		t.Error(diff)
	}
	return &out
}

// A disc of which nothing is known is held against its first reading, and what that
// couldn't read isn't compared.
func TestDataBaseline(t *testing.T) {
	small := map[string][]byte{notes: survey()[notes]}
	for _, tc := range []struct {
		name   string
		files  map[string][]byte        // nil: the survey's
		faults map[int64]*mmctest.Fault // at the first reading
		first  []string                 // what that says
		then   map[string][]byte        // nil: files
		again  map[int64]*mmctest.Fault // at the second
		says   []string
	}{
		{name: "the same", first: []string{"baseline"}, says: []string{"intact"}},
		{
			name: "altered", first: []string{"baseline"}, then: with(func(m map[string][]byte) { m[sideA] = flipped(m[sideA], 0) }),
			says: []string{"altered", sideA + ": altered 0+65536", "differing 31+32 file " + sideA + "@0"},
		}, {
			name: "one lacks", first: []string{"baseline"}, then: with(func(m map[string][]byte) { delete(m, sideA) }),
			says: []string{"missing", sideA + ": missing"},
		}, {
			name: "another disc", first: []string{"baseline"}, then: map[string][]byte{"x": {1}},
			says: []string{"other", sideA + ":  other", sideB + ":  other", notes + ":  other", other + ":  other", "extra x"},
		}, {
			name: "worse than then", first: []string{"baseline"}, again: bad(40),
			says: []string{"unreadable", sideA + ": unreadable 18432+2048", "unreadable 40+1 file " + sideA + "@18432"},
		}, {
			name: "better than then", faults: bad(40), first: []string{"unreadable", "unreadable 40+1 file " + sideA + "@18432"},
			says: []string{"intact", sideA + ": intact weaker partly"},
		}, {
			name: "altered where it couldn't be read", faults: bad(40), first: []string{"unreadable", "unreadable 40+1 file " + sideA + "@18432"},
			then: with(func(m map[string][]byte) { m[sideA] = flipped(m[sideA], 3) }), says: []string{"intact", sideA + ": intact weaker partly"},
		}, {
			name: "altered where it could", faults: bad(40), first: []string{"unreadable", "unreadable 40+1 file " + sideA + "@18432"},
			then: with(func(m map[string][]byte) { m[sideA] = flipped(m[sideA], 3, 70_000) }),
			says: []string{"altered", sideA + ": altered 65536+65536", "differing 63+32 file " + sideA + "@65536"},
		}, {
			name: "as bad as then", faults: bad(40), first: []string{"unreadable", "unreadable 40+1 file " + sideA + "@18432"}, again: bad(40),
			says: []string{"unreadable", sideA + ": unreadable 18432+2048", "unreadable 40+1 file " + sideA + "@18432"},
		}, {
			name: "nothing of it could be read", files: small, faults: bad(30), first: []string{"unreadable", "unreadable 30+1 file " + notes + "@0"},
			says: []string{"not-compared", notes + ":  not-compared"},
		}, {
			name: "in free space", faults: bad(25), first: []string{"unreadable", "unreadable 25+1 free", "structure 0, free 1"},
			says: []string{"intact"},
		}, {
			name: "a directory", faults: bad(20), first: []string{"unreadable", "unreadable 20+1 structure QV-0108@0", "structure 1, free 0"},
			says: []string{"intact", "extra " + other},
		},
	} {
		files := tc.files
		if files == nil {
			files = survey()
		}
		then := tc.then
		if then == nil {
			then = files
		}
		disc := func(files map[string][]byte, faults map[int64]*mmctest.Fault) *mmctest.Disc {
			d := volume{files: files, rockRidge: true}.press().disc()
			d.Faults = faults
			return d
		}
		for _, way := range []struct {
			name string
			o    func() burned.Options
		}{{"", soundOptions}, {", without room", spoolless}} {
			inDrive(t, tc.name+way.name, func() *mmctest.Disc { return disc(files, tc.faults) }, burned.Want{}, way.o(), func(t *testing.T, r burned.Result, err error) {
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(tc.first, said(r)); diff != "" {
					t.Error(diff)
				}
				base := packed(t, r.Baseline)
				r, err = burned.Check(t.Context(), inserted(t, disc(then, tc.again)), burned.Want{Kind: optical.Data, Baseline: base}, way.o())
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(tc.says, said(r)); diff != "" {
					t.Error(diff)
				}
				if r.Baseline != base {
					t.Error("it isn't told what was compared with")
				}
			})
		}
	}
}

// Names on a disc are bytes, not always text.
func TestDataBaselineNames(t *testing.T) {
	files := map[string][]byte{"latin\xe9.wav": {1, 2}, "zero": nil}
	p := volume{files: files, rockRidge: true}.press()
	r := check(t, p.image(t, 0), burned.Want{})
	r = check(t, p.image(t, 0), burned.Want{Baseline: packed(t, r.Baseline)})
	if diff := cmp.Diff([]string{"intact"}, said(r)); diff != "" || len(r.Files) != 2 || r.Files[0].Name != "latin\xe9.wav" {
		t.Errorf("%s%+v", diff, r.Files)
	}
	none := packed(t, &burned.Baseline{Files: []burned.BaseFile{}})
	if none.Files == nil || packed(t, &burned.Baseline{}).Files != nil {
		t.Error("no files, and no data that was read, are the same")
	}
}

// A baseline that anybody may have written isn't believed in what can't be.
func TestDataBaselineHostile(t *testing.T) {
	for name, files := range map[string]string{
		"less than no bytes":           `[{"path":"YQ==","size":-1}]`,
		"more than any disc":           `[{"path":"YQ==","size":70368744177665}]`,
		"fewer sums than blocks":       `[{"path":"YQ==","size":65537,"blocks":[1]}]`,
		"more sums than blocks":        `[{"path":"YQ==","size":65536,"blocks":[1,2]}]`,
		"a sum that is none":           `[{"path":"YQ==","size":1,"blake3":"zz"}]`,
		"a block that isn't there":     `[{"path":"YQ==","size":1,"blocks":[1],"unread":[1]}]`,
		"a block before the first":     `[{"path":"YQ==","size":1,"blocks":[1],"unread":[-1]}]`,
		"blocks that don't ascend":     `[{"path":"YQ==","size":65537,"blocks":[1,2],"unread":[1,0]}]`,
		"the same block twice":         `[{"path":"YQ==","size":65537,"blocks":[1,2],"unread":[1,1]}]`,
		"a path that isn't bytes":      `[{"path":"*","size":1}]`,
		"files that are no list":       `{}`,
		"a sum longer than any number": `[{"path":"YQ==","size":1,"blocks":[4294967296]}]`,
	} {
		t.Run(name, func(t *testing.T) {
			var b burned.Baseline
			if err := b.UnmarshalBinary(squeezed(t, `{"version":1,"files":`+files+`}`)); !errors.Is(err, burned.ErrBaseline) || b.Files != nil {
				t.Errorf("%v, %+v", err, b)
			}
		})
	}
}

// A check that was broken off leaves its map, and goes on to the same result.
func TestDataResumes(t *testing.T) {
	p := volume{files: with(func(m map[string][]byte) { m[sideB] = flipped(m[sideB], 5) }), rockRidge: true}.press()
	want := []string{"altered", sideA + ": unreadable 18432+2048", sideB + ": altered 0+65536", other + ": unreadable 6144+2048",
		"unreadable 40+1 file " + sideA + "@18432", "unreadable 280+1 file " + other + "@6144", "differing 178+32 file " + sideB + "@0"}
	for _, tc := range []struct {
		name string
		pass optical.Pass
		at   int64
		o    func() burned.Options
	}{
		{"in the first pass", optical.First, 200, soundOptions},
		{"in the first pass, without room", optical.First, 200, spoolless},
		{"in the last", optical.Slow, 41, soundOptions},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				disc := p.disc()
				disc.Faults = bad(40, 280)
				sim := &mmctest.Drive{}
				sim.Insert(disc)
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				o := tc.o()
				var rooms []*memory
				if o.Spool != nil {
					o.Spool = func(n int64) (burned.Spool, error) {
						m := &memory{b: make([]byte, n)}
						rooms = append(rooms, m)
						return m, nil
					}
				}
				o.Progress = func(p optical.Progress) {
					if p.Pass == tc.pass && p.LBA >= tc.at {
						cancel()
					}
				}
				w := burned.Want{Files: expected(survey())}
				r, err := burned.Check(ctx, insert(t, sim), w, o)
				if !errors.Is(err, context.Canceled) || r.Verdict != "" {
					t.Fatalf("%v, %v", r.Verdict, err)
				}
				if c := r.Check.Map.Counts(); c.AtOnce < 180 || r.Check.Map.Done() {
					t.Errorf("%+v", c)
				}
				before := sim.Sent(0x28)
				o.Map, o.Progress = r.Check.Map, nil
				r, err = burned.Check(t.Context(), insert(t, sim), w, o)
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(want, said(r)); diff != "" {
					t.Error(diff)
				}
				if !r.Check.Map.Done() || sim.Sent(0x28) == before {
					t.Error("it wasn't ended")
				}
				for i, m := range rooms {
					if !m.closed {
						t.Errorf("spool %d wasn't closed", i)
					}
				}
			})
		})
	}
}

// What breaks the reading off is an error, and there is no verdict then.
func TestDataBrokenOff(t *testing.T) {
	p := volume{files: survey(), rockRidge: true}.press()
	swapped := volume{files: map[string][]byte{"x": make([]byte, 9000)}, rockRidge: true}.press()
	for _, tc := range []struct {
		name string
		do   func(*mmctest.Drive)
		want error
	}{
		{"unplugged", func(d *mmctest.Drive) { d.Unplug() }, fixity.ErrAway},
		{"tray opened", func(d *mmctest.Drive) { d.Eject() }, optical.ErrTrayOpen},
		{"another disc put in", func(d *mmctest.Drive) { d.Eject(); d.Insert(swapped.disc()) }, optical.ErrSwapped},
	} {
		for _, after := range []optical.Pass{optical.First, optical.Slow} {
			t.Run(fmt.Sprintf("%s, pass %v", tc.name, after), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					disc := p.disc()
					disc.Faults = bad(40, 41, 330)
					sim := &mmctest.Drive{}
					sim.Insert(disc)
					done := false
					o := soundOptions()
					o.Progress = func(p optical.Progress) {
						if p.Pass == after && p.LBA > 0 && !done {
							done = true
							tc.do(sim)
						}
					}
					r, err := burned.Check(t.Context(), insert(t, sim), burned.Want{Files: expected(survey())}, o)
					if !errors.Is(err, tc.want) || r.Verdict != "" || r.Check.Map == nil {
						t.Errorf("%q, %v", r.Verdict, err)
					}
				})
			})
		}
	}
}

// Where there is no room for a disc's sectors that is told, and they are read twice.
func TestDataNoRoom(t *testing.T) {
	full := errors.New("no space left")
	disc := volume{files: survey(), rockRidge: true}.press().disc
	o := spoolless()
	o.Spool = func(n int64) (burned.Spool, error) {
		if want := disc().LeadOut * discfs.SectorSize; n != want {
			return nil, fmt.Errorf("%d bytes, not %d", n, want)
		}
		return nil, full
	}
	inDrive(t, "full", disc, burned.Want{Files: expected(survey())}, o, func(t *testing.T, r burned.Result, err error) {
		if err != nil || r.Verdict != fixity.DiscIntact || len(r.Problems) != 1 || !errors.Is(r.Problems[0], full) {
			t.Errorf("%s, %v, %v", r.Verdict, err, r.Problems)
		}
	})
}

// Whenever the drive goes away the check is broken off with that, and never ends with
// a verdict.
func TestDataAwayAtAnyTime(t *testing.T) {
	p := volume{files: with(func(m map[string][]byte) {
		m[sideB] = flipped(m[sideB], 5)
		m["x.wav"] = m[other]
		delete(m, other)
	}), rockRidge: true, joliet: map[string]string{}}.press()
	run := func(t *testing.T, at int) (burned.Result, int, error) {
		disc := p.disc()
		disc.Faults = bad(50, 25)
		sim := &mmctest.Drive{}
		sim.Insert(disc)
		d := insert(t, sim)
		n := 0
		sim.Before = func(int, []byte) {
			if n++; n == at {
				sim.Unplug()
			}
		}
		r, err := burned.Check(t.Context(), d, burned.Want{Files: expected(survey())}, spoolless())
		return r, n, err
	}
	synctest.Test(t, func(t *testing.T) {
		whole, n, err := run(t, 0)
		if err != nil || whole.Verdict != fixity.DiscAltered {
			t.Fatalf("%v, %v", said(whole), err)
		}
		if n < 40 {
			t.Fatalf("only %d commands", n)
		}
		step := 1
		if testing.Short() {
			step = 7
		}
		for at := 1; at <= n; at += step {
			r, _, err := run(t, at)
			if last := at == n && err == nil; !last && (!errors.Is(err, fixity.ErrAway) || r.Verdict != "" || r.Check.Map == nil) {
				t.Errorf("at command %d of %d: %q, %v", at, n, r.Verdict, err)
			}
		}
	})
}
