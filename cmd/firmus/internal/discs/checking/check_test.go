package checking_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/discmap"
)

// shelf is an archive with files under care, and discs that say what a test wants.
type shelf struct {
	*testing.T
	env   *checking.Desk
	clock time.Time
	disc  *fake // in the drive
}

// fake is a disc.
type fake struct {
	about  optical.Contents
	found  []burned.Match
	report burned.Result
	err    error
	wanted burned.Want
	opts   burned.Options
	reads  int
}

func (f *fake) Contents() optical.Contents { return f.about }
func (f *fake) Close() error               { return nil }
func (f *fake) Gather(context.Context, []burned.Sought, burned.Options, func(int) (io.WriterAt, error)) ([]burned.Gathered, error) {
	return nil, errors.New("no test gathers of it")
}

func (f *fake) Identify(_ context.Context, known []burned.Known) ([]burned.Match, error) {
	var out []burned.Match
	for _, m := range f.found {
		for _, k := range known {
			if k.ID == m.ID {
				out = append(out, m)
			}
		}
	}
	return out, nil
}
func (f *fake) Check(_ context.Context, w burned.Want, o burned.Options) (burned.Result, error) {
	f.reads++
	f.wanted, f.opts = w, o
	r := f.report
	for len(r.Files) < len(w.Files) && r.Verdict == fixity.DiscIntact {
		r.Files = append(r.Files, burned.Held{State: fixity.Intact, LBA: -1})
	}
	return r, f.err
}

// disc is one of as many sectors, which are its table of contents, in a drive.
func disc(kind optical.Kind, sectors int64) optical.Contents {
	return optical.Contents{Kind: kind, Drive: "Wren 4000", LeadOut: sectors}
}

// read is what reading all of a disc of 100 sectors comes to.
func read(v fixity.DiscVerdict) burned.Result {
	return burned.Result{Verdict: v, Check: optical.Result{Map: discmap.Of(disc(optical.Data, 100), discmap.AtOnce(100))}}
}

// half is what was read of a disc of 100 sectors when it was taken out.
func half() burned.Result {
	return burned.Result{Check: optical.Result{Map: discmap.Of(disc(optical.Data, 100), discmap.AtOnce(60), discmap.Untried(40))}}
}

var rules = care.Rules{
	Stores: []care.Store{{Name: "studio", Kind: "disk", Sets: []string{"masters", "access"}, Arrivals: true}},
	Sets:   []care.Set{{Name: "masters", Role: fixity.Master}, {Name: "access", Role: fixity.Access}},
}

func newShelf(t *testing.T) *shelf {
	t.Helper()
	dir := t.TempDir()
	s := &shelf{T: t, clock: time.Date(2026, 11, 25, 14, 20, 0, 0, time.UTC)}
	o := ledgertest.Here(t, dir).Options()
	o.Rules, o.Now, o.By = rules, s.clock, "Ada Wren"
	l, err := ledger.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	env := &archive.Archive{Path: func(store, set, at string) string { return "/" + store + "/" + set + "/" + at }, Ledger: l, Rules: rules, Now: func() time.Time { return s.clock }, By: "Ada Wren",
		Where: func(store, set string) string { return filepath.Join(dir, store, set) },
		Root: func(string, string, fixity.Cache) (stores.Root, error) {
			return nil, fmt.Errorf("not plugged in: %w", fixity.ErrAway)
		},
	}
	s.env = &checking.Desk{Desk: registering.Desk{Archive: env}, Open: func(context.Context, discs.At) (discs.Opened, error) { return s.disc, nil }}
	env.Carriers = s.env
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
		f, err := t.Files.Add(set, p, "Ada Wren", s.clock, true, version(1))
		if err != nil {
			return err
		}
		for n := 2; n <= versions; n++ {
			if _, err := t.Files.AddVersion(f.ID, version(n), true); err != nil {
				return err
			}
		}
		return t.Copies.Put(ledger.Copy{}, ledger.Copy{Store: "studio", Set: set, At: p, File: f.ID, State: fixity.Intact, Held: int64(versions), Size: 100})
	}); err != nil {
		s.Fatal(err)
	}
}

func (s *shelf) add(o registering.Order) ledger.Disc {
	s.Helper()
	d, err := s.env.Add(s.Context(), o)
	if err != nil {
		s.Fatal(err)
	}
	return d
}

