package acts_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// shelf is an archive with files under care, and discs that say what a test wants.
type shelf struct {
	*testing.T
	env   *acts.Env
	clock time.Time
	disc  *fake // in the drive
}

// fake is a disc.
type fake struct {
	about  acts.DiscAbout
	found  []acts.DiscMatch
	report acts.DiscReport
	err    error
	wanted acts.DiscWant
	opts   acts.DiscOptions
	reads  int
}

func (f *fake) About() acts.DiscAbout { return f.about }
func (f *fake) Close() error          { return nil }
func (f *fake) Identify(_ context.Context, known []acts.KnownDisc) ([]acts.DiscMatch, error) {
	var out []acts.DiscMatch
	for _, m := range f.found {
		for _, k := range known {
			if k.Disc == m.Disc {
				out = append(out, m)
			}
		}
	}
	return out, nil
}
func (f *fake) Check(_ context.Context, w acts.DiscWant, o acts.DiscOptions) (acts.DiscReport, error) {
	f.reads++
	f.wanted, f.opts = w, o
	r := f.report
	for len(r.Files) < len(w.Files) && r.Verdict == fixity.DiscIntact {
		r.Files = append(r.Files, acts.DiscHolds{State: fixity.Intact, LBA: -1})
	}
	return r, f.err
}

var rules = policy.Rules{
	Stores: []policy.Store{{Name: "studio", Kind: "disk", Sets: []string{"masters", "access"}, Arrivals: true}},
	Sets:   []policy.Set{{Name: "masters", Role: fixity.Master}, {Name: "access", Role: fixity.Access}},
}

func newShelf(t *testing.T) *shelf {
	t.Helper()
	dir := t.TempDir()
	s := &shelf{T: t, clock: time.Date(2026, 11, 25, 14, 20, 0, 0, time.UTC)}
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(dir, "ledger.db"), State: dir, Rules: rules, Now: s.clock, By: "Ada Wren"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	s.env = &acts.Env{Path: func(store, set, at string) string { return "/" + store + "/" + set + "/" + at }, Ledger: l, Rules: rules, Now: func() time.Time { return s.clock }, By: "Ada Wren",
		Where:    func(store, set string) string { return filepath.Join(dir, store, set) },
		OpenDisc: func(context.Context, acts.DiscAt) (acts.OpenedDisc, error) { return s.disc, nil },
		Root: func(string, string, fixity.Cache) (acts.Root, error) {
			return nil, fmt.Errorf("not plugged in: %w", fixity.ErrAway)
		},
	}
	return s
}

// file takes a file under care, with as many versions.
func (s *shelf) file(set, p string, versions int) {
	s.Helper()
	if err := s.env.Ledger.Tx(s.Context(), s.clock, func(t *ledger.Tx) error {
		version := func(n int) ledger.Version {
			sum := strings.Repeat(fmt.Sprintf("%02x", len(p)+n), 32)
			return ledger.Version{Size: 100, BLAKE3: fixity.Digest{Algorithm: fixity.BLAKE3, Sum: sum}, SHA256: fixity.Digest{Algorithm: fixity.SHA256, Sum: sum}, By: "Ada Wren"}
		}
		f, err := t.AddFile(set, p, "Ada Wren", s.clock, true, version(1))
		if err != nil {
			return err
		}
		for n := 2; n <= versions; n++ {
			if _, err := t.AddVersion(f.ID, version(n), true); err != nil {
				return err
			}
		}
		return t.PutCopy(ledger.Copy{}, ledger.Copy{Store: "studio", Set: set, At: p, File: f.ID, State: fixity.Intact, Held: int64(versions), Size: 100})
	}); err != nil {
		s.Fatal(err)
	}
}

func (s *shelf) add(o acts.DiscOrder) ledger.Disc {
	s.Helper()
	d, err := s.env.AddDisc(s.Context(), o)
	if err != nil {
		s.Fatal(err)
	}
	return d
}

func (s *shelf) check(o acts.DiscCheckOrder) acts.CheckedDisc {
	s.Helper()
	s.clock = s.clock.Add(time.Hour)
	c, err := s.env.CheckDisc(s.Context(), o)
	if err != nil {
		s.Fatal(err)
	}
	return c
}

