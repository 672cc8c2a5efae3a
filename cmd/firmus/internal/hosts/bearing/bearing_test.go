package bearing_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/hosts/bearing"
	"firmus/fixity"
)

const window = 30 * time.Second

// store is one that isn't there: what n who read it at the same time get together in a second, and
// of how many files it asks one of them to come again later.
type store struct {
	rate func(n int) float64
	held func(n int) float64
}

// saturates is one that gives each reader so much, until all that it has is given out.
func saturates(each, most float64) store {
	return store{rate: func(n int) float64 { return min(each*float64(n), most) }}
}

// trial lets hosts read a store, in steps of a second.
type trial struct {
	*rand.Rand
	store
	s       bearing.State
	now     time.Time
	hosts   int
	spindle bool
	noise   float64
	small   float64   // share of files that are small
	parts   []float64 // seconds that each host's part goes on; 0: it has none
	since   []bearing.Report
}

func newTrial(seed uint64, hosts int, st store) *trial {
	return &trial{Rand: rand.New(rand.NewPCG(seed, 1)), store: st, s: bearing.Known(), now: time.Date(2026, 3, 2, 1, 0, 0, 0, time.UTC), hosts: hosts, noise: .1,
		parts: make([]float64, hosts), since: make([]bearing.Report, hosts)}
}

// second lets a second pass.
func (x *trial) second() {
	reads := 0
	for _, p := range x.parts[:x.hosts] {
		if p > 0 {
			reads++
		}
	}
	for i := range x.hosts {
		if x.parts[i] <= 0 && reads < x.s.N && x.Float64() < .4 { // it asks now and then whether it may
			x.parts[i] = 5 + 55*x.Float64()
			x.since[i] = bearing.Report{From: x.now}
			reads++
		}
	}
	x.now = x.now.Add(time.Second)
	for i := range x.hosts {
		if x.parts[i] <= 0 {
			continue
		}
		got := x.rate(reads) / float64(reads) * (1 + x.noise*x.NormFloat64())
		files := 1 + int64(x.small*50)
		r := &x.since[i]
		r.Bytes, r.Files = r.Bytes+int64(max(got, 0)), r.Files+files
		if x.held != nil {
			for range files {
				if x.Float64() < x.held(reads) {
					r.Held++
				}
			}
		}
		x.parts[i]--
		if x.parts[i] <= 0 || x.now.Sub(r.From) >= window/6 {
			r.To = x.now
			x.report(*r)
			x.since[i] = bearing.Report{From: x.now}
		}
	}
}

func (x *trial) report(r bearing.Report) {
	x.s = x.s.With(r, bearing.Around{Window: window, Hosts: x.hosts, Spindle: x.spindle})
	// It goes through the ledger.
	var again bearing.State
	if b, err := json.Marshal(x.s); err != nil || json.Unmarshal(b, &again) != nil || !reflect.DeepEqual(again, x.s) {
		panic(fmt.Sprintf("%+v comes back as %+v", x.s, again))
	}
	if x.s.N < 1 || x.s.Kept < 1 {
		panic(fmt.Sprintf("%+v", x.s))
	}
}

// read reads until it is known what the store bears, an hour and a half at most.
func (x *trial) read() time.Duration {
	began := x.now
	for x.s.Why == fixity.BoundOpen && x.now.Sub(began) < 90*time.Minute {
		x.second()
	}
	return x.now.Sub(began)
}

// TestFinds: of stores of every kind it is found what they bear.
func TestFinds(t *testing.T) {
	for _, c := range []struct {
		name        string
		hosts       int
		st          store
		least, most int
		why         fixity.Bound
		small       float64
	}{
		{"a share that two fill", 6, saturates(60e6, 110e6), 2, 2, fixity.BoundGain, 0},
		{"a share that one fills", 6, saturates(110e6, 110e6), 1, 1, fixity.BoundGain, 0},
		{"a share that four fill", 8, saturates(30e6, 118e6), 4, 4, fixity.BoundGain, 0},
		{"one with many small files among large ones", 8, saturates(30e6, 118e6), 4, 4, fixity.BoundGain, .5},
		{"a cluster that gives each the same", 12, saturates(100e6, math.Inf(1)), 12, 12, fixity.BoundHosts, 0},
		{"a cluster with a hundred hosts", 100, saturates(100e6, 4e9), 37, 55, fixity.BoundGain, 0},
		{"a drive that goes to and fro", 5, store{rate: func(n int) float64 { return 180e6 / (1 + .8*float64(n-1)) }}, 1, 1, fixity.BoundGain, 0},
		{"a service that asks to be left alone", 9, store{rate: func(n int) float64 { return 10e6 * float64(n) }, held: func(n int) float64 {
			if n > 4 {
				return .2
			}
			return .0005
		}}, 4, 4, fixity.BoundRefused, 0},
		{"two hosts", 2, saturates(50e6, 1e9), 2, 2, fixity.BoundHosts, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			wrong, longest := 0, time.Duration(0)
			seeds := 60
			if c.hosts > 50 {
				seeds = 10
			}
			for seed := range uint64(seeds) {
				x := newTrial(seed, c.hosts, c.st)
				x.small = c.small
				longest = max(longest, x.read())
				if x.s.N < c.least || x.s.N > c.most || x.s.Why != c.why {
					if wrong++; wrong <= 3 {
						t.Logf("seed %d: %+v", seed, x.s)
					}
				}
			}
			if wrong > seeds/20 {
				t.Errorf("of %d times it was found wrong %d times", seeds, wrong)
			}
			t.Logf("found within %s, wrong %d times of %d", longest, wrong, seeds)
		})
	}
}

