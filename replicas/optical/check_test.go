package optical_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
	"firmus/replicas/testing/mmctest"
)

// ends are the runs of a map that aren't read at the first try.
func ends(m *optical.Map) []string {
	var list []string
	for r := range m.Runs() {
		if r.State == optical.Read && r.Tries == 1 {
			continue
		}
		s := fmt.Sprintf("%d+%d %s %d", r.LBA, r.Count, r.State, r.Tries)
		if r.Sense != (scsi.Sense{}) {
			s += " " + r.Sense.Code()
		}
		list = append(list, s)
	}
	return list
}

func TestCheckData(t *testing.T) {
	const cap16, cap8, low = 16 * mmc.CDSpeed, 8 * mmc.CDSpeed, mmc.CDSpeed
	many := func(from, n int64) map[int64]*mmctest.Fault {
		m := map[int64]*mmctest.Fault{}
		for i := range n {
			m[from+i] = &mmctest.Fault{}
		}
		return m
	}
	for _, tc := range []struct {
		name   string
		faults map[int64]*mmctest.Fault
		set    func(*mmctest.Drive)
		fresh  bool
		want   []string
		speeds []int
	}{
		{name: "nothing wrong", speeds: []int{cap8, mmc.MaxSpeed}},
		{name: "fresh", fresh: true, speeds: []int{cap16, mmc.MaxSpeed}},
		{
			name: "one that can't be read", faults: many(300, 1),
			want: []string{"300+1 unreadable 5 3/11/05"}, speeds: []int{cap8, low, mmc.MaxSpeed},
		}, {
			name: "one that reads at the second try", faults: map[int64]*mmctest.Fault{300: {Fails: 1}},
			want: []string{"300+1 read 2"}, speeds: []int{cap8, mmc.MaxSpeed},
		}, {
			name: "the third reading is at the lowest speed", faults: map[int64]*mmctest.Fault{300: {Fails: 2}},
			want: []string{"300+1 read 3"}, speeds: []int{cap8, low, mmc.MaxSpeed},
		}, {
			name: "the fifth", faults: map[int64]*mmctest.Fault{300: {Fails: 4}},
			want: []string{"300+1 read 5"}, speeds: []int{cap8, low, mmc.MaxSpeed},
		}, {
			name: "a sixth isn't made", faults: map[int64]*mmctest.Fault{300: {Fails: 5}},
			want: []string{"300+1 unreadable 5 3/11/05"}, speeds: []int{cap8, low, mmc.MaxSpeed},
		}, {
			name: "only at the lowest speed", faults: map[int64]*mmctest.Fault{300: {UpTo: low}},
			want: []string{"300+1 read 3"}, speeds: []int{cap8, low, mmc.MaxSpeed},
		}, {
			name: "a row longer than a batch", faults: many(310, 70),
			want: []string{"310+70 unreadable 5 3/11/05"}, speeds: []int{cap8, low, mmc.MaxSpeed},
		}, {
			name: "other reasons", faults: map[int64]*mmctest.Fault{
				0:   {Sense: scsi.Sense{Key: scsi.BlankCheck, ASC: 0x64}},
				100: {Sense: scsi.Sense{Key: scsi.HardwareError, ASC: 9, ASCQ: 2}},
				499: {Silent: true},
			},
			want:   []string{"0+1 unreadable 5 8/64/00", "100+1 unreadable 5 4/09/02", "499+1 unreadable 5"},
			speeds: []int{cap8, low, mmc.MaxSpeed},
		}, {
			name: "residuals lie", faults: many(300, 1), set: func(d *mmctest.Drive) { d.Residual = func(n int) int { return n } },
			want: []string{"300+1 unreadable 5 3/11/05"}, speeds: []int{cap8, low, mmc.MaxSpeed},
		}, {
			name: "no speed can be set", faults: many(300, 1), set: func(d *mmctest.Drive) { d.NoSpeed = true },
			want: []string{"300+1 unreadable 5 3/11/05"},
		}, {
			name: "busy and reset on the way", set: func(d *mmctest.Drive) {
				d.Before = func(n int, cdb []byte) {
					switch n {
					case 30:
						d.Busy(2)
					case 35:
						d.Attend(scsi.Sense{Key: scsi.UnitAttention, ASC: 0x29})
					}
				}
			}, speeds: []int{cap8, mmc.MaxSpeed},
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				disc := dataDisc(500)
				disc.Content, disc.Faults = fill, tc.faults
				sim := drive(disc)
				d := open(t, sim)
				if tc.set != nil {
					tc.set(sim)
				}
				var got spool
				var last optical.Progress
				res, err := check(t.Context(), d, optical.CheckOptions{Fresh: tc.fresh, Data: &got, Progress: func(p optical.Progress) { last = p }})
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(tc.want, ends(res.Map)); diff != "" {
					t.Error(diff)
				}
				if diff := cmp.Diff(tc.speeds, sim.Speeds()); diff != "" {
					t.Error("speeds", diff)
				}
				if (res.Speed == 0) != (len(res.Problems) > 0) || len(res.Problems) > 0 && !errors.Is(res.Problems[0], optical.ErrSpeed) {
					t.Error(res.Speed, res.Problems)
				}
				bad, _ := res.Map.Ranges(optical.Unreadable)
				if !res.Map.Done() || last.Counts != res.Map.Counts() || last.Counts.Sectors != 500 {
					t.Errorf("%+v", last)
				}
				whole := rows(0, 500, sector.Data)
				for _, r := range bad {
					clear(whole[r.LBA*sector.Data : (r.LBA+r.Count)*sector.Data])
				}
				got.b = append(got.b, make([]byte, len(whole)-len(got.b))...)
				if !bytes.Equal(got.b, whole) {
					t.Error("other bytes were handed over than were read")
				}
			})
		})
	}
}

