package sheets_test

import (
	"fmt"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/testing/discmap"
)

// number reads a number as a sheet writes it.
func number(t *testing.T, s string) int64 {
	t.Helper()
	n, err := strconv.ParseInt(strings.ReplaceAll(s, ",", ""), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

var (
	legend  = regexp.MustCompile(`<b>(.)</b></td><td>[^<]*: ([0-9,]+) sectors?[,<]`)
	reading = regexp.MustCompile(`Read +([0-9,]+) of ([0-9,]+) sectors?: (.*?) (?:Tries|Unreadable|Differing|On the|Noticed|Drive|Image)`)
	amount  = regexp.MustCompile(`([0-9,]+) (at once|after|doubtful|unreadable|not read yet)`)
	claims  = regexp.MustCompile(`(?:ALTERED: |UNREADABLE IN PLACES: )([0-9,]+)(?: of [0-9,]+)? (?:sectors?|files?) `)
)

// Numbers of a sheet add up, and none says something else than another, whatever a check
// came to: of sound and of data, with few places and with more than are listed in full.
func TestNumbersNeverContradictEachOther(t *testing.T) {
	said := map[string]int{}
	for seed := range uint64(120) {
		r := rand.New(rand.NewPCG(7, seed))
		s, isData := audio(), seed%2 > 0
		if isData {
			s = data()
			s.Files[2].State, s.Files[2].Why, s.Findings = fixity.Intact, "", nil
			s.Report.Unreadable, s.Report.UnreadableAll, s.Report.Structure, s.Report.Free = nil, 0, 0, 0
		}
		var rows []optical.Run
		var bad, other []burned.Sectors
		at, badAll, otherAll := int64(0), int64(0), int64(0)
		place := func(n int64) burned.Sectors {
			p := burned.Sectors{LBA: at, Count: n, Track: 1}
			if isData {
				p.Track, p.Kind, p.Of = 0, discfs.OfFile, []discfs.Place{{Path: s.Files[r.IntN(3)].Path}}
			}
			return p
		}
		for range 1 + r.IntN(200+int(seed%6)*600) {
			n := 1 + r.Int64N(20)
			switch k := r.IntN(12); {
			case k == 0:
				p := place(n)
				switch of := r.IntN(3); {
				case isData && of == 0:
					p.Kind, p.Of = discfs.OfStructure, nil
					s.Report.Structure += n
				case isData && of == 1:
					p.Kind, p.Of = discfs.OfNothing, nil
					s.Report.Free += n
				}
				rows, bad, badAll = append(rows, discmap.Bad(n)), append(bad, p), badAll+n
			case k == 1:
				rows = append(rows, discmap.Retried(n))
			case k == 2:
				rows = append(rows, discmap.Doubtful(n))
			case k < 3+int(seed%6) && seed%4 > 1:
				rows, other, otherAll = append(rows, discmap.AtOnce(n)), append(other, place(n)), otherAll+n
			default:
				rows = append(rows, discmap.AtOnce(n))
			}
			at += n
		}
		rows = append(rows, discmap.AtOnce(5))
		s.read(rows...)
		s.Report.Unreadable, s.Report.UnreadableRest = listed(bad)
		s.Report.Differing, s.Report.DifferingRest = listed(other)
		s.Report.UnreadableAll, s.Report.DifferingAll = badAll, otherAll
		switch {
		case otherAll > 0:
			s.is(fixity.DiscAltered)
			if isData {
				s.Files[r.IntN(3)].State = fixity.Altered
				s.Report.InBlocks = seed%3 == 0
			}
		case badAll > 0:
			s.is(fixity.DiscUnreadable)
		default:
			s.is(fixity.DiscIntact)
		}
		text, html := render(t, s)
		marks := map[string]int64{}
		sum := int64(0)
		for _, m := range legend.FindAllStringSubmatch(html, -1) {
			marks[m[1]] = number(t, m[2])
			sum += marks[m[1]]
		}
		if sum != s.About.LeadOut {
			t.Fatalf("seed %d: the legend adds up to %d of %d sectors: %v\n%s", seed, sum, s.About.LeadOut, marks, text)
		}
		if marks["X"] != otherAll || marks["U"] != badAll {
			t.Fatalf("seed %d: %d differ and %d are unreadable, and the picture says %v", seed, otherAll, badAll, marks)
		}
		// The strip shows each of them.
		signs, each := s.Strip()
		drawn := map[byte]int64{}
		for i := range signs {
			drawn[signs[i]] += each
		}
		if badAll > 0 && drawn['U'] == 0 || badAll == 0 && otherAll > drawn['X'] {
			t.Fatalf("seed %d: the strip hides some: %q", seed, signs)
		}
		flat := strings.Join(strings.Fields(text), " ")
		m := reading.FindStringSubmatch(flat)
		if m == nil {
			t.Fatalf("seed %d: nothing is said of reading:\n%s", seed, text)
		}
		read, done := int64(0), int64(0)
		for _, x := range amount.FindAllStringSubmatch(m[3], -1) {
			n := number(t, x[1])
			if read += n; x[2] == "at once" || x[2] == "after" {
				done += n
			}
		}
		if read != number(t, m[2]) || done != number(t, m[1]) {
			t.Fatalf("seed %d: %q adds up to %d and %d", seed, m[0], read, done)
		}
		if x := claims.FindStringSubmatch(flat); x != nil {
			want, kind := marks["X"], "sectors differ"
			if isData && otherAll > 0 {
				want, kind = int64(strings.Count(flat, ".wav: read well, and not what was burned")), "files differ"
			} else if otherAll == 0 {
				want, kind = marks["U"], "sectors unreadable"
			}
			said[kind+fmt.Sprint(isData)]++
			if n := number(t, x[1]); n != want {
				t.Fatalf("seed %d: the verdict says %d %s, and the rest %d", seed, n, kind, want)
			}
		}
		// What is listed, and what isn't, is all.
		for label, want := range map[string]int64{"Unreadable at": badAll, "Differing at": otherAll} {
			n := int64(0)
			if x := regexp.MustCompile(label + ` (.*?) (?:Of all these|Differing at|On the way|Noticed|Drive)`).FindStringSubmatch(flat); x != nil {
				for _, k := range entry.FindAllStringSubmatch(x[1], -1) {
					switch {
					case k[1] != "":
						n += number(t, k[1])
					case k[2] != "":
						n++
					default:
						n += number(t, k[3])
						said["more than listed"]++
					}
				}
			}
			if n != want {
				t.Fatalf("seed %d: %s: what is listed adds up to %d of %d:\n%s", seed, label, n, want, text)
			}
		}
		if x := ofThese.FindStringSubmatch(flat); isData && (x == nil) != (s.Report.Structure+s.Report.Free == 0) || x != nil && (number(t, x[1]) != s.Report.Structure || number(t, x[2]) != s.Report.Free) {
			t.Fatalf("seed %d: of structures %d, of no file %d: %q", seed, s.Report.Structure, s.Report.Free, x)
		}
	}
	if len(said) < 5 {
		t.Errorf("what came up: %v", said)
	}
}

var (
	entry   = regexp.MustCompile(`([0-9,]+) sectors from [0-9,]+|\b(sector [0-9,]+)|places? more \(([0-9,]+) sectors?\)`)
	ofThese = regexp.MustCompile(`Of all these, ([0-9,]+) belong to the disc's own structures and ([0-9,]+) to no file`)
)

func boolean(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// listed are the rows that are told in full, and the rest.
func listed(ps []burned.Sectors) (list []burned.Sectors, rest []optical.Range) {
	for i, p := range ps {
		if i < burned.MaxRuns {
			list = append(list, p)
		} else {
			rest = append(rest, optical.Range{LBA: p.LBA, Count: p.Count})
		}
	}
	return list, rest
}

// However many places differ, past those that are listed too: a ring without one is drawn
// as right, one with one isn't.
func TestWhatIsntListedIsDrawn(t *testing.T) {
	s := audio()
	var rows []optical.Run
	var other []burned.Sectors
	for lba := int64(0); lba < 40000; lba += 20 { // in the inner part only
		rows = append(rows, discmap.AtOnce(20))
		other = append(other, burned.Sectors{LBA: lba, Count: 1, Track: 1})
	}
	s.read(append(rows, discmap.AtOnce(100000))...)
	s.is(fixity.DiscAltered)
	s.Report.Differing, s.Report.DifferingRest = listed(other)
	s.Report.DifferingAll = 2000
	signs, each := s.Strip()
	for i := range signs {
		if want := byte("-X"[boolean(int64(i)*each < 40000)]); signs[i] != want {
			t.Fatalf("sign %d of %q isn't %c", i, signs, want)
		}
	}
	g, _, _ := s.Drawn()
	at := int64(0)
	for _, x := range s.Rings(g) {
		if want := string("-X"[boolean(at < 40000)]); x.Sign() != want {
			t.Errorf("the ring from sector %d on is drawn as %q", at, x.Sign())
		}
		at += x.Sectors
	}
}

// A burn sheet of thousands of files is no book, and loses none.
func TestABurnSheetNeverTakesAHundredPages(t *testing.T) {
	s := burns()["data"]
	s.Files = nil
	for i := range 5000 {
		n := fmt.Sprintf("QV-%04d/take_%02d.wav", i/100, i%100)
		s.Files = append(s.Files, sheetsFile(n))
	}
	text, html := render(t, s)
	if n := strings.Count(text, "\n"); n > 170 || len(html) > 60000 {
		t.Errorf("%d lines, %d bytes of HTML", n, len(html))
	}
	for _, want := range []string{"100 files of the folder D:\\masters\\QV-0000", "and 10 folders more", "firmus disc sheet QD-0400 --list FILE"} {
		if !strings.Contains(strings.Join(strings.Fields(text), " "), want) {
			t.Errorf("it doesn't say %q", want)
		}
	}
	var list strings.Builder
	if err := s.List(&list); err != nil {
		t.Fatal(err)
	}
	if lines := strings.Split(strings.TrimSpace(list.String()), "\n"); len(lines) != 5001 || !slices.Contains(lines, `D:\masters\QV-0049\take_99.wav`) {
		t.Errorf("the list has %d lines", len(lines))
	}
}
