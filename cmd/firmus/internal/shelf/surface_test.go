package shelf_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/shelf"
)

// one is a sheet of a disc on which a single sector is in a state.
func one(medium string, sectors, lba int64, st shelf.RunState, l shelf.Layers) shelf.CheckSheet {
	s := shelf.CheckSheet{Kind: shelf.Data, Medium: medium, LeadOut: sectors, Sectors: sectors, Layers: l}
	for _, r := range []shelf.Run{{LBA: 0, Count: lba, State: shelf.RunAtOnce}, {LBA: lba, Count: 1, State: st}, {LBA: lba + 1, Count: sectors - lba - 1, State: shelf.RunAtOnce}} {
		if r.Count > 0 {
			s.Runs = append(s.Runs, r)
		}
	}
	return s
}

// A single bad sector is seen wherever it lies: in one sign of the strip, and in one
// ring of the drawing, which is the one at its radius.
func TestOneSector(t *testing.T) {
	for _, d := range []struct {
		medium  string
		sectors int64
		layers  shelf.Layers
	}{
		{"CD-R", 1, shelf.Layers{}}, {"CD-R", 7, shelf.Layers{}}, {"CD-R", 144600, shelf.Layers{}}, {"CD-R", 359849, shelf.Layers{}}, {"CD-R", 400000, shelf.Layers{}},
		{"DVD-R", 2298496, shelf.Layers{}}, {"DVD+R DL", 4173824, shelf.Layers{Two: true, Break: 2086912}}, {"DVD+R DL", 2000001, shelf.Layers{Two: true, Break: 1900000}},
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
			for sign, st := range map[string]shelf.RunState{"t": shelf.RunRetried, "d": shelf.RunDoubtful, "U": shelf.RunUnreadable, "?": shelf.RunUntried} {
				s := one(d.medium, d.sectors, lba, st, d.layers)
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
					if x.State != st {
						continue
					}
					marked++
					below := d.layers.Break > 0 && lba >= d.layers.Break
					if at := g.Radius(lba); at < x.In-0.01 || at > x.Out+0.01 || x.Below != below {
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
	s := one("CD-R", 5200, 2500, shelf.RunRetried, shelf.Layers{})
	s.DifferingAt = []shelf.Place{{LBA: 100, Count: 1}, {LBA: 2501, Count: 3}, {LBA: 5199, Count: 1}}
	if got, _ := s.Strip(); got != "-X"+strings.Repeat("-", 23)+"X"+strings.Repeat("-", 25)+"X" {
		t.Errorf("strip %q", got)
	}
	s.UnreadableAt = []shelf.Place{{LBA: 2502, Count: 1}}
	if got, _ := s.Strip(); got != "-X"+strings.Repeat("-", 23)+"U"+strings.Repeat("-", 25)+"X" {
		t.Errorf("strip %q", got)
	}
}

// However many runs there are, the page stays small.
func TestManyRuns(t *testing.T) {
	s := audio()
	s.Runs, s.TriesAt, s.UnreadableAt = nil, nil, nil
	for lba := int64(0); lba < s.LeadOut; lba += 2 {
		s.Runs = append(s.Runs, shelf.Run{LBA: lba, Count: 1, State: shelf.RunAtOnce}, shelf.Run{LBA: lba + 1, Count: 1, State: shelf.RunUnreadable})
		s.UnreadableAt = append(s.UnreadableAt, shelf.Place{LBA: lba + 1, Count: 1, Track: 1})
	}
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
		if len(s.Runs) == 0 {
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
		for st, want := range map[shelf.RunState][2]string{
			shelf.RunRetried: {"tries", "read after more tries"}, shelf.RunDoubtful: {"doubt", "doubtful"}, shelf.RunUnreadable: {"unread", "unreadable"}, shelf.RunUntried: {"untried", "not read yet"},
		} {
			has := false
			for _, r := range s.Runs {
				has = has || r.State == st
			}
			if has != strings.Contains(caption, want[1]) || has != strings.Contains(desc, want[1]) || (has && !fills[want[0]]) {
				t.Errorf("%s: %s: in the runs %v, in the legend %v, in words %v, drawn %v", n, want[1], has, strings.Contains(caption, want[1]), strings.Contains(desc, want[1]), fills[want[0]])
			}
		}
		if !strings.Contains(html, "marked with the worst that is in it") {
			t.Errorf("%s: nothing says that a ring shows the worst in it", n)
		}
	}
	if drawn < 10 {
		t.Errorf("only %d pictures", drawn)
	}
}
