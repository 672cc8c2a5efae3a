package sheets_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/testing/discmap"
)

// one is a sheet of a disc on which a single sector was read otherwise than at once.
func one(medium string, sectors, lba int64, as optical.Run) made {
	s := made{}
	s.About = optical.Contents{Kind: optical.Data, Medium: medium, LeadOut: sectors}
	var rows []optical.Run
	for _, r := range []optical.Run{discmap.AtOnce(lba), as, discmap.AtOnce(sectors - lba - 1)} {
		if r.Count > 0 {
			rows = append(rows, r)
		}
	}
	s.read(rows...)
	return s
}

// A single bad sector is seen wherever it lies: in one sign of the strip, and in one
// ring of the drawing, which is the one at its radius.
func TestOneSector(t *testing.T) {
	for _, d := range []struct {
		medium  string
		sectors int64
	}{
		{"CD-R", 1}, {"CD-R", 7}, {"CD-R", 144600}, {"CD-R", 359849}, {"CD-R", 400000},
		{"DVD-R", 2298496},
	} {
		r := rand.New(rand.NewPCG(1, uint64(d.sectors)))
		for i := range 60 {
			lba := r.Int64N(d.sectors)
			switch i {
			case 0:
				lba = 0
			case 1:
				lba = d.sectors - 1
			}
			for sign, as := range map[string]optical.Run{"t": discmap.Retried(1), "d": discmap.Doubtful(1), "U": discmap.Bad(1), "?": discmap.Untried(1)} {
				s := one(d.medium, d.sectors, lba, as)
				signs, each := s.Strip()
				if n := strings.Count(signs, sign); n != 1 || signs[lba/each] != sign[0] {
					t.Fatalf("%s, sector %d of %d: strip %q", d.medium, lba, d.sectors, signs)
				}
				g, _, ok := s.Drawn()
				if !ok {
					t.Fatalf("%s of %d sectors isn't drawn", d.medium, d.sectors)
				}
				var sum int64
				marked := 0
				for _, x := range s.Rings(g) {
					sum += x.Sectors
					if w := x.Out - x.In; w < 0.39 || w > 1.01 {
						t.Errorf("%s: a ring is %.2f mm wide", d.medium, w)
					}
					if x.Sign() != sign {
						continue
					}
					marked++
					if at := g.Radius(lba); at < x.In-0.01 || at > x.Out+0.01 {
						t.Errorf("%s, sector %d at %.2f mm: the ring from %.2f to %.2f mm is marked", d.medium, lba, at, x.In, x.Out)
					}
				}
				if marked != 1 || sum != d.sectors {
					t.Errorf("%s, sector %d: %d rings marked; rings hold %d sectors of %d", d.medium, lba, marked, sum, d.sectors)
				}
			}
		}
	}
}

// Differing sectors were read well: they are laid over the runs. The worst wins.
func TestWorst(t *testing.T) {
	s := one("CD-R", 5200, 2500, discmap.Retried(1))
	s.Report.Differing, s.Report.DifferingAll = []burned.Sectors{{LBA: 100, Count: 1}, {LBA: 2501, Count: 3}, {LBA: 5199, Count: 1}}, 5
	if got, _ := s.Strip(); got != "-X"+strings.Repeat("-", 23)+"X"+strings.Repeat("-", 25)+"X" {
		t.Errorf("strip %q", got)
	}
	s.Report.Unreadable = []burned.Sectors{{LBA: 2502, Count: 1}}
	if got, _ := s.Strip(); got != "-X"+strings.Repeat("-", 23)+"U"+strings.Repeat("-", 25)+"X" {
		t.Errorf("strip %q", got)
	}
}

// However many runs there are, the page stays small.
func TestManyRuns(t *testing.T) {
	s := audio()
	var rows []optical.Run
	for lba := int64(0); lba < s.About.LeadOut; lba += 2 {
		rows = append(rows, discmap.AtOnce(1), discmap.Bad(1))
		s.Report.Unreadable = append(s.Report.Unreadable, burned.Sectors{LBA: lba + 1, Count: 1, Track: 1})
	}
	s.Report.UnreadableAll = s.About.LeadOut / 2
	s.read(rows...)
	text, html := render(t, s)
	if len(text) > 8000 || len(html) > 30000 {
		t.Errorf("text has %d bytes, HTML %d", len(text), len(html))
	}
	if want := "and 72,288 places more (72,288 sectors)"; !strings.Contains(strings.Join(strings.Fields(text), " "), want) {
		t.Errorf("no %q", want)
	}
}

// The picture is a figure with words for who doesn't see it, and what it shows by
// colour it shows by a pattern and a letter too.
func TestPicture(t *testing.T) {
	drawn := 0
	for n, s := range checks() {
		if s.Report.Check.Map == nil {
			continue
		}
		drawn++
		_, html := render(t, s)
		es := parse(t, html)
		ids, fills := map[string]int{}, map[string]bool{}
		pictures := 0
		var desc, caption string
		for _, e := range es {
			if id := e.attr["id"]; id != "" {
				ids[id]++
			}
			switch e.name {
			case "svg":
				if e.attr["role"] == "img" {
					pictures++
					for _, ref := range strings.Fields(e.attr["aria-labelledby"]) {
						if !strings.Contains(html, `id="`+ref+`"`) {
							t.Errorf("%s: no element %s", n, ref)
						}
					}
					var x, y, w, h float64
					if _, err := fmt.Sscan(e.attr["viewBox"], &x, &y, &w, &h); err != nil || w <= 0 || h <= 0 {
						t.Errorf("%s: viewBox %q", n, e.attr["viewBox"])
					}
					// True size: as many mm on paper as in the drawing.
					var pw float64
					if _, err := fmt.Sscanf(e.attr["width"], "%fmm", &pw); err != nil || math.Abs(pw-w) > 0.5 {
						t.Errorf("%s: %s wide on paper, %g mm drawn", n, e.attr["width"], w)
					}
				}
			case "desc":
				desc = e.text
			case "figcaption":
				caption = e.text
			case "path", "rect":
				fills[e.attr["class"]] = true
			}
		}
		if pictures != 1 || ids["surface-words"] != 1 || ids["surface-title"] != 1 {
			t.Errorf("%s: %d pictures; ids %v", n, pictures, ids)
		}
		c := s.Counts()
		for count, want := range map[*int64][2]string{
			&c.Retried: {"tries", "read after more tries"}, &c.Doubtful: {"doubt", "doubtful"}, &c.Unreadable: {"unread", "unreadable"}, &c.Untried: {"untried", "not read yet"},
		} {
			has := *count > 0
			if has != strings.Contains(caption, want[1]) || has != strings.Contains(desc, want[1]) || (has && !fills[want[0]]) {
				t.Errorf("%s: %s: in the map %v, in the legend %v, in words %v, drawn %v", n, want[1], has, strings.Contains(caption, want[1]), strings.Contains(desc, want[1]), fills[want[0]])
			}
		}
		if !strings.Contains(html, "as long as its share") && !strings.Contains(html, "marked with the worst that is in it") {
			t.Errorf("%s: nothing says what a mark on a ring means", n)
		}
	}
	if drawn < 10 {
		t.Errorf("only %d pictures", drawn)
	}
}