func TestNumbersAsPeopleTypeThem(t *testing.T) {
	for _, c := range []struct {
		typed, twin string
		part        int
		want, err   string
	}{
		{typed: "QD-0031", want: "QD-0031"},
		{typed: "qd 31", want: "QD-0031"},
		{typed: "QD31", want: "QD-0031"},
		{typed: " qd_0031 ", want: "QD-0031"},
		{typed: "QD-00031", want: "QD-0031"},
		{typed: "QD-12345", want: "QD-12345"},
		{typed: "QD-0031 A", want: "QD-0031 A"},
		{typed: "qd31a", want: "QD-0031 A"},
		{typed: "QD-0031", twin: "b", want: "QD-0031 B"},
		{typed: "QD-0031B", twin: "B", want: "QD-0031 B"},
		{typed: "QD-0031", part: 2, want: "QD-0031 part 2"},
		{typed: "QD-0031 part 2 A", want: "QD-0031 part 2 A"},
		{typed: "qv cd 7", want: "QV-CD-0007"},
		{typed: "31", want: "QD-0031"},
		{typed: "31 a", want: "QD-0031 A"},
		{typed: "QD-0", want: "QD-0000"},
		{typed: "", err: "no number"},
		{typed: "QD", err: "no number"},
		{typed: "QD-31-32", err: "no number"},
		{typed: "QD-0031 AB", err: "no number"},
		{typed: "QD-9999999999999", err: "no number"},
		{typed: "QD-0031 A", twin: "B", err: "says twin A"},
		{typed: "QD-0031", twin: "AB", err: "is a letter"},
	} {
		t.Run(c.typed+c.twin, func(t *testing.T) {
			s := newShelf(t)
			s.add(acts.DiscOrder{Number: "QD-9000", Kind: ledger.AudioDisc})
			d, err := s.env.AddDisc(t.Context(), acts.DiscOrder{Number: c.typed, Twin: c.twin, Part: c.part, Kind: ledger.AudioDisc})
			switch {
			case c.err != "":
				if err == nil || !strings.Contains(err.Error(), c.err) || !errors.Is(err, fixity.ErrRefused) {
					t.Errorf("error %v, want one that says %q", err, c.err)
				}
			case err != nil:
				t.Error(err)
			case d.Name() != c.want:
				t.Errorf("it is %q, want %q", d.Name(), c.want)
			}
		})
	}
}

func TestBareDigitsNeedOnePrefix(t *testing.T) {
	s := newShelf(t)
	bare := func() error {
		_, err := s.env.AddDisc(t.Context(), acts.DiscOrder{Number: "31", Kind: ledger.AudioDisc})
		return err
	}
	if err := bare(); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("with no disc: %v", err)
	}
	s.add(acts.DiscOrder{Number: "QD-0001", Kind: ledger.AudioDisc})
	s.add(acts.DiscOrder{Number: "XD-0001", Kind: ledger.AudioDisc})
	if err := bare(); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("with two prefixes: %v", err)
	}
}