func (s *shelf) check(o checking.Order) discs.Check {
	s.Helper()
	s.clock = s.clock.Add(time.Hour)
	c, err := s.env.Check(s.Context(), o)
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
		{typed: "31", want: "0031"},
		{typed: "31 a", want: "0031 A"},
		{typed: "QD-0", want: "QD-0000"},
		{typed: "", err: "no number"},
		{typed: "QD", want: "QD"},
		{typed: "QD-31-32", want: "QD-31-32"},
		{typed: "QD-0031 AB", want: "QD-0031 AB"},
		{typed: "QD-9999999999999", want: "QD-9999999999999"},
		{typed: " Yellow box, \"Hirtenlieder\": first/side ", want: "Yellow box, \"Hirtenlieder\": first/side"},
		{typed: "Ferry songs", twin: "a", want: "Ferry songs A"},
		{typed: "Ferry songs part 2", want: "Ferry songs part 2"},
		{typed: "part 2 of the ferry songs", want: "part 2 of the ferry songs"},
		{typed: strings.Repeat("ö", 32), want: strings.Repeat("ö", 32)},
		{typed: strings.Repeat("x", 65), err: "1 to 64 bytes"},
		{typed: "two\nlines", err: "in one line"},
		{typed: "\xff", err: "no number"},
		{typed: "QD-0031 A", twin: "B", err: "says twin A"},
		{typed: "QD-0031", twin: "AB", err: "is a letter"},
	} {
		t.Run(c.typed+c.twin, func(t *testing.T) {
			s := newShelf(t)
			s.add(registering.Order{Number: "QD-9000", Kind: ledger.AudioDisc})
			d, err := s.env.Add(t.Context(), registering.Order{Number: c.typed, Twin: c.twin, Part: c.part, Kind: ledger.AudioDisc})
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

// A number that is a text is found by it, in any capitals; a letter behind it is the twin
// where such a disc is registered, and a part of the text where none is.
func TestATextIsANumber(t *testing.T) {
	s := newShelf(t)
	for _, o := range []registering.Order{
		{Number: "Ferry songs", Twin: "A"}, {Number: "ferry SONGS", Twin: "B"}, {Number: "Vitamin A"}, {Number: "Songs of the hill, part 2 B"}, {Number: "QD-0031"}, {Number: "Choir, no. 31"},
	} {
		o.Kind = ledger.AudioDisc
		s.add(o)
	}
	all, err := s.env.All(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for typed, want := range map[string]string{
		"ferry songs a": "Ferry songs A", "Ferry songs  B": "Ferry songs B", "Ferry songs": "there are Ferry songs A and Ferry songs B", "vitamin a": "Vitamin A", "Vitamin": "no disc Vitamin is registered",
		"Ferry songs C": "no disc Ferry songs C", "31": "QD-0031", "choir, NO. 31": "Choir, no. 31", "Songs of the hill, part 2 B": "Songs of the hill, part 2 B",
	} {
		d, err := discs.Find(typed, all)
		if got := d.Name(); err == nil && got != want || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%q is %q, %v; want %q", typed, got, err, want)
		}
	}
	for _, o := range []registering.Order{{Number: "Ferry songs", Twin: "A"}, {Number: "Ferry songs A"}, {Number: "vitamin", Twin: "A"}} {
		o.Kind = ledger.AudioDisc
		if d, err := s.env.Add(t.Context(), o); err == nil {
			t.Errorf("%+v: %q, %v", o, d.Name(), err)
		}
	}
}

// Digits alone are a number of their own when a disc is registered, and serve to name a
// registered one where they fit just one.
func TestDigitsNeverBecomeAnotherSeriesNumber(t *testing.T) {
	s := newShelf(t)
	s.add(registering.Order{Number: "QD-0031", Kind: ledger.AudioDisc})
	if d := s.add(registering.Order{Number: "32", Kind: ledger.AudioDisc}); d.Name() != "0032" {
		t.Errorf("32 became %s", d.Name())
	}
	s.add(registering.Order{Number: "XD-0032", Kind: ledger.AudioDisc})
	all, err := s.env.All(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if d, err := discs.Find("31", all); err != nil || d.Name() != "QD-0031" {
		t.Errorf("31 is %s, %v", d.Name(), err)
	}
	if _, err := discs.Find("32", all); !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), "0032 or XD-0032") {
		t.Errorf("32: %v", err)
	}
	if _, err := discs.Find("33", all); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("33: %v", err)
	}
}

func TestTheVersionThatWasBurned(t *testing.T) {
	s := newShelf(t)
	s.file("access", "QV-0107/a.wav", 3)
	s.file("access", "QV-0107/b@2.wav", 1)
	s.add(registering.Order{Number: "QD-0001", Kind: ledger.DataDisc, Files: []string{"access/QV-0107"}})
	s.add(registering.Order{Number: "QD-0002", Kind: ledger.DataDisc, Files: []string{"access/QV-0107/a.wav@2", "access/QV-0107/b@2.wav"}})
	s.add(registering.Order{Number: "QD-0003", Kind: ledger.DataDisc, Files: []string{filepath.Join(s.env.Where("studio", "access"), "QV-0107", "a.wav")}})
	ds, err := s.env.List(t.Context())
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
	s.add(registering.Order{Number: "QD-0001 A", Kind: ledger.DataDisc, Files: []string{"masters/QV-0107"}})
	s.add(registering.Order{Number: "QD-0001 B", Kind: ledger.DataDisc, Files: []string{"masters/QV-0107"}})
	s.disc = &fake{about: disc(optical.Data, 100), err: context.Canceled, report: half()}
	_, err := s.env.Check(t.Context(), checking.Order{Number: "QD-0001 A"})
	if !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "60 of 100 sectors") {
		t.Fatalf("broken off: %v", err)
	}
	if ds, err := s.env.List(t.Context()); err != nil || ds[0].Checks != 0 {
		t.Errorf("what was broken off is recorded: %+v, %v", ds, err)
	}
	done := read(fixity.DiscIntact)
	s.disc.err, s.disc.report = nil, done
	s.env.Now = time.Now // the file's time is the system's
	if c := s.check(checking.Order{Number: "QD-0001 B"}); c.Resumed || s.disc.opts.Map != nil {
		t.Error("the twin goes on with the map of the other")
	}
	if c := s.check(checking.Order{Number: "QD-0001 A"}); !c.Resumed || s.disc.opts.Map == nil || s.disc.opts.Map.Counts().Untried != 40 {
		t.Errorf("it didn't go on: %v", s.disc.opts.Map)
	}
	if c := s.check(checking.Order{Number: "QD-0001 A"}); c.Resumed {
		t.Error("a check that was finished goes on")
	}
	s.disc.err, s.disc.report = context.Canceled, half()
	if _, err := s.env.Check(t.Context(), checking.Order{Number: "QD-0001 A"}); err == nil {
		t.Fatal("not broken off")
	}
	s.disc.err, s.disc.report = nil, done
	s.env.Now = func() time.Time { return time.Now().Add(25 * time.Hour) }
	if c := s.check(checking.Order{Number: "QD-0001 A"}); c.Resumed {
		t.Error("after a day it goes on all the same")
	}
}

