package checking_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/discmap"
)

// twins are QD-0001 A and B, of which only A was read.
func twins(t *testing.T) (s *shelf, a, b ledger.Disc) {
	s = newShelf(t)
	s.file("masters", "QV-0107/a.wav", 1)
	a = s.add(registering.Order{Number: "QD-0001 A", Kind: ledger.DataDisc, Files: []string{"masters/QV-0107"}})
	b = s.add(registering.Order{Number: "QD-0001 B", Kind: ledger.DataDisc, Files: []string{"masters/QV-0107"}})
	s.disc = &fake{about: disc(optical.Data, 100), report: read(fixity.DiscIntact)}
	s.check(checking.Order{Number: "QD-0001 A"})
	return s, a, b
}

func damaged() burned.Result {
	r := read(fixity.DiscUnreadable)
	r.Check.Map = discmap.Of(disc(optical.Data, 100), discmap.AtOnce(50), discmap.Bad(1), discmap.AtOnce(49))
	r.Unreadable, r.UnreadableAll = []burned.Sectors{{LBA: 50, Count: 1, Kind: discfs.OfFile, Of: []discfs.Place{{Path: "a.wav"}}}}, 1
	r.Files = []burned.Held{{State: fixity.Unreadable, At: "a.wav", LBA: 20}}
	return r
}

func TestAGoodTwinNeverClosesTheOthersDamage(t *testing.T) {
	for name, found := range map[string]func(a, b ledger.Disc) []burned.Match{
		"by its table of contents": func(a, _ ledger.Disc) []burned.Match { return []burned.Match{{ID: a.ID, How: burned.ByTOC}} },
		"by its files": func(a, b ledger.Disc) []burned.Match {
			return []burned.Match{{ID: a.ID, Sure: true}, {ID: b.ID, Sure: true}}
		},
	} {
		t.Run(name, func(t *testing.T) {
			s, a, b := twins(t)
			s.disc.report = damaged()
			if c := s.check(checking.Order{Number: "QD-0001 A"}); len(c.Findings) != 1 {
				t.Fatalf("%d findings about A", len(c.Findings))
			}
			s.disc.report, s.disc.found = read(fixity.DiscIntact), found(a, b) // B, by whoever says nothing
			c := s.check(checking.Order{})
			if c.Disc.ID != 0 || len(c.Proved) != 2 || c.Report.Verdict != fixity.DiscIntact {
				t.Errorf("taken for %q, proved %q", c.Disc.Name(), discs.Names(c.Proved))
			}
			if c := s.check(checking.Order{Written: "QD-0001 B"}); c.Disc.ID != b.ID {
				t.Errorf("with its letter it is taken for %q", c.Disc.Name())
			}
			ds, err := s.env.List(t.Context())
			if err != nil || len(ds[0].Open) != 1 || ds[0].Checks != 2 || ds[1].Checks != 1 {
				t.Errorf("A has %d findings, %d checks; B %d checks, %v", len(ds[0].Open), ds[0].Checks, ds[1].Checks, err)
			}
		})
	}
}

// An image of a disc may end elsewhere than the disc: that it doesn't have a disc's table of
// contents doesn't make it the twin.
func TestATwinIsNeverKnownByTheOthersImage(t *testing.T) {
	for _, kind := range []optical.Kind{optical.Data, optical.Audio} {
		s := newShelf(t)
		s.file("access", "QV-0107/a.wav", 1)
		var ds []ledger.Disc
		for _, name := range []string{"QD-0001 A", "QD-0001 B"} {
			ds = append(ds, s.add(registering.Order{Number: name, Kind: string(kind), Files: []string{"access/QV-0107"}}))
		}
		of := func(drive string, sectors int64) *fake {
			about := disc(kind, sectors)
			about.Drive, about.Tracks = drive, []optical.Track{{Number: 1, Sectors: sectors, Data: kind == optical.Data}}
			return &fake{about: about, report: read(fixity.DiscIntact), found: []burned.Match{{ID: ds[0].ID, Sure: true}, {ID: ds[1].ID, Sure: true}}}
		}
		s.disc = of("", 98)
		s.check(checking.Order{Number: "QD-0001 A"})
		s.disc = of("Wren 4000", 100)
		s.check(checking.Order{Number: "QD-0001 B"})
		if c := s.check(checking.Order{}); c.Disc.ID != 0 || len(c.Proved) != 2 { // A, without its letter
			t.Errorf("%s: taken for %q, proved %q", kind, c.Disc.Name(), discs.Names(c.Proved))
		}
		// Once both were in a drive, their tables of contents tell them apart.
		s.disc = of("Wren 4000", 102)
		s.check(checking.Order{Number: "QD-0001 A"})
		s.disc = of("Wren 4000", 100)
		if c := s.check(checking.Order{}); c.Disc.Name() != "QD-0001 B" {
			t.Errorf("%s: B is taken for %q, proved %q", kind, c.Disc.Name(), discs.Names(c.Proved))
		}
	}
}