func TestTheVersionThatWasBurned(t *testing.T) {
	s := newShelf(t)
	s.file("access", "QV-0107/a.wav", 3)
	s.file("access", "QV-0107/b@2.wav", 1)
	s.add(acts.DiscOrder{Number: "QD-0001", Kind: ledger.DataDisc, Files: []string{"access/QV-0107"}})
	s.add(acts.DiscOrder{Number: "QD-0002", Kind: ledger.DataDisc, Files: []string{"access/QV-0107/a.wav@2", "access/QV-0107/b@2.wav"}})
	s.add(acts.DiscOrder{Number: "QD-0003", Kind: ledger.DataDisc, Files: []string{filepath.Join(s.env.Where("studio", "access"), "QV-0107", "a.wav")}})
	ds, err := s.env.Discs(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, d := range ds {
		for _, f := range d.Files {
			got = append(got, fmt.Sprintf("%s %s %d %s %v", d.Disc.Number, f.Path, f.Version, f.Name, f.Current))
		}
	}
	want := []string{
		"QD-0001 QV-0107/a.wav 3 a.wav true", "QD-0001 QV-0107/b@2.wav 1 b@2.wav true",
		"QD-0002 QV-0107/a.wav 2 a.wav false", "QD-0002 QV-0107/b@2.wav 1 b@2.wav true",
		"QD-0003 QV-0107/a.wav 3 a.wav true",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestACheckThatWasBrokenOffGoesOn(t *testing.T) {
	s := newShelf(t)
	s.file("masters", "QV-0107/a.wav", 1)
	s.add(acts.DiscOrder{Number: "QD-0001 A", Kind: ledger.DataDisc, Files: []string{"masters/QV-0107"}})
	s.add(acts.DiscOrder{Number: "QD-0001 B", Kind: ledger.DataDisc, Files: []string{"masters/QV-0107"}})
	s.disc = &fake{about: acts.DiscAbout{ID: strings.Repeat("ab", 32), Kind: "data", Drive: "Wren 4000"}, err: context.Canceled,
		report: acts.DiscReport{Map: []byte("half"), Sectors: 100, Untried: 40}}
	_, err := s.env.CheckDisc(t.Context(), acts.DiscCheckOrder{Number: "QD-0001 A"})
	if !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "60 of 100 sectors") {
		t.Fatalf("broken off: %v", err)
	}
	if ds, err := s.env.Discs(t.Context()); err != nil || ds[0].Checks != 0 {
		t.Errorf("what was broken off is recorded: %+v, %v", ds, err)
	}
	done := acts.DiscReport{Verdict: fixity.DiscIntact, Map: []byte("whole"), Sectors: 100, AtOnce: 100}
	s.disc.err, s.disc.report = nil, done
	s.env.Now = time.Now // the file's time is the system's
	if c := s.check(acts.DiscCheckOrder{Number: "QD-0001 B"}); c.Resumed || s.disc.opts.Map != nil {
		t.Error("the twin goes on with the map of the other")
	}
	if c := s.check(acts.DiscCheckOrder{Number: "QD-0001 A"}); !c.Resumed || string(s.disc.opts.Map) != "half" {
		t.Errorf("it didn't go on: %q", s.disc.opts.Map)
	}
	if c := s.check(acts.DiscCheckOrder{Number: "QD-0001 A"}); c.Resumed {
		t.Error("a check that was finished goes on")
	}
	s.disc.err, s.disc.report = context.Canceled, acts.DiscReport{Map: []byte("half"), Sectors: 100, Untried: 40}
	if _, err := s.env.CheckDisc(t.Context(), acts.DiscCheckOrder{Number: "QD-0001 A"}); err == nil {
		t.Fatal("not broken off")
	}
	s.disc.err, s.disc.report = nil, done
	s.env.Now = func() time.Time { return time.Now().Add(25 * time.Hour) }
	if c := s.check(acts.DiscCheckOrder{Number: "QD-0001 A"}); c.Resumed {
		t.Error("after a day it goes on all the same")
	}
}

func TestWrittenAndProvedAreTwoThings(t *testing.T) {
	s := newShelf(t)
	s.file("masters", "QV-0107/a.wav", 1)
	s.file("masters", "QV-0108/a.wav", 1)
	a := s.add(acts.DiscOrder{Number: "QD-0001", Kind: ledger.DataDisc, Files: []string{"masters/QV-0107"}})
	b := s.add(acts.DiscOrder{Number: "QD-0002", Kind: ledger.DataDisc, Files: []string{"masters/QV-0108"}})
	id := func(n string) string { return strings.Repeat(n, 32) }
	s.disc = &fake{about: acts.DiscAbout{ID: id("aa"), Kind: "data", Drive: "Wren 4000"}, found: []acts.DiscMatch{{Disc: a.ID, Sure: true}},
		report: acts.DiscReport{Verdict: fixity.DiscIntact, Sectors: 100, AtOnce: 100}}
	c := s.check(acts.DiscCheckOrder{Written: "qd 1"})
	if c.Check.Written != "qd 1" || c.Check.Proved != "QD-0001" || c.Disc.ID != a.ID || c.Check.Event == 0 {
		t.Errorf("%+v", c.Check)
	}
	// The same disc under the other's number: its table of contents is known by now.
	s.disc.about.ID = id("bb")
	s.disc.found = []acts.DiscMatch{{Disc: b.ID, Sure: true}}
	if c := s.check(acts.DiscCheckOrder{Number: "QD-0002"}); c.Check.Verdict != fixity.DiscIntact {
		t.Errorf("%+v", c.Check)
	}
	s.disc.about.ID, s.disc.found, s.disc.reads = id("aa"), []acts.DiscMatch{{Disc: a.ID, Sure: true}}, 0
	c = s.check(acts.DiscCheckOrder{Number: "QD-0002", Written: "QD-0002"})
	if c.Check.Verdict != fixity.DiscOther || c.Check.Proved != "QD-0001" || !strings.Contains(c.Swap, "swapped") || c.Good() || s.disc.reads != 0 {
		t.Errorf("swapped: %+v, read %d times: %s", c.Check, s.disc.reads, c.Swap)
	}
	if len(c.Findings) != 0 || len(c.Next) != 0 {
		t.Errorf("another disc is a finding: %+v, next %+v", c.Findings, c.Next)
	}
	// Without a number: found by its contents.
	if c := s.check(acts.DiscCheckOrder{}); c.Disc.ID != a.ID || c.Check.Written != "" {
		t.Errorf("without a number: %+v", c.Disc)
	}
	s.disc.found = nil
	s.disc.about.ID = id("cc")
	s.disc.report.Verdict = fixity.DiscBaseline
	if c := s.check(acts.DiscCheckOrder{Written: "QD-0077"}); c.Disc.ID != 0 || c.Check.Verdict != fixity.DiscUnregistered || c.Good() {
		t.Errorf("a disc that nobody registered: %+v", c.Check)
	}
}

func TestAfterABadDisc(t *testing.T) {
	s := newShelf(t)
	for i := range 4 {
		s.file("masters", fmt.Sprintf("QV-010%d/a.wav", i), 1)
	}
	add := func(number, blank, burned string, item int) ledger.Disc {
		return s.add(acts.DiscOrder{Number: number, Kind: ledger.DataDisc, Blank: blank, Burned: burned, Files: []string{fmt.Sprintf("masters/QV-010%d", item)}})
	}
	add("QD-0001 A", "Gold", "2020-05-03", 0)
	add("QD-0001 B", "Silver", "2020-05-03", 0)
	add("QD-0002", "Gold", "2020-05-28", 1)
	add("QD-0003", "Gold", "2020-06-01", 2)
	add("QD-0004", "Silver", "2020-05-03", 3)
	s.disc = &fake{about: acts.DiscAbout{ID: strings.Repeat("aa", 32), Kind: "data", Drive: "Wren 4000"}}
	bad := func(lba int64) acts.DiscReport {
		return acts.DiscReport{Verdict: fixity.DiscUnreadable, Sectors: 100, AtOnce: 99, Unreadable: 1,
			UnreadableAt: []acts.DiscPlace{{DiscRange: acts.DiscRange{LBA: lba, Count: 1}, Files: []int{0}}},
			Files:        []acts.DiscHolds{{State: fixity.Unreadable, LBA: 20}}}
	}
	s.disc.report = bad(50)
	c := s.check(acts.DiscCheckOrder{Number: "QD-0001 A"})
	var next []string
	for _, n := range c.Next {
		next = append(next, n.Disc.Name())
	}
	if d := cmp.Diff([]string{"QD-0001 B", "QD-0002"}, next); d != "" {
		t.Errorf("to be read next (-want +got):\n%s", d)
	}
	if len(c.Findings) != 1 || c.Findings[0].Disc != "QD-0001 A" || c.Findings[0].Step != policy.StepDrive || !strings.Contains(c.Findings[0].Detail, "sector 50") {
		t.Errorf("findings: %+v", c.Findings)
	}
	s.disc.report = bad(51)
	if c := s.check(acts.DiscCheckOrder{Number: "QD-0001 B"}); c.Together != "QD-0001 A" {
		t.Errorf("damaged in different places, together with %q", c.Together)
	}
	s.disc.report = bad(50)
	if c := s.check(acts.DiscCheckOrder{Number: "QD-0001 B"}); c.Together != "" {
		t.Errorf("damaged in one place, together with %q", c.Together)
	}
	// Only its file system is bad: that is told of the disc as a whole.
	s.disc.report = bad(17)
	s.disc.report.Structure, s.disc.report.Files = 1, []acts.DiscHolds{{State: fixity.Intact, LBA: 20}}
	c = s.check(acts.DiscCheckOrder{Number: "QD-0001 B"})
	if len(c.Findings) != 1 || c.Findings[0].Subject != fixity.OfDisc || c.Findings[0].Kind != "unreadable" || !strings.Contains(c.Findings[0].Detail, "file system") {
		t.Errorf("bad structure: %+v", c.Findings)
	}
	s.disc.report = acts.DiscReport{Verdict: fixity.DiscIntact, Sectors: 100, AtOnce: 100}
	if c := s.check(acts.DiscCheckOrder{Number: "QD-0001 B"}); len(c.Findings) != 0 {
		t.Errorf("read well again: %+v", c.Findings)
	}
}

func TestAudioWithoutItsFilesIsNotCompared(t *testing.T) {
	s := newShelf(t)
	s.file("access", "QV-0107/a.wav", 1)
	s.add(acts.DiscOrder{Number: "QD-0001", Kind: ledger.AudioDisc, Files: []string{"access/QV-0107/a.wav"}})
	s.disc = &fake{about: acts.DiscAbout{ID: strings.Repeat("aa", 32), Kind: "audio", Drive: "Wren 4000"},
		report: acts.DiscReport{Verdict: fixity.DiscNotCompared, Sectors: 100, AtOnce: 100, Files: []acts.DiscHolds{{LBA: -1}}}}
	c := s.check(acts.DiscCheckOrder{Number: "QD-0001"})
	if !c.Unfinished() || c.Good() || !cmp.Equal(c.Bring, []string{"studio"}) || len(c.Findings) != 0 || s.disc.wanted.Files[0].Sound != nil {
		t.Errorf("bring %v, %+v", c.Bring, c.Check)
	}
	ds, err := s.env.Discs(t.Context())
	if err != nil || ds[0].Last.Verdict != fixity.DiscNotCompared {
		t.Errorf("%+v, %v", ds, err)
	}
}

func TestADrivesOffsetIsRemembered(t *testing.T) {
	s := newShelf(t)
	s.file("access", "QV-0107/a.wav", 1)
	s.add(acts.DiscOrder{Number: "QD-0001", Kind: ledger.AudioDisc, Files: []string{"access/QV-0107/a.wav"}})
	s.disc = &fake{about: acts.DiscAbout{ID: strings.Repeat("aa", 32), Kind: "audio", Drive: "Wren 4000"},
		report: acts.DiscReport{Verdict: fixity.DiscIntact, Sectors: 100, AtOnce: 100, Sound: &acts.DiscHeard{Located: true, Offset: 667}}}
	s.check(acts.DiscCheckOrder{Number: "QD-0001"})
	if s.disc.opts.OffsetKnown {
		t.Error("known before the first check")
	}
	s.check(acts.DiscCheckOrder{Number: "QD-0001"})
	if !s.disc.opts.OffsetKnown || s.disc.opts.Offset != 667 {
		t.Errorf("offset %d, known: %v", s.disc.opts.Offset, s.disc.opts.OffsetKnown)
	}
	s.disc.about.Drive = "Heron 2"
	s.check(acts.DiscCheckOrder{Number: "QD-0001"})
	if s.disc.opts.OffsetKnown {
		t.Error("another drive's is taken over")
	}
}

func TestTheListOfDiscsComesBack(t *testing.T) {
	s := newShelf(t)
	s.file("masters", "QV-0107/a.wav", 2)
	s.file("masters", "QV-0107/odd \xff name.wav", 1)
	s.add(acts.DiscOrder{Number: "QD-0001 A", Kind: ledger.DataDisc, Box: "Box; \"4\"", Blank: "=Gold", Burned: "c. 2004", Label: "two\nlines", Files: []string{"masters/QV-0107/a.wav@1", "masters/QV-0107/odd \xff name.wav"}})
	s.add(acts.DiscOrder{Number: "QD-0002", Part: 2, Kind: ledger.AudioDisc, Control: true})
	var first strings.Builder
	if err := s.env.WriteDiscs(t.Context(), &first); err != nil {
		t.Fatal(err)
	}
	again := newShelf(t)
	again.file("masters", "QV-0107/a.wav", 2)
	again.file("masters", "QV-0107/odd \xff name.wav", 1)
	added, err := again.env.AddDiscs(t.Context(), strings.NewReader("\ufeff"+first.String()))
	if err != nil {
		t.Fatal(err)
	}
	if len(added.Added) != 2 || len(added.Notes) != 0 {
		t.Errorf("%+v", added)
	}
	var second strings.Builder
	if err := again.env.WriteDiscs(t.Context(), &second); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(first.String(), second.String()); d != "" {
		t.Errorf("(-first +second):\n%s", d)
	}
	// A ledger that was rebuilt knows no earlier version.
	rebuilt := newShelf(t)
	rebuilt.file("masters", "QV-0107/a.wav", 1)
	rebuilt.file("masters", "QV-0107/odd \xff name.wav", 1)
	text := strings.ReplaceAll(first.String(), ",1,a.wav,", ",1,a.wav,f")
	added, err = rebuilt.env.AddDiscs(t.Context(), strings.NewReader(text))
	if err != nil || len(added.Added) != 2 || len(added.Notes) != 1 || !strings.Contains(added.Notes[0], "isn't known any more") {
		t.Errorf("%+v, %v", added, err)
	}
}

func TestListsOfDiscsThatAreRefused(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"empty":          {"", "it is empty"},
		"no number":      {"kind\naudio\n", `no column "number"`},
		"other column":   {"number,kind,colour\n", "is no column"},
		"no kind":        {"number,kind\nQD-0001,\n", "audio or data"},
		"not under care": {"number,kind,file\nQD-0001,data,masters/none.wav\n", "row 2"},
		"two kinds":      {"number,kind,file\nQD-0001,data,masters/QV-0107/a.wav\nQD-0001,audio,masters/QV-0107/a.wav\n", "row 3"},
		"bad part":       {"number,kind,part\nQD-0001,data,two\n", "part"},
		"bad version":    {"number,kind,file,version\nQD-0001,data,masters/QV-0107/a.wav,two\n", "no number"},
		"bad quotes":     {"number,kind\n\"QD-0001,data\n", "list of discs"},
		"one bad of two": {"number,kind\nQD-0001,audio\nnonsense,audio\n", "row 3"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf(t)
			s.file("masters", "QV-0107/a.wav", 1)
			_, err := s.env.AddDiscs(t.Context(), strings.NewReader(c.text))
			if err == nil || !strings.Contains(err.Error(), c.says) || !errors.Is(err, fixity.ErrRefused) && !errors.Is(err, fixity.ErrNotFound) {
				t.Errorf("error %v, want one that says %q", err, c.says)
			}
			if ds, err := s.env.Discs(t.Context()); err != nil || len(ds) != 0 {
				t.Errorf("registered all the same: %+v, %v", ds, err)
			}
		})
	}
}