// What lies behind a damaged place is read before the place is tried again.
func TestCheckPutsOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disc := dataDisc(600)
		disc.Faults = map[int64]*mmctest.Fault{}
		for i := range int64(200) {
			disc.Faults[100+i] = &mmctest.Fault{Slow: 20 * time.Second}
		}
		d := open(t, drive(disc))
		begin := time.Now()
		res, err := check(t.Context(), d, optical.CheckOptions{})
		if !errors.Is(err, optical.ErrStalled) {
			t.Fatal(err)
		}
		c := res.Map.Counts()
		// Beside the bad ones at most a row is left that holds both.
		if c.AtOnce < 400-mmc.MaxData || c.AtOnce > 400 || c.Failed+c.Untried+c.AtOnce != 600 || c.Untried == 0 {
			t.Errorf("%+v", c)
		}
		took := time.Since(begin)
		if took < 10*time.Minute || took > 60*time.Minute {
			t.Errorf("took %v", took)
		}
		// The map that was kept goes on, and the sectors end one way or the other.
		text, err := res.Map.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		m, err := optical.ReadMap(bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range disc.Faults {
			f.Slow = 100 * time.Millisecond
		}
		res, err = check(t.Context(), d, optical.CheckOptions{Map: m})
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff([]string{"100+200 unreadable 5 3/11/05"}, ends(res.Map)); diff != "" {
			t.Error(diff)
		}
	})
}