// Discs of other numbers may hold the same, too: the check says neither number.
func TestOneOfTwoNumbersIsNeverTaken(t *testing.T) {
	s, a, _ := twins(t)
	c := s.add(registering.Order{Number: "QD-0090", Kind: ledger.DataDisc, Files: []string{"masters/QV-0107"}})
	s.disc.found = []burned.Match{{ID: a.ID, Sure: true}, {ID: c.ID, Sure: true}}
	if x := s.check(checking.Order{}); x.Disc.ID != 0 || x.Disc.Number != "" || discs.Names(x.Proved) != "QD-0001 A, QD-0001 B and QD-0090" {
		t.Errorf("taken for %q, proved %q", x.Disc.Name(), discs.Names(x.Proved))
	}
}

func TestADamagedTwinNeverOpensAFindingOnTheOther(t *testing.T) {
	s, a, _ := twins(t)
	s.disc.report, s.disc.found = damaged(), []burned.Match{{ID: a.ID, How: burned.ByTOC}}
	if c := s.check(checking.Order{}); c.Disc.ID != 0 || len(c.Findings) != 0 || len(c.Proved) != 2 || c.Good() {
		t.Errorf("taken for %q, %d findings, proved %q", c.Disc.Name(), len(c.Findings), discs.Names(c.Proved))
	}
	if ds, err := s.env.List(t.Context()); err != nil || len(ds[0].Open) != 0 || ds[0].Checks != 1 {
		t.Errorf("A has %d findings, %d checks, %v", len(ds[0].Open), ds[0].Checks, err)
	}
	who, err := s.env.Identify(t.Context(), checking.Order{})
	if err != nil || len(who.Found) != 2 {
		t.Errorf("it is %q, %v", discs.Names(who.Found), err)
	}
}

// What was read of one twin never stands for sectors of the other.
func TestATwinNeverGoesOnWithTheOthersSectors(t *testing.T) {
	s, a, _ := twins(t)
	s.disc.found, s.disc.report, s.disc.err = []burned.Match{{ID: a.ID, Sure: true}}, half(), context.Canceled
	s.env.Now = time.Now
	if _, err := s.env.Check(t.Context(), checking.Order{}); err == nil || !strings.Contains(err.Error(), "begins anew") {
		t.Errorf("broken off: %v", err)
	}
	s.disc.report, s.disc.err = read(fixity.DiscIntact), nil
	if c := s.check(checking.Order{}); c.Resumed {
		t.Error("it went on")
	}
}

// A disc that only has a table of contents in common with a registered one says nothing
// about that one.
func TestAnotherDiscNeverCountsAsACheck(t *testing.T) {
	s := newShelf(t)
	s.file("masters", "QV-0107/a.wav", 1)
	a := s.add(registering.Order{Number: "QD-0001", Kind: ledger.DataDisc, Files: []string{"masters/QV-0107"}})
	s.disc = &fake{about: disc(optical.Data, 100), report: damaged()}
	s.disc.report.Files, s.disc.report.Structure = []burned.Held{{State: fixity.Intact, LBA: 20}}, 1
	if c := s.check(checking.Order{Number: "QD-0001"}); len(c.Findings) != 1 || c.Findings[0].Subject != fixity.OfDisc {
		t.Fatalf("%+v", c.Findings)
	}
	s.disc.found, s.disc.report = []burned.Match{{ID: a.ID, How: burned.ByTOC}}, read(fixity.DiscOther)
	if c := s.check(checking.Order{}); c.Disc.ID != 0 || c.Report.Verdict != fixity.DiscUnregistered {
		t.Errorf("%q, %s", c.Disc.Name(), c.Report.Verdict)
	}
	if c := s.check(checking.Order{Number: "QD-0001"}); c.Report.Verdict != fixity.DiscOther {
		t.Errorf("%s", c.Report.Verdict)
	}
	ds, err := s.env.List(t.Context())
	if err != nil || len(ds[0].Open) != 2 || ds[0].Open[1].Kind != fixity.OtherDisc {
		t.Errorf("open: %+v, %v", ds[0].Open, err)
	}
	s.disc.report = read(fixity.DiscIntact)
	if c := s.check(checking.Order{Number: "QD-0001"}); len(c.Findings) != 0 {
		t.Errorf("its own disc is back: %+v", c.Findings)
	}
}

