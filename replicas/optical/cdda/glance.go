package cdda

import (
	"context"
	"fmt"
)

// Glance is what a few stretches of a disc say of what it may be.
type Glance struct {
	Asked int // stretches of the sources that have a sound which occurs once there
	Heard int // of them, those that lie on the disc at one offset
}

// Sure says that the disc holds the sources: what was asked for was found.
func (g Glance) Sure() bool { return g.Heard >= 2 || g.Heard == 1 && g.Asked == 1 }

// Against says that it holds none of them where they should be.
func (g Glance) Against() bool { return g.Asked >= 2 && g.Heard == 0 }

// GlanceSectors is how many sectors around a place Look reads: as many as the offset
// that is looked for needs to either side.
const GlanceSectors = 2*((defaultMax+glanceReach+window)/SectorSamples+1) + 1

// glanceReach is how far from a place windows are picked, in samples.
const glanceReach = 400

// Look looks for the sources at some places of a disc, given as sectors. It reads
// GlanceSectors around each, and none twice if places lie so far apart. Sources that
// aren't of the disc's format can't be found so.
func Look(ctx context.Context, d Disc, sources []Source, places []int64) (Glance, error) {
	if err := sensible(d, sources, Options{}); err != nil {
		return Glance{}, fmt.Errorf("look at audio disc: %w", err)
	}
	c := &comparison{ctx: ctx, disc: d, sources: sources, max: defaultMax}
	var best Glance
	for _, l := range c.layouts() {
		g, err := c.glance(l, places)
		if err != nil {
			return Glance{}, fmt.Errorf("look at audio disc: %w", err)
		}
		if g.Heard > best.Heard || best.Asked == 0 {
			best = g
		}
		if best.Sure() {
			break
		}
	}
	return best, nil
}

// LookBaseline looks for a baseline's windows. It takes those that lie nearest to the
// places.
func LookBaseline(ctx context.Context, d Disc, b Baseline, places []int64) (Glance, error) {
	c, err := alone(ctx, d, Options{})
	if err == nil {
		err = b.Validate()
	}
	if err != nil {
		return Glance{}, fmt.Errorf("look at audio disc: %w", err)
	}
	var probes []probe
	for _, p := range places {
		var near *Window
		for i := range b.Windows {
			w := &b.Windows[i]
			if near == nil || distance(w.At, (p-b.First)*SectorSamples) < distance(near.At, (p-b.First)*SectorSamples) {
				near = w
			}
		}
		if near != nil && (len(probes) == 0 || probes[len(probes)-1].at < near.At) {
			probes = append(probes, probe{at: near.At, bytes: near.PCM, unique: true})
		}
	}
	f, err := c.look(layout{{n: b.Sectors * SectorSamples}}, probes)
	if err != nil {
		return Glance{}, fmt.Errorf("look at audio disc: %w", err)
	}
	return Glance{Asked: f.usable, Heard: f.votes[f.best]}, nil
}

func distance(a, b int64) int64 { return max(a-b, b-a) }

// glance looks at a layout of the sources.
func (c *comparison) glance(l layout, places []int64) (Glance, error) {
	votes := map[int]int{}
	var g Glance
	const near = GlanceSectors * SectorSamples
	disc, ref := make([]byte, near*SampleBytes), make([]byte, near*SampleBytes)
	for _, p := range places {
		at := (p - c.disc.First - GlanceSectors/2) * SectorSamples
		if err := c.reference(l, ref, at); err != nil {
			return g, err
		}
		mid := near/2 - glanceReach
		asked, heard := false, map[int]bool{}
		for s := mid; s+window <= near/2+glanceReach; s += window {
			w := ref[s*SampleBytes : (s+window)*SampleBytes]
			if busy(w) < enoughBusy || len(indexAll(ref, w, 2)) > 1 {
				continue
			}
			if !asked {
				if err := c.sound(disc, at); err != nil {
					return g, err
				}
				asked = true
			}
			if h := indexAll(disc, w, 2); len(h) == 1 {
				heard[s-h[0]] = true
			}
		}
		if asked {
			g.Asked++
		}
		for o := range heard {
			votes[o]++
			g.Heard = max(g.Heard, votes[o])
		}
	}
	return g, nil
}