// A check broken off after k commands and taken up again, for every k, comes to the
// same as one that wasn't.
func TestCheckResumes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		make := func() *mmctest.Disc {
			d := dataDisc(300)
			d.Content = fill
			for i := range int64(40) {
				d.Faults[80+i] = &mmctest.Fault{}
			}
			d.Faults[250] = &mmctest.Fault{UpTo: mmc.CDSpeed}
			return d
		}
		want := []string{"80+40 unreadable 5 3/11/05", "250+1 read 3"}
		broken := 0
		for k := 0; ; k++ {
			sim := drive(make())
			d := open(t, sim)
			ctx, cancel := context.WithCancel(t.Context())
			begin := 0
			sim.Before = func(n int, _ []byte) {
				if begin == 0 {
					begin = n
				}
				if n == begin+k {
					cancel()
				}
			}
			var got spool
			res, err := check(ctx, d, optical.CheckOptions{Data: &got})
			cancel()
			if err == nil {
				break
			}
			broken++
			if !errors.Is(err, context.Canceled) || res.Map == nil {
				t.Fatal(k, err)
			}
			sim.Before = nil
			text, _ := res.Map.MarshalText()
			m, err := optical.ReadMap(bytes.NewReader(text))
			if err != nil {
				t.Fatal(k, err)
			}
			res, err = check(t.Context(), d, optical.CheckOptions{Map: m, Data: &got})
			if err != nil {
				t.Fatal(k, err)
			}
			if diff := cmp.Diff(want, ends(res.Map)); diff != "" {
				t.Fatal(k, diff)
			}
			whole := rows(0, 300, sector.Data)
			clear(whole[80*sector.Data : 120*sector.Data])
			if !bytes.Equal(got.b, whole) {
				t.Fatal(k, "bytes")
			}
		}
		if broken < 200 {
			t.Errorf("only %d places", broken)
		}
	})
}

func TestCheckBreaksOff(t *testing.T) {
	twin := func() *mmctest.Disc {
		d := dataDisc(500)
		d.Content = func(lba int64, b []byte) { fill(lba+1, b) }
		return d
	}
	for _, tc := range []struct {
		name string
		at   int // commands after the start
		do   func(*mmctest.Drive)
		want error
		not  error
	}{
		{"swapped, and told", 20, func(d *mmctest.Drive) { d.Insert(twin()) }, optical.ErrSwapped, fixity.ErrAway},
		{"swapped unseen, same table of contents", 20, func(d *mmctest.Drive) { d.Swap(twin()) }, optical.ErrSwapped, fixity.ErrAway},
		{"swapped unseen, another table", 20, func(d *mmctest.Drive) { d.Swap(dataDisc(600)) }, optical.ErrSwapped, fixity.ErrAway},
		{"tray opened", 20, func(d *mmctest.Drive) { d.Eject() }, optical.ErrTrayOpen, optical.ErrSwapped},
		{"disc gone", 20, func(d *mmctest.Drive) { d.Swap(nil) }, optical.ErrNoDisc, optical.ErrSwapped},
		{"swapped before it began", 0, func(d *mmctest.Drive) { d.Insert(twin()) }, optical.ErrSwapped, fixity.ErrAway},
		{"unplugged", 20, func(d *mmctest.Drive) { d.Unplug() }, fixity.ErrAway, optical.ErrNoDisc},
		{"busy for good", 20, func(d *mmctest.Drive) { d.Busy(1 << 30) }, fixity.ErrBusy, fixity.ErrAway},
		{"not ready any more", 20, func(d *mmctest.Drive) { d.SpinUp(1 << 30) }, optical.ErrNotReady, optical.ErrSwapped},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				disc := dataDisc(500)
				disc.Content = fill
				sim := drive(disc)
				d := open(t, sim)
				begin := -1
				sim.Before = func(n int, _ []byte) {
					if begin < 0 {
						begin = n
					}
					if n == begin+tc.at {
						tc.do(sim)
					}
				}
				res, err := check(t.Context(), d, optical.CheckOptions{})
				if !errors.Is(err, tc.want) || errors.Is(err, tc.not) {
					t.Errorf("got %v, want %v", err, tc.want)
				}
				if res.Map == nil || tc.at > 0 && res.Map.Counts().AtOnce == 0 {
					t.Error("what was read isn't kept")
				}
			})
		})
	}
	t.Run("swapped unseen for a smaller disc", func(t *testing.T) {
		for _, other := range []*mmctest.Disc{dataDisc(40), audioDisc(500)} {
			sim := drive(dataDisc(500))
			d := open(t, sim)
			reads := 0
			sim.Before = func(_ int, cdb []byte) {
				if cdb[0] != 0x28 && cdb[0] != 0xA8 && cdb[0] != 0xBE {
					return
				}
				if reads++; reads == 10 {
					sim.Swap(other)
				}
			}
			if _, err := check(t.Context(), d, optical.CheckOptions{}); !errors.Is(err, optical.ErrSwapped) {
				t.Error(err)
			}
			// Not each sector of the rest is tried.
			if reads > 40 {
				t.Errorf("%d reads of a disc that isn't there", reads)
			}
		}
	})
	t.Run("the map of another disc", func(t *testing.T) {
		m, err := optical.NewMap(open(t, drive(dataDisc(501))).Contents())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := check(t.Context(), open(t, drive(dataDisc(500))), optical.CheckOptions{Map: m}); !errors.Is(err, optical.ErrOtherDisc) {
			t.Error(err)
		}
	})
	t.Run("the spool is full", func(t *testing.T) {
		full := errors.New("no space left")
		_, err := check(t.Context(), open(t, drive(dataDisc(500))), optical.CheckOptions{Data: failing{full}})
		if !errors.Is(err, full) {
			t.Error(err)
		}
	})
}