// A disc of nine tracks that was burned with levelling is one finding, and a person's
// settling of it holds.
func TestALevelledDiscIsNeverAFindingATrack(t *testing.T) {
	s := newShelf(t)
	for i := range 9 {
		s.file("access", fmt.Sprintf("QV-0107/QV-0107_A_%02d.wav", i+1), 1)
	}
	s.add(registering.Order{Number: "QD-0001", Kind: ledger.AudioDisc, Files: []string{"access/QV-0107"}})
	s.disc = &fake{about: disc(optical.Audio, 100), report: read(fixity.DiscChanged)}
	s.disc.report.Sound = &cdda.Result{}
	for range 9 {
		s.disc.report.Files = append(s.disc.report.Files, burned.Held{State: fixity.Altered, Cause: burned.CauseChanged, LBA: -1,
			Likeness: cdda.Likeness{Alike: 1, GainDB: 1.8, LowDB: 1.8, HighDB: 1.8, Even: true}})
	}
	c := s.check(checking.Order{Number: "QD-0001"})
	if len(c.Findings) != 1 || c.Findings[0].Subject != fixity.OfDisc || !strings.Contains(report.Told(c.Findings[0], nil), "+1.8 dB") {
		t.Fatalf("%d findings: %+v", len(c.Findings), c.Findings)
	}
	// Its files have no finding of their own, and nobody settled one.
	if err := s.env.Ledger.View(t.Context(), func(x *ledger.Tx) error {
		for _, f := range c.Files {
			of, err := x.Copies.Of(f.ID)
			if err != nil {
				return err
			}
			for _, y := range of {
				if y.Carrier != 0 && (y.SettledAs != "" || y.ToldAs != y.Condition() || !y.Quiet()) {
					t.Errorf("%s: settled as %q, told as %q", f.Path, y.SettledAs, y.ToldAs)
				}
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if err := s.env.Ledger.Tx(t.Context(), s.clock, func(x *ledger.Tx) error {
		return x.Findings.Settle(c.Findings[0], fixity.ByPerson, "Ada Wren", "known")
	}); err != nil {
		t.Fatal(err)
	}
	if c := s.check(checking.Order{Number: "QD-0001"}); len(c.Findings) != 0 {
		t.Errorf("a settled finding is back: %+v", c.Findings)
	}
	// A track that is damaged beside is told.
	s.disc.report.Verdict = fixity.DiscAltered
	s.disc.report.Files[2] = burned.Held{State: fixity.Altered, LBA: -1}
	if c := s.check(checking.Order{Number: "QD-0001"}); len(c.Findings) != 9 {
		t.Errorf("damage on a levelled disc: %d findings", len(c.Findings))
	}
}

// What is written on a disc is never overruled by what a person asks for, nor passed over.
func TestALetterThatContradictsIsNeverPassedOver(t *testing.T) {
	s, a, b := twins(t)
	if _, err := s.env.Check(t.Context(), checking.Order{Number: "QD-0001 B", Written: "QD-0001 A"}); !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), "QD-0001 A is written on it") {
		t.Errorf("%v", err)
	}
	s.disc.found = []burned.Match{{ID: a.ID, Sure: true}, {ID: b.ID, Sure: true}}
	c := s.check(checking.Order{Written: "QD-0001 C"})
	if c.Disc.ID != 0 || len(c.Report.Problems) != 1 || !strings.Contains(c.Report.Problems[0].Error(), "QD-0001 C is written on it, and no disc of that name") {
		t.Errorf("taken for %q, %v", c.Disc.Name(), c.Report.Problems)
	}
}

// A disc of many items has a sheet that says so, and no list of them at its head.
func TestABurnSheetNeverListsHundredsOfItems(t *testing.T) {
	s := newShelf(t)
	var files []string
	for i := range 15 {
		s.file("masters", fmt.Sprintf("QV-%04d/a.wav", 100+i), 1)
		files = append(files, fmt.Sprintf("masters/QV-%04d", 100+i))
	}
	s.add(registering.Order{Number: "QD-0001", Kind: ledger.DataDisc, Files: files})
	sheet, err := s.env.BurnSheet(t.Context(), "Quillmere", "QD-0001", true)
	if err != nil || !strings.HasPrefix(sheet.Item, "QV-0100, QV-0101, ") || !strings.HasSuffix(sheet.Item, ", QV-0111, and 3 more") {
		t.Errorf("%q, %v", sheet.Item, err)
	}
}