// TestAlone: one host finds nothing out, and may read; when others come it is measured.
func TestAlone(t *testing.T) {
	x := newTrial(1, 4, saturates(50e6, 1e9))
	x.hosts = 1
	x.read()
	if x.s.Why != fixity.BoundOpen || x.s.Kept != 1 || x.s.N < 1 {
		t.Fatalf("one host found %+v", x.s)
	}
	x.hosts = 2
	x.read()
	if x.s.N != 2 || x.s.Why != fixity.BoundHosts {
		t.Fatalf("two found %+v", x.s)
	}
	for range 20 {
		x.second()
	}
	if x.s.Measures(x.now, 2) || !x.s.Measures(x.now, 4) {
		t.Errorf("with more hosts it isn't measured on: %+v", x.s)
	}
	x.hosts = 4
	for range 40 {
		x.second()
	}
	if x.read(); x.s.N != 4 || x.s.Why != fixity.BoundHosts {
		t.Errorf("four found %+v", x.s)
	}
	// Two die, and come back.
	x.hosts = 2
	for range 600 {
		x.second()
	}
	if x.s.N < 2 {
		t.Errorf("of two that are left fewer may read: %+v", x.s)
	}
}

// TestHostsGo: hosts that die while more of them are tried leave nothing that waits for them.
func TestHostsGo(t *testing.T) {
	for seed := range uint64(40) {
		x := newTrial(seed, 4, saturates(50e6, 1e9))
		for range 60 + x.IntN(400) {
			x.second()
		}
		x.hosts = 2
		for range 60 {
			x.second()
		}
		if x.read(); x.s.N < 2 || x.s.N > 2 && x.s.Why == fixity.BoundOpen {
			t.Errorf("seed %d: two that are left came to %+v", seed, x.s)
		}
		x.hosts = 4
		for range 60 {
			x.second()
		}
		if x.read(); x.s.N != 4 {
			t.Errorf("seed %d: four that came back came to %+v", seed, x.s)
		}
	}
}

// TestAgain: it is measured anew after a month; after a day if the store refused; a spindle is
// believed at once.
func TestAgain(t *testing.T) {
	x := newTrial(3, 4, saturates(50e6, 100e6))
	x.read()
	if x.s.N != 2 || x.s.Why != fixity.BoundGain {
		t.Fatalf("%+v", x.s)
	}
	at := x.s.At
	if x.s.Measures(at.Add(bearing.Again-1), 4) || !x.s.Measures(at.Add(bearing.Again), 4) {
		t.Error("it isn't measured anew after a month")
	}
	x.store = saturates(50e6, 1e9) // a new server
	x.now = at.Add(bearing.Again)
	x.parts = make([]float64, 4)
	for range 60 {
		x.second()
	}
	if x.read(); x.s.N != 4 || x.s.Why != fixity.BoundHosts {
		t.Errorf("after a month it is %+v", x.s)
	}
	// It has trouble later on.
	late := x.s.At.Add(time.Hour)
	after := x.s.With(bearing.Report{From: late, To: late.Add(time.Second), Files: 4, Held: 1}, bearing.Around{Window: window, Hosts: 4})
	if after.N != 3 || after.Why != fixity.BoundRefused {
		t.Errorf("a store that refuses gave %+v", after)
	}
	if next := after.With(bearing.Report{From: late, To: late.Add(2 * time.Second), Files: 4, Held: 1}, bearing.Around{Window: window, Hosts: 4}); next != after {
		t.Errorf("of one moment's trouble it went down twice: %+v", next)
	}
	if after.Measures(late.Add(bearing.Soon-time.Hour), 4) || !after.Measures(late.Add(bearing.Soon+time.Minute), 4) {
		t.Error("what refused isn't measured anew after a day")
	}
	if one := x.s.With(bearing.Report{From: late, To: late.Add(time.Second)}, bearing.Around{Window: window, Hosts: 4, Spindle: true}); one.N != 1 || one.Why != fixity.BoundSpindle {
		t.Errorf("a drive with a spindle gave %+v", one)
	}
}

// TestOddReports: whatever hosts say, some may read.
func TestOddReports(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 7))
	s, at := bearing.Known(), time.Date(2026, 3, 2, 1, 0, 0, 0, time.UTC)
	for i := range 200_000 {
		from := at.Add(time.Duration(rnd.Int64N(int64(time.Hour))) - 30*time.Minute)
		r := bearing.Report{From: from, To: from.Add(time.Duration(rnd.Int64N(int64(2*time.Minute))) - 10*time.Second), Bytes: rnd.Int64N(1 << 40), Files: rnd.Int64N(5), Held: rnd.Int64N(40) / 39}
		hosts := rnd.IntN(6)
		s = s.With(r, bearing.Around{Window: window, Hosts: hosts})
		if s.N < 1 || s.Kept < 1 || s.N > 16 || math.IsNaN(s.Rate) || math.IsInf(s.Rate, 0) {
			t.Fatalf("after %d reports, %+v of %d hosts: %+v", i, r, hosts, s)
		}
		at = at.Add(time.Duration(rnd.IntN(20)) * time.Second)
	}
}