type failing struct{ err error }

func (f failing) WriteAt([]byte, int64) (int, error) { return 0, f.err }

func TestCheckStallIsTheTimeGiven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disc := dataDisc(200)
		for i := range int64(200) {
			disc.Faults[i] = &mmctest.Fault{Slow: 10 * time.Second}
		}
		d := open(t, drive(disc))
		begin := time.Now()
		_, err := check(t.Context(), d, optical.CheckOptions{Stall: time.Minute})
		// The proof at both ends reads some sectors as well.
		if took := time.Since(begin); !errors.Is(err, optical.ErrStalled) || took < time.Minute || took > 3*time.Minute {
			t.Error(took, err)
		}
	})
}

func TestCheckAudio(t *testing.T) {
	wrong := func(n int) *mmctest.Doubt { return &mmctest.Doubt{Bytes: []int{8, 9, 2000}, Times: n} }
	for _, tc := range []struct {
		name   string
		flags  mmctest.Flags
		offset int
		twice  bool
		faults map[int64]*mmctest.Fault
		doubts map[int64]*mmctest.Doubt
		c2     bool
		want   []string // but for what is read at once
		damage []int64  // sectors handed over otherwise than they are
	}{
		{name: "nothing wrong", flags: mmctest.Honest, c2: true},
		{name: "with an offset", flags: mmctest.Honest, c2: true, offset: 667},
		{name: "negative offset", offset: -1164},
		{name: "flagged once", flags: mmctest.Honest, c2: true, doubts: map[int64]*mmctest.Doubt{60: wrong(1)}, want: []string{"60+1 read 2"}},
		{name: "flagged three times", flags: mmctest.Honest, c2: true, doubts: map[int64]*mmctest.Doubt{60: wrong(3)}, want: []string{"60+1 read 4"}},
		{
			name: "always flagged", flags: mmctest.Honest, c2: true, doubts: map[int64]*mmctest.Doubt{60: wrong(0), 61: wrong(0)},
			want: []string{"60+2 doubtful 5"}, damage: []int64{60, 61},
		},
		{name: "flags announced in the page", flags: mmctest.PageOnly, c2: true, doubts: map[int64]*mmctest.Doubt{60: wrong(1)}, want: []string{"60+1 read 2"}},
		{name: "no flags: nothing is noticed", doubts: map[int64]*mmctest.Doubt{60: wrong(1)}, damage: []int64{60}},
		{name: "flags that lie: nothing is noticed", flags: mmctest.Ignored, doubts: map[int64]*mmctest.Doubt{60: wrong(1)}, damage: []int64{60}},
		{name: "flags that aren't sent", flags: mmctest.Unsent, doubts: map[int64]*mmctest.Doubt{60: wrong(1)}, damage: []int64{60}},
		{name: "hard error", flags: mmctest.Honest, c2: true, faults: map[int64]*mmctest.Fault{60: {}}, want: []string{"60+1 unreadable 5 3/11/05"}, damage: []int64{60}},
		{name: "hard error where flags are proved", flags: mmctest.Honest, c2: true, faults: map[int64]*mmctest.Fault{48: {}, 49: {}}, want: []string{"48+2 unreadable 5 3/11/05"}, damage: []int64{48, 49}},
		{name: "hard error, then flags", flags: mmctest.Honest, c2: true, faults: map[int64]*mmctest.Fault{60: {Fails: 3}}, doubts: map[int64]*mmctest.Doubt{60: wrong(0)}, want: []string{"60+1 doubtful 5"}, damage: []int64{60}},
		{name: "twice, nothing wrong", twice: true, want: []string{"0+300 read-twice 2"}},
		{name: "twice, no flags: noticed, and put right", twice: true, doubts: map[int64]*mmctest.Doubt{60: wrong(1)}, want: []string{"0+60 read-twice 2", "60+1 read-twice 3", "61+239 read-twice 2"}},
		{name: "twice, always otherwise", twice: true, doubts: map[int64]*mmctest.Doubt{60: wrong(0)}, want: []string{"0+60 read-twice 2", "60+1 doubtful 6", "61+239 read-twice 2"}, damage: []int64{60}},
		{name: "twice, with flags", twice: true, flags: mmctest.Honest, c2: true, doubts: map[int64]*mmctest.Doubt{60: wrong(1)}, want: []string{"0+60 read-twice 2", "60+1 read-twice 3", "61+239 read-twice 2"}},
		{name: "twice, hard error once", twice: true, faults: map[int64]*mmctest.Fault{60: {Fails: 1}}, want: []string{"0+60 read-twice 2", "60+1 read-twice 3", "61+239 read-twice 2"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				disc := audioDisc(300)
				disc.Faults, disc.Doubts = tc.faults, tc.doubts
				sim := drive(disc)
				sim.Flags, sim.Offset = tc.flags, tc.offset
				d := open(t, sim)
				var got spool
				res, err := check(t.Context(), d, optical.CheckOptions{Twice: tc.twice, Audio: &got})
				if err != nil {
					t.Fatal(err)
				}
				if res.C2 != tc.c2 || !res.Map.Done() {
					t.Errorf("flags believed: %v, done: %v", res.C2, res.Map.Done())
				}
				if diff := cmp.Diff(tc.want, ends(res.Map)); diff != "" {
					t.Error(diff)
				}
				var damage []int64
				for i := range int64(300) {
					b := make([]byte, sector.Raw)
					if end := int((i+1)*sector.Raw) - len(got.b); end <= 0 {
						copy(b, got.b[i*sector.Raw:])
					}
					if want := shifted(i, 300, tc.offset); !bytes.Equal(b, want) {
						damage = append(damage, i)
					}
				}
				if diff := cmp.Diff(tc.damage, damage); diff != "" {
					t.Error(diff)
				}
			})
		})
	}
}

