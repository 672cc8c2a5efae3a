package sheets_test

import (
	"math"
	"testing"

	"firmus/cmd/firmus/internal/discs/sheets"
	"firmus/replicas/optical"
)

func near(t *testing.T, what string, got, want, give float64) {
	t.Helper()
	if math.Abs(got-want) > give {
		t.Errorf("%s: %.3f, want %.3f give or take %.3f", what, got, want, give)
	}
}

// A disc of 60 mm radius whose program area ends at 58 mm holds what the standards
// and the makers say that it does: the figures of pitch, velocity and channel bits
// must come to the same.
func TestCapacity(t *testing.T) {
	for _, c := range []struct {
		name string
		got  int64
		want float64 // sectors
		give float64 // as a part
	}{
		// 1.6 µm and 1.2 m/s: 74 minutes and some (IEC 60908).
		{"CD", sheets.CDOf(1000).Fits(), 74.7 * 60 * 75, 0.01},
		// ECMA-349 gives 2,295,104 sectors for DVD+R, ECMA-359 2,298,496 for DVD-R.
		{"DVD", sheets.DVDOne().Fits(), 2295104, 0.002},
	} {
		near(t, c.name, float64(c.got), c.want, c.want*c.give)
	}
}

func TestRadius(t *testing.T) {
	cd, cd80, dvd := sheets.CDOf(330000), sheets.CDOf(359849), sheets.DVDOne()
	for _, c := range []struct {
		name       string
		g          sheets.Geometry
		lba        int64
		want, give float64
	}{
		{"CD begins at 25 mm", cd, 0, 25, 0},
		{"CD of 74 minutes ends at 58 mm", cd, 74 * 60 * 75, 58, 0.3},
		// Half of the area lies inside the root of the mean of the squares: 44.66 mm.
		{"CD, the middle of its area", cd, 336000 / 2, 44.66, 0.1},
		{"CD of 80 minutes ends at 58 mm", cd80, 359849, 58, 0.01},
		{"DVD begins at 24 mm", dvd, 0, 24, 0},
		{"DVD ends at 58 mm", dvd, 2295104, 58, 0.01},
		{"DVD, the middle of its area", dvd, 2295104 / 2, 44.38, 0.05},
		{"nothing lies outside of 58 mm", cd, 1 << 40, 58, 0},
	} {
		near(t, c.name, c.g.Radius(c.lba), c.want, c.give)
	}
	for lba, last := int64(1), 0.0; lba < 2295104; lba += 99991 {
		r := dvd.Radius(lba)
		if r <= last {
			t.Fatalf("the radius doesn't grow at sector %d", lba)
		}
		near(t, "the square grows evenly", (r*r-24*24)/float64(lba), (58.0*58-24*24)/2295104, 1e-6)
		last = r
	}
}

// The doubt that is printed covers every disc that the standard allows: pitch 1.5 to
// 1.7 µm, 1.2 to 1.4 m/s (ECMA-130), as far as it ends within 58 mm.
func TestDoubt(t *testing.T) {
	for _, sectors := range []int64{75, 22500, 144600, 250000, 330000, 350000, 359849} {
		g := sheets.CDOf(sectors)
		doubt := float64(g.Doubt(sectors))
		for _, pitch := range []float64{1.5e-3, 1.6e-3, 1.7e-3} {
			for _, speed := range []float64{1200, 1300, 1400} {
				each := pitch * speed / 75 / math.Pi
				if each*float64(sectors) > 58*58-25*25 {
					continue // it would not fit
				}
				for _, lba := range []int64{0, sectors / 3, sectors / 2, sectors} {
					r := math.Sqrt(25*25 + each*float64(lba))
					if d := math.Abs(r - g.Radius(lba)); d > doubt {
						t.Errorf("%d sectors, pitch %.1f µm, %g m/s: sector %d lies %.1f mm elsewhere, said %g", sectors, pitch*1000, speed/1000, lba, d, doubt)
					}
				}
			}
		}
	}
}

func TestDrawn(t *testing.T) {
	for _, c := range []struct {
		name  string
		about optical.Contents
		want  string // "" none
		note  bool
	}{
		{"audio", optical.Contents{Kind: optical.Audio, LeadOut: 100000}, "CD", false},
		{"CD-R with data", optical.Contents{Kind: optical.Data, Medium: "CD-R", LeadOut: 100000}, "CD", false},
		{"DVD", optical.Contents{Kind: optical.Data, Medium: "DVD-R", LeadOut: 100000}, "DVD", false},
		{"small image", optical.Contents{Kind: optical.Data, LeadOut: 100000}, "CD", true},
		{"large image", optical.Contents{Kind: optical.Data, LeadOut: 2000000}, "DVD", true},
		{"two layers", optical.Contents{Kind: optical.Data, Medium: "DVD+R DL", LeadOut: 3900000}, "", true},
		{"another kind", optical.Contents{Kind: optical.Data, Medium: "BD-R", LeadOut: 3900000}, "", true},
		{"too many sectors", optical.Contents{Kind: optical.Data, LeadOut: 12000000}, "", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := sheets.CheckSheet{}
			s.About = c.about
			g, note, ok := s.Drawn()
			if ok != (c.want != "") || g.Name() != c.want || (note != "") != c.note {
				t.Errorf("got %q, %v, note %q; want %q, note %v", g.Name(), ok, note, c.want, c.note)
			}
		})
	}
}