// TestDiscDue: what a daemon reads when a disc is put in.
func TestDiscDue(t *testing.T) {
	s := newShelf(t)
	s.file("access", "QV-0107/QV-0107_A_01.wav", 1)
	var twins []ledger.Disc
	for _, x := range []string{"A", "B"} {
		twins = append(twins, s.add(acts.DiscOrder{Number: "QD-0031", Twin: x, Kind: ledger.DataDisc, Files: []string{"access/QV-0107/QV-0107_A_01.wav"}}))
	}
	due := func(d ledger.Disc) string {
		t.Helper()
		why, err := s.env.DiscDue(t.Context(), d)
		if err != nil {
			t.Fatal(err)
		}
		return why
	}
	if got := due(twins[0]); got != "it was never read" {
		t.Errorf("never read: %q", got)
	}
	read := func(twin string, v fixity.DiscVerdict) {
		t.Helper()
		s.disc = &fake{about: acts.DiscAbout{Kind: ledger.DataDisc, ID: "0123456789abcdef", Drive: "QUILLMERE DRIVE"}, report: acts.DiscReport{Verdict: v, Sectors: 400, AtOnce: 400}}
		s.check(acts.DiscCheckOrder{Number: "QD-0031", Written: "QD-0031 " + twin, At: acts.DiscAt{Drive: "/dev/quillmere"}})
	}
	read("A", fixity.DiscIntact)
	if got := due(twins[0]); got != "" {
		t.Errorf("just read: %q", got)
	}
	read("B", fixity.DiscUnreadable)
	if got := due(twins[0]); got != "QD-0031 B is not as it should be" {
		t.Errorf("its twin is bad: %q", got)
	}
	read("A", fixity.DiscIntact)
	if got := due(twins[0]); got != "" {
		t.Errorf("read since then: %q", got)
	}
	read("A", fixity.DiscNotCompared)
	if got := due(twins[0]); got != "its last reading proved nothing" {
		t.Errorf("not compared: %q", got)
	}
	read("A", fixity.DiscIntact)
	s.clock = s.clock.Add(acts.DiscAgain + 48*time.Hour)
	if got := due(twins[0]); got != "it was not read for 367 days" {
		t.Errorf("a year later: %q", got)
	}
}