// shifted is what a drive of an offset gives of a sector; nothing is known outside of
// the disc.
func shifted(lba, sectors int64, offset int) []byte {
	all := make([]byte, 0, 7*sector.Raw)
	for i := lba - 3; i <= lba+3; i++ {
		b := make([]byte, sector.Raw)
		if i >= 0 && i < sectors {
			fill(i, b)
		}
		all = append(all, b...)
	}
	return all[(3*588+offset)*4:][:sector.Raw]
}

// A drive that loses its place isn't tried sector by sector for hours.
func TestCheckTwiceWithJitter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disc := audioDisc(6000)
		sim := drive(disc)
		rng := rand.New(rand.NewPCG(107, 1))
		sim.Jitter = func() int { return rng.IntN(200) - 100 }
		d := open(t, sim)
		res, err := check(t.Context(), d, optical.CheckOptions{Twice: true})
		if err != nil {
			t.Fatal(err)
		}
		if len(res.Problems) != 1 || !errors.Is(res.Problems[0], optical.ErrUnsteady) || !res.Map.Done() {
			t.Error(res.Problems)
		}
		if n := sim.Sent(0xBE); n > 12000 {
			t.Errorf("%d commands", n)
		}
	})
}

// What a check reads twice it can take up again.
func TestCheckTwiceResumes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disc := audioDisc(600)
		disc.Doubts[450] = &mmctest.Doubt{Bytes: []int{1}, Times: 1}
		sim := drive(disc)
		d := open(t, sim)
		ctx, cancel := context.WithCancel(t.Context())
		res, err := check(ctx, d, optical.CheckOptions{Twice: true, Progress: func(p optical.Progress) {
			if p.Pass == optical.Second && p.LBA > 200 {
				cancel()
			}
		}})
		if !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
		text, _ := res.Map.MarshalText()
		m, err := optical.ReadMap(bytes.NewReader(text))
		if err != nil || !m.Twice() {
			t.Fatal(err)
		}
		res, err = check(t.Context(), d, optical.CheckOptions{Map: m})
		c := res.Map.Counts()
		if err != nil || c.AtOnce+c.Retried != 600 || !res.Map.Done() {
			t.Errorf("%+v, %v", c, err)
		}
		for r := range res.Map.Runs() {
			if r.State != optical.ReadTwice {
				t.Errorf("%+v", r)
			}
		}
	})
}