func TestWrittenAndProvedAreTwoThings(t *testing.T) {
	s := newShelf(t)
	s.file("masters", "QV-0107/a.wav", 1)
	s.file("masters", "QV-0108/a.wav", 1)
	a := s.add(registering.Order{Number: "QD-0001", Kind: ledger.DataDisc, Files: []string{"masters/QV-0107"}})
	b := s.add(registering.Order{Number: "QD-0002", Kind: ledger.DataDisc, Files: []string{"masters/QV-0108"}})
	s.disc = &fake{about: disc(optical.Data, 100), found: []burned.Match{{ID: a.ID, Sure: true}},
		report: read(fixity.DiscIntact)}
	c := s.check(checking.Order{Written: "qd 1"})
	if c.Row.Written != "qd 1" || c.Row.Proved != "QD-0001" || c.Disc.ID != a.ID || c.Row.Event == 0 {
		t.Errorf("%+v", c.Row)
	}
	// The same disc under the other's number: its table of contents is known by now.
	s.disc.about.LeadOut = 101
	s.disc.found = []burned.Match{{ID: b.ID, Sure: true}}
	if c := s.check(checking.Order{Number: "QD-0002"}); c.Row.Verdict != fixity.DiscIntact {
		t.Errorf("%+v", c.Row)
	}
	s.disc.about.LeadOut, s.disc.found, s.disc.reads = 100, []burned.Match{{ID: a.ID, Sure: true}}, 0
	c = s.check(checking.Order{Number: "QD-0002", Written: "QD-0002"})
	if c.Row.Verdict != fixity.DiscOther || c.Row.Proved != "QD-0001" || !strings.Contains(c.Swap, "swapped") || c.Good() || s.disc.reads != 0 {
		t.Errorf("swapped: %+v, read %d times: %s", c.Row, s.disc.reads, c.Swap)
	}
	if len(c.Findings) != 1 || c.Findings[0].Kind != fixity.OtherDisc || c.Findings[0].Disc != "QD-0002" || !strings.Contains(report.Told(c.Findings[0], nil), "QD-0001") || len(c.Next) != 0 {
		t.Errorf("another disc in its box: %+v, next %+v", c.Findings, c.Next)
	}
	// Without a number: found by its contents.
	if c := s.check(checking.Order{}); c.Disc.ID != a.ID || c.Row.Written != "" {
		t.Errorf("without a number: %+v", c.Disc)
	}
	s.disc.found = nil
	s.disc.about.LeadOut = 102
	s.disc.report.Verdict = fixity.DiscBaseline
	if c := s.check(checking.Order{Written: "QD-0077"}); c.Disc.ID != 0 || c.Row.Verdict != fixity.DiscUnregistered || c.Good() {
		t.Errorf("a disc that nobody registered: %+v", c.Row)
	}
}

