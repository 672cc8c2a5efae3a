package optical_test

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"firmus/replicas/optical"
	"firmus/replicas/optical/scsi"
)

func newMap(t testing.TB, sectors int64) *optical.Map {
	t.Helper()
	m, err := optical.NewMap(optical.Contents{LeadOut: sectors, Tracks: []optical.Track{{Number: 1, Sectors: sectors, Data: true}}})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

var (
	bad   = scsi.Sense{Key: scsi.MediumError, ASC: 0x11, ASCQ: 5}
	blank = scsi.Sense{Key: scsi.BlankCheck}
)

func TestMapRuns(t *testing.T) {
	m := newMap(t, 20_000)
	want := []optical.Run{
		{LBA: 0, Count: 4095, State: optical.Read, Tries: 1},
		{LBA: 4095, Count: 2, State: optical.Unreadable, Tries: 5, Sense: bad},
		{LBA: 4097, Count: 1, State: optical.Read, Tries: 3},
		{LBA: 4098, Count: 8000, State: optical.Read, Tries: 1},
		{LBA: 12098, Count: 2, State: optical.Doubtful, Tries: 5},
		{LBA: 12100, Count: 1, State: optical.Failed, Tries: 2, Sense: blank},
		{LBA: 12101, Count: 7899, State: optical.Untried},
	}
	info := bad
	info.HasInfo, info.Info = true, 4095
	for _, r := range want {
		if r.Sense == bad {
			r.Sense = info // the sector that it names isn't kept: each sector's would be another
		}
		m.SetRun(r)
	}
	if diff := cmp.Diff(want, slices.Collect(m.Runs())); diff != "" {
		t.Error(diff)
	}
	if got, want := m.Counts(), (optical.Counts{Sectors: 20000, AtOnce: 12095, Retried: 1, Doubtful: 2, Unreadable: 2, Failed: 1, Untried: 7899}); got != want {
		t.Errorf("%+v", got)
	}
	ranges, more := m.Ranges(optical.Doubtful, optical.Failed)
	if diff := cmp.Diff([]optical.Range{{LBA: 12098, Count: 3}}, ranges); diff != "" || more {
		t.Error(more, diff)
	}
	if r, _ := m.Retried(); !cmp.Equal(r, []optical.Range{{LBA: 4097, Count: 1}}) {
		t.Error(r)
	}
	if m.Done() {
		t.Error("done")
	}
	for r := range m.Runs() {
		if r.LBA > 4095 {
			t.Fatal("went on after the end was asked for")
		}
		if r.LBA == 4095 {
			break
		}
	}
}

func TestMapRangesAreBounded(t *testing.T) {
	m := newMap(t, 10_000)
	for i := range int64(5000) {
		m.SetRun(optical.Run{LBA: 2 * i, Count: 1, State: optical.Read, Tries: 2})
	}
	for _, f := range []func() ([]optical.Range, bool){m.Retried, func() ([]optical.Range, bool) { return m.Ranges(optical.Read) }} {
		if r, more := f(); len(r) != optical.MaxRanges || !more {
			t.Error(len(r), more)
		}
	}
}

func TestMapTooLarge(t *testing.T) {
	if _, err := optical.NewMap(optical.Contents{LeadOut: optical.MaxSectors + 1}); !errors.Is(err, optical.ErrTooLarge) {
		t.Error(err)
	}
}

// The worst map of the largest disc stays below 64 MiB, and a good one is small.
func TestMapMemory(t *testing.T) {
	used := func(f func(m *optical.Map)) uint64 {
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		m := newMap(t, optical.MaxSectors)
		f(m)
		runtime.GC()
		runtime.ReadMemStats(&after)
		runtime.KeepAlive(m)
		return after.HeapAlloc - min(before.HeapAlloc, after.HeapAlloc)
	}
	if n := used(func(m *optical.Map) {
		m.SetRun(optical.Run{Count: optical.MaxSectors, State: optical.Read, Tries: 1})
	}); n > 2<<20 {
		t.Errorf("a disc that reads well takes %d bytes", n)
	}
	if n := used(func(m *optical.Map) {
		for i := int64(0); i < optical.MaxSectors; i += 2 {
			m.SetRun(optical.Run{LBA: i, Count: 1, State: optical.Unreadable, Tries: 5, Sense: bad})
		}
	}); n > 64<<20 || n < 10<<20 {
		t.Errorf("the worst disc takes %d bytes", n)
	}
}

func TestMapText(t *testing.T) {
	m := newMap(t, 9000)
	m.SetTwice()
	m.SetRun(optical.Run{LBA: 0, Count: 8500, State: optical.ReadTwice, Tries: 2})
	m.SetRun(optical.Run{LBA: 5, Count: 1, State: optical.Unreadable, Tries: 5, Sense: bad})
	m.SetRun(optical.Run{LBA: 7, Count: 1, State: optical.Unreadable, Tries: 5})
	text, err := m.MarshalText()
	if err != nil {
		t.Fatal(err)
	}
	want := "firmus-disc-map 1\ndisc " + m.Disc() + "\nsectors 9000\ntwice\n0+5 read-twice 2\n5+1 unreadable 5 3/11/05\n6+1 read-twice 2\n7+1 unreadable 5\n8+8492 read-twice 2\n8500+500 untried\nend\n"
	if diff := cmp.Diff(want, string(text)); diff != "" {
		t.Error(diff)
	}
	again, err := optical.ReadMap(iotest.OneByteReader(bytes.NewReader(text)))
	if err != nil {
		t.Fatal(err)
	}
	if again.Counts() != m.Counts() || again.Disc() != m.Disc() || !again.Twice() || again.Sectors() != 9000 {
		t.Errorf("%+v", again.Counts())
	}
	if diff := cmp.Diff(slices.Collect(m.Runs()), slices.Collect(again.Runs())); diff != "" {
		t.Error(diff)
	}
	for n := range text {
		if _, err := optical.ReadMap(bytes.NewReader(text[:n])); !errors.Is(err, optical.ErrMap) && n < len(text)-1 {
			t.Fatalf("cut off at %d: %v", n, err)
		}
	}
	if _, err := optical.ReadMap(iotest.ErrReader(io.ErrClosedPipe)); !errors.Is(err, io.ErrClosedPipe) || errors.Is(err, optical.ErrMap) {
		t.Error(err)
	}
}

func mapText(rows string) string {
	return "firmus-disc-map 1\ndisc abc\nsectors 10\n" + rows + "end\n"
}

func TestReadMapRefuses(t *testing.T) {
	if _, err := optical.ReadMap(strings.NewReader(mapText("0+10 untried\n"))); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"empty":               "",
		"later version":       strings.Replace(mapText("0+10 untried\n"), "map 1", "map 2", 1),
		"no disc":             "firmus-disc-map 1\nsectors 10\n0+10 untried\nend\n",
		"disc with a blank":   strings.Replace(mapText("0+10 untried\n"), "abc", "a c", 1),
		"too many sectors":    strings.Replace(mapText("0+10 untried\n"), "sectors 10", "sectors 25000001", 1),
		"no sectors":          strings.Replace(mapText("0+10 untried\n"), "sectors 10", "sectors 0", 1),
		"sectors lack":        mapText("0+9 untried\n"),
		"a hole":              mapText("0+5 untried\n6+4 untried\n"),
		"overlap":             mapText("0+5 untried\n4+6 untried\n"),
		"beyond the end":      mapText("0+11 untried\n"),
		"empty row":           mapText("0+0 untried\n0+10 untried\n"),
		"signs":               mapText("0+-10 untried\n"),
		"leading zero":        mapText("00+10 untried\n"),
		"unknown state":       mapText("0+10 fine\n"),
		"read without tries":  mapText("0+10 read\n"),
		"tries of untried":    mapText("0+10 untried 1\n"),
		"tries of outside":    mapText("0+10 outside 0\n"),
		"32 tries":            mapText("0+10 read 32\n"),
		"sense of read":       mapText("0+10 read 1 3/11/05\n"),
		"no sense":            mapText("0+10 unreadable 5 0/00/00\n"),
		"sense in capitals":   mapText("0+10 unreadable 5 3/3A/00\n"),
		"sense too large":     mapText("0+10 unreadable 5 10/11/00\n"),
		"more words":          mapText("0+10 read 1 x y\n"),
		"twice in the middle": mapText("0+5 untried\ntwice\n5+5 untried\n"),
		"more behind":         mapText("0+10 untried\n") + "0+10 untried\n",
		"a long line":         mapText("0+10 " + strings.Repeat("x", 1000) + "\n"),
	} {
		if m, err := optical.ReadMap(strings.NewReader(text)); !errors.Is(err, optical.ErrMap) || m != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func FuzzReadMap(f *testing.F) {
	m := newMap(f, 9000)
	rng := rand.New(rand.NewPCG(107, 9))
	for range 20 {
		m.SetRun(optical.Run{LBA: rng.Int64N(8000), Count: 1 + rng.Int64N(900), State: optical.Unreadable, Tries: 5, Sense: bad})
	}
	text, err := m.MarshalText()
	if err != nil || len(text) == 0 {
		f.Fatal("no seed", err)
	}
	f.Add(text)
	f.Add([]byte(mapText("0+4 outside\n4+1 doubtful 5\n5+5 failed 2 8/64/00\n")))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := optical.ReadMap(bytes.NewReader(b))
		if err != nil {
			if m != nil {
				t.Fatal("a map with an error")
			}
			return
		}
		text, err := m.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		again, err := optical.ReadMap(bytes.NewReader(text))
		if err != nil {
			t.Fatalf("%v of %q", err, text)
		}
		second, _ := again.MarshalText()
		if !bytes.Equal(text, second) || m.Counts() != again.Counts() {
			t.Fatalf("%q and %q", text, second)
		}
		var sum int64
		for r := range m.Runs() {
			if r.LBA != sum || r.Count < 1 {
				t.Fatalf("%+v at %d", r, sum)
			}
			sum += r.Count
		}
		c := m.Counts()
		if sum != m.Sectors() || c.AtOnce+c.Retried+c.Doubtful+c.Unreadable+c.Failed+c.Untried != c.Sectors || c.AtOnce < 0 {
			t.Fatalf("%+v of %d", c, sum)
		}
	})
}