func TestCheckMixed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disc := twoSessions()
		disc.Faults = map[int64]*mmctest.Fault{12500: {}, 100: {}}
		d := open(t, drive(disc))
		var data, audio spool
		res, err := check(t.Context(), d, optical.CheckOptions{Data: &data, Audio: &audio})
		if err != nil {
			t.Fatal(err)
		}
		want := []string{"100+1 unreadable 5 3/11/05", "1000+11400 outside 0", "12500+1 unreadable 5 3/11/05"}
		if diff := cmp.Diff(want, ends(res.Map)); diff != "" {
			t.Error(diff)
		}
		if len(audio.b) != 1000*sector.Raw || len(data.b) != 12900*sector.Data {
			t.Error(len(audio.b), len(data.b))
		}
		if c := res.Map.Counts(); c.Sectors != 1500 || c.Unreadable != 2 || c.AtOnce != 1498 {
			t.Errorf("%+v", c)
		}
	})
}

func TestRunOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disc := dataDisc(500)
		disc.Content = dataContent("TAO", 498)
		disc.Faults[498], disc.Faults[499] = &mmctest.Fault{Sense: scsi.Sense{Key: 5, ASC: 0x64}}, &mmctest.Fault{Sense: scsi.Sense{Key: 5, ASC: 0x64}}
		d := open(t, drive(disc))
		res, err := check(t.Context(), d, optical.CheckOptions{})
		bad, _ := res.Map.Ranges(optical.Unreadable)
		if err != nil || !cmp.Equal(bad, []optical.Range{{LBA: 498, Count: 2}}) {
			t.Fatal(bad, err)
		}
		for lba, want := range map[int64]bool{0: false, 497: false, 498: true, 499: true, 500: false} {
			if got := d.Contents().RunOut(lba); got != want {
				t.Errorf("sector %d: %v", lba, got)
			}
		}
	})
}

// Sectors that are only slow are read, and don't count as tried again.
func TestCheckSlowSectors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disc := dataDisc(500)
		for i := range int64(100) {
			disc.Faults[200+i] = &mmctest.Fault{Slow: 8 * time.Second, Sound: true}
		}
		begin := time.Now()
		res, err := check(t.Context(), open(t, drive(disc)), optical.CheckOptions{})
		if c := res.Map.Counts(); err != nil || c.AtOnce != 500 {
			t.Errorf("%+v, %v", c, err)
		}
		if time.Since(begin) < 800*time.Second {
			t.Error("no time was spent")
		}
	})
}

func TestCheckNeedsWholeCommands(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sim := drive(dataDisc(500))
		var sizes []int
		sim.Before = func(_ int, cdb []byte) {
			if cdb[0] == 0x28 {
				sizes = append(sizes, int(cdb[7])<<8|int(cdb[8]))
			}
		}
		if _, err := check(t.Context(), open(t, sim), optical.CheckOptions{}); err != nil {
			t.Fatal(err)
		}
		if slices.Max(sizes) != mmc.MaxData || len(sizes) > 40 {
			t.Errorf("%d commands of up to %d sectors", len(sizes), slices.Max(sizes))
		}
	})
}