func TestAfterABadDisc(t *testing.T) {
	s := newShelf(t)
	for i := range 4 {
		s.file("masters", fmt.Sprintf("QV-010%d/a.wav", i), 1)
	}
	add := func(number, blank, burned string, item int) ledger.Disc {
		return s.add(registering.Order{Number: number, Kind: ledger.DataDisc, Blank: blank, Burned: burned, Files: []string{fmt.Sprintf("masters/QV-010%d", item)}})
	}
	add("QD-0001 A", "Gold", "2020-05-03", 0)
	add("QD-0001 B", "Silver", "2020-05-03", 0)
	add("QD-0002", "Gold", "2020-05-28", 1)
	add("QD-0003", "Gold", "2020-06-01", 2)
	add("QD-0004", "Silver", "2020-05-03", 3)
	s.disc = &fake{about: disc(optical.Data, 100)}
	bad := func(lba int64) burned.Result {
		r := read(fixity.DiscUnreadable)
		r.Check.Map = discmap.Of(disc(optical.Data, 100), discmap.AtOnce(lba), discmap.Bad(1), discmap.AtOnce(99-lba))
		r.Unreadable, r.UnreadableAll = []burned.Sectors{{LBA: lba, Count: 1, Kind: discfs.OfFile, Of: []discfs.Place{{Path: "a.wav"}}}}, 1
		r.Files = []burned.Held{{State: fixity.Unreadable, At: "a.wav", LBA: 20}}
		return r
	}
	s.disc.report = bad(50)
	c := s.check(checking.Order{Number: "QD-0001 A"})
	var next []string
	for _, n := range c.Next {
		next = append(next, n.Disc.Name())
	}
	if d := cmp.Diff([]string{"QD-0001 B", "QD-0002"}, next); d != "" {
		t.Errorf("to be read next (-want +got):\n%s", d)
	}
	if len(c.Findings) != 1 || c.Findings[0].Disc != "QD-0001 A" || c.Findings[0].Step != care.StepDrive || !strings.Contains(report.Told(c.Findings[0], nil), "sector 50") {
		t.Errorf("findings: %+v", c.Findings)
	}
	s.disc.report = bad(51)
	if c := s.check(checking.Order{Number: "QD-0001 B"}); c.Together != "QD-0001 A" {
		t.Errorf("damaged in different places, together with %q", c.Together)
	}
	s.disc.report = bad(50)
	if c := s.check(checking.Order{Number: "QD-0001 B"}); c.Together != "" {
		t.Errorf("damaged in one place, together with %q", c.Together)
	}
	// Only its file system is bad: that is told of the disc as a whole.
	s.disc.report = bad(17)
	s.disc.report.Structure, s.disc.report.Files = 1, []burned.Held{{State: fixity.Intact, LBA: 20}}
	c = s.check(checking.Order{Number: "QD-0001 B"})
	if len(c.Findings) != 1 || c.Findings[0].Subject != fixity.OfDisc || c.Findings[0].Kind != "unreadable" || !strings.Contains(report.Told(c.Findings[0], nil), "of its directory") {
		t.Errorf("bad structure: %+v", c.Findings)
	}
	s.disc.report = read(fixity.DiscIntact)
	if c := s.check(checking.Order{Number: "QD-0001 B"}); len(c.Findings) != 0 {
		t.Errorf("read well again: %+v", c.Findings)
	}
}

