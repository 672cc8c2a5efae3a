package acts

import (
	"errors"
	"fmt"

	"firmus/cmd/firmus/internal/shelf"
	"firmus/fixity"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// pausesOf are the pauses that a burning program put before tracks, where every file
// was found on the disc and its length is known.
func pausesOf(t *ledger.Tx, c CheckedDisc) ([]shelf.Pause, bool, error) {
	var out []shelf.Pause
	end := int64(-1)
	for _, f := range c.Files {
		s, ok, err := soundAt(t, f.File, f.Version)
		if err != nil {
			return nil, false, err
		}
		if !ok || !layoutFits(s) || f.LBA < 0 || f.Track == 0 || f.LBA < end {
			return nil, false, nil
		}
		if end >= 0 && f.LBA > end {
			out = append(out, shelf.Pause{Track: f.Track, Sectors: f.LBA - end})
		}
		end = f.LBA + (s.Frames+sectorSamples-1)/sectorSamples
	}
	return out, end >= 0, nil
}

// finerMaster is how the masters are recorded of which a disc holds access files, where
// that is more than the disc can hold; "" if there is none, or it isn't known.
func (e *Env) finerMaster(t *ledger.Tx, c CheckedDisc) (string, error) {
	seen := map[string]bool{}
	for _, f := range c.Files {
		set, _ := e.Rules.Set(f.Set)
		item := set.ItemOf(f.Path)
		if item == "" || seen[item] {
			continue
		}
		seen[item] = true
		fs, err := t.FilesOfItem(item)
		if err != nil {
			return "", err
		}
		for _, m := range fs {
			if ms, _ := e.Rules.Set(m.Set); ms.Role != fixity.Master {
				continue
			}
			s, ok, err := soundAt(t, m.ID, m.Version)
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

// soundAt is how the sound of a version is recorded; false: it isn't known.
func soundAt(t *ledger.Tx, file, version int64) (s sound.Sound, ok bool, err error) {
	x, err := t.Sound(file, version)
	if errors.Is(err, fixity.ErrNotFound) {
		return s, false, nil
	}
	if err != nil {
		return s, false, err
	}
	s, ok = recorded(x)
	return s, ok, nil
}
