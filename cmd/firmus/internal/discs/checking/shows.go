package checking

import (
	"fmt"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
)

// shows puts into words what a disc's contents show, and gathers what else the ledger
// knows of its files that a sheet tells.
func (e Desk) shows(t *ledger.Tx, c *discs.Check) (err error) {
	c.Shows = e.provedBy(*c)
	if c.Disc.Baseline != nil && len(c.Files) == 0 || c.Report.Verdict == fixity.DiscBaseline {
		c.Since = c.Row.Ended
		for _, b := range c.Before {
			if b.Verdict == fixity.DiscBaseline {
				c.Since = b.Ended
				break
			}
		}
	}
	if c.About.Kind != optical.Audio {
		return nil
	}
	if h := c.Report.Sound; h != nil && h.Located {
		if c.Pauses, c.PausesKnown, err = pausesOf(t, *c); err != nil {
			return err
		}
	}
	c.Master, err = e.finerMaster(t, *c)
	return err
}

// provedBy says in words what a disc's contents show.
func (e Desk) provedBy(c discs.Check) string {
	var items []string
	version, same, role := int64(0), true, fixity.Role("")
	for _, f := range c.Files {
		set, _ := e.Rules.Set(f.Set)
		if it := registering.ItemSide(e.Rules, f.Set, f.Path); it != "" && !slices.Contains(items, it) {
			items = append(items, it)
		}
		if version != 0 && version != f.Version || role != "" && role != set.Role {
			same = false
		}
		version, role = f.Version, set.Role
	}
	if len(items) > 3 {
		items = append(items[:3], "and others")
	}
	s := strings.Join(items, ", ")
	if same && version > 0 {
		s += fmt.Sprintf(", %s version %d", role, version)
	}
	// What isn't the file's, or isn't there, shows nothing of it.
	n := 0
	for _, f := range c.Files {
		if f.State != fixity.Missing && f.State != "" && f.Cause != burned.CauseOther && f.Cause != burned.CauseNotFound && f.Cause != burned.CauseSilent {
			n++
		}
	}
	if n == 0 && len(c.Files) > 0 {
		return ""
	}
	if n < len(c.Files) {
		return s + fmt.Sprintf(", %d of %s", n, fixity.Count(len(c.Files), "file"))
	}
	what := "file"
	if c.About.Kind == optical.Audio && len(c.About.Tracks) > 0 && n == len(c.About.Tracks) {
		what = "disc track"
	}
	return s + ", " + fixity.Count(n, what)
}

// pausesOf are the pauses that a burning program put before tracks, where every file
// was found on the disc and its length is known.
func pausesOf(t *ledger.Tx, c discs.Check) ([]discs.Pause, bool, error) {
	var out []discs.Pause
	end := int64(-1)
	for _, f := range c.Files {
		s, ok, err := registering.SoundAt(t, f.ID, f.Version)
		if err != nil {
			return nil, false, err
		}
		if !ok || !registering.AsOnDisc(s) || f.LBA < 0 || f.Track == 0 || f.LBA < end {
			return nil, false, nil
		}
		if end >= 0 && f.LBA > end {
			out = append(out, discs.Pause{Track: f.Track, Sectors: f.LBA - end})
		}
		end = f.LBA + (s.Frames+cdda.SectorSamples-1)/cdda.SectorSamples
	}
	return out, end >= 0, nil
}

// finerMaster is how the masters are recorded of which a disc holds access files, where
// that is more than the disc can hold; "" if there is none, or it isn't known.
func (e Desk) finerMaster(t *ledger.Tx, c discs.Check) (string, error) {
	seen := map[string]bool{}
	for _, f := range c.Files {
		set, _ := e.Rules.Set(f.Set)
		item := set.ItemOf(f.Path)
		if item == "" || seen[item] {
			continue
		}
		seen[item] = true
		fs, err := t.Files.OfItem(item)
		if err != nil {
			return "", err
		}
		for _, m := range fs {
			if ms, _ := e.Rules.Set(m.Set); ms.Role != fixity.Master {
				continue
			}
			s, ok, err := registering.SoundAt(t, m.ID, m.Version)
			if err != nil {
				return "", err
			}
			if ok && (s.Rate > 44100 || s.Bits > 16) {
				return fmt.Sprintf("%g kHz, %d bit", s.Rate/1000, s.Bits), nil
			}
		}
	}
	return "", nil
}