func TestAudioWithoutItsFilesIsNotCompared(t *testing.T) {
	s := newShelf(t)
	s.file("access", "QV-0107/a.wav", 1)
	s.add(registering.Order{Number: "QD-0001", Kind: ledger.AudioDisc, Files: []string{"access/QV-0107/a.wav"}})
	s.disc = &fake{about: disc(optical.Audio, 100),
		report: read(fixity.DiscNotCompared)}
	s.disc.report.Files = []burned.Held{{LBA: -1}}
	c := s.check(checking.Order{Number: "QD-0001"})
	if !c.Unfinished() || c.Good() || !cmp.Equal(c.Bring, []discs.Bring{{Store: "studio"}}) || len(c.Findings) != 0 || s.disc.wanted.Files[0].Sound != nil {
		t.Errorf("bring %v, %+v", c.Bring, c.Row)
	}
	ds, err := s.env.List(t.Context())
	if err != nil || ds[0].Last.Verdict != fixity.DiscNotCompared {
		t.Errorf("%+v, %v", ds, err)
	}
}

func TestADrivesOffsetIsRemembered(t *testing.T) {
	s := newShelf(t)
	s.file("access", "QV-0107/a.wav", 1)
	s.add(registering.Order{Number: "QD-0001", Kind: ledger.AudioDisc, Files: []string{"access/QV-0107/a.wav"}})
	s.disc = &fake{about: disc(optical.Audio, 100),
		report: read(fixity.DiscIntact)}
	s.disc.report.Sound = &cdda.Result{Located: true, Offset: 667}
	s.check(checking.Order{Number: "QD-0001"})
	if s.disc.opts.OffsetKnown {
		t.Error("known before the first check")
	}
	s.check(checking.Order{Number: "QD-0001"})
	if !s.disc.opts.OffsetKnown || s.disc.opts.Offset != 667 {
		t.Errorf("offset %d, known: %v", s.disc.opts.Offset, s.disc.opts.OffsetKnown)
	}
	s.disc.about.Drive = "Heron 2"
	s.check(checking.Order{Number: "QD-0001"})
	if s.disc.opts.OffsetKnown {
		t.Error("another drive's is taken over")
	}
}

func TestTheListOfDiscsComesBack(t *testing.T) {
	s := newShelf(t)
	s.file("masters", "QV-0107/a.wav", 2)
	s.file("masters", "QV-0107/odd \xff name.wav", 1)
	s.add(registering.Order{Number: "QD-0001 A", Kind: ledger.DataDisc, Box: "Box; \"4\"", Blank: "=Gold", Burned: "c. 2004", Label: "two\nlines", Files: []string{"masters/QV-0107/a.wav@1", "masters/QV-0107/odd \xff name.wav"}})
	s.add(registering.Order{Number: "QD-0002", Part: 2, Kind: ledger.AudioDisc, Control: true})
	var first strings.Builder
	if err := s.env.WriteList(t.Context(), &first); err != nil {
		t.Fatal(err)
	}
	again := newShelf(t)
	again.file("masters", "QV-0107/a.wav", 2)
	again.file("masters", "QV-0107/odd \xff name.wav", 1)
	added, err := again.env.AddList(t.Context(), strings.NewReader("\ufeff"+first.String()))
	if err != nil {
		t.Fatal(err)
	}
	if len(added.Added) != 2 || len(added.Notes) != 0 {
		t.Errorf("%+v", added)
	}
	var second strings.Builder
	if err := again.env.WriteList(t.Context(), &second); err != nil {
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
	added, err = rebuilt.env.AddList(t.Context(), strings.NewReader(text))
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
		"one bad of two": {"number,kind\nQD-0001,audio\n" + strings.Repeat("x", 65) + ",audio\n", "row 3"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf(t)
			s.file("masters", "QV-0107/a.wav", 1)
			_, err := s.env.AddList(t.Context(), strings.NewReader(c.text))
			if err == nil || !strings.Contains(err.Error(), c.says) || !errors.Is(err, fixity.ErrRefused) && !errors.Is(err, fixity.ErrNotFound) {
				t.Errorf("error %v, want one that says %q", err, c.says)
			}
			if ds, err := s.env.List(t.Context()); err != nil || len(ds) != 0 {
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
		twins = append(twins, s.add(registering.Order{Number: "QD-0031", Twin: x, Kind: ledger.DataDisc, Files: []string{"access/QV-0107/QV-0107_A_01.wav"}}))
	}
	due := func(d ledger.Disc) string {
		t.Helper()
		why, err := s.env.Due(t.Context(), d)
		if err != nil {
			t.Fatal(err)
		}
		return why
	}
	if got := due(twins[0]); got != "it was never read" {
		t.Errorf("never read: %q", got)
	}
	check := func(twin string, v fixity.DiscVerdict) {
		t.Helper()
		s.disc = &fake{about: disc(optical.Data, 100), report: read(v)}
		s.check(checking.Order{Number: "QD-0031", Written: "QD-0031 " + twin, At: discs.At{Drive: "/dev/quillmere"}})
	}
	check("A", fixity.DiscIntact)
	if got := due(twins[0]); got != "" {
		t.Errorf("just read: %q", got)
	}
	check("B", fixity.DiscUnreadable)
	if got := due(twins[0]); got != "QD-0031 B is not as it should be" {
		t.Errorf("its twin is bad: %q", got)
	}
	check("A", fixity.DiscIntact)
	if got := due(twins[0]); got != "" {
		t.Errorf("read since then: %q", got)
	}
	check("A", fixity.DiscNotCompared)
	if got := due(twins[0]); got != "its last reading proved nothing" {
		t.Errorf("not compared: %q", got)
	}
	check("A", fixity.DiscIntact)
	s.clock = s.clock.Add(checking.Again + 48*time.Hour)
	if got := due(twins[0]); got != "it was not read for 367 days" {
		t.Errorf("a year later: %q", got)
	}
}

// A disc that a decision covered before sectors were compared one by one is due, until it
// was read once more.
func TestADecisionOfBeforeIsHeldAgainstEverySectorOnce(t *testing.T) {
	s := newShelf(t)
	s.file("access", "QV-0107/a.wav", 1)
	d := s.add(registering.Order{Number: "QD-0001", Kind: ledger.AudioDisc, Files: []string{"access/QV-0107"}})
	old := ledger.DiscCheck{TOC: disc(optical.Audio, 100).ID(), Began: s.clock, Ended: s.clock, Verdict: fixity.DiscChanged, Sectors: 100, AtOnce: 100, Changed: true, Gain: 1.8, Result: "{}"}
	if err := s.env.Ledger.Tx(t.Context(), s.clock, func(x *ledger.Tx) error {
		if _, err := x.Discs.RecordCheck(d, old, nil, "", nil); err != nil {
			return err
		}
		_, err := x.Discs.Decide(ledger.DiscDecision{Verdict: fixity.DiscChanged, Class: care.DiscClass{Gain: 1.8, Within: care.SameGain}, Reason: "burned with levelling", By: "Ada Wren"})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if why, err := s.env.Due(t.Context(), d); err != nil || !strings.Contains(why, "once every sector was compared") {
		t.Errorf("%q, %v", why, err)
	}
	s.disc = &fake{about: disc(optical.Audio, 100), report: read(fixity.DiscChanged)}
	s.disc.report.Sound, s.disc.report.Baseline = &cdda.Result{}, &burned.Baseline{}
	s.disc.report.Files = []burned.Held{{State: fixity.Altered, Cause: burned.CauseChanged, LBA: -1, Likeness: cdda.Likeness{Alike: 1, GainDB: 1.8, LowDB: 1.8, HighDB: 1.8, Even: true}}}
	c := s.check(checking.Order{Number: "QD-0001"})
	if c.Decision == nil || len(c.Findings) != 0 {
		t.Errorf("the decision doesn't hold: %+v", c.Findings)
	}
	if why, err := s.env.Due(t.Context(), d); err != nil || why != "" {
		t.Errorf("still due: %q, %v", why, err)
	}
}
