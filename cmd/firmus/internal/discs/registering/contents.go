package registering

import (
	"errors"
	"fmt"

	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// SameContents refuses discs that hold different things: which one is meant must be said.
func SameContents(t *ledger.Tx, ds []ledger.Disc) error {
	var first []ledger.DiscFile
	for i, d := range ds {
		fs, err := t.Discs.FilesOn(d.ID)
		if err != nil {
			return err
		}
		if i == 0 {
			first = fs
			continue
		}
		if d.Kind != ds[0].Kind || !discs.Same(first, fs) {
			return fmt.Errorf("there are %s, and they don't hold the same: say which, with all that is written on the disc: %w", discs.Names(ds), fixity.ErrRefused)
		}
	}
	return nil
}

// SoundAt is how the sound of a version is recorded; false: it isn't known.
func SoundAt(t *ledger.Tx, file, version int64) (s sound.Sound, ok bool, err error) {
	x, err := t.Files.Sound(file, version)
	if errors.Is(err, fixity.ErrNotFound) {
		return s, false, nil
	}
	if err != nil {
		return s, false, err
	}
	s, ok = hearing.Recorded(x)
	return s, ok, nil
}

// ItemSide is the item that a path is of, with its side: "QV-0107 side A"; "" if nothing
// says it.
func ItemSide(rules care.Rules, set, path string) string {
	s, _ := rules.Set(set)
	f := s.FieldsOf(path)
	if f.Item == "" || f.Side == "" {
		return f.Item
	}
	return f.Item + " side " + f.Side
}

// AsOnDisc says that a version can go onto an audio disc as it is.
func AsOnDisc(s sound.Sound) bool {
	return s.Codec == sound.PCM && s.Rate == 44100 && s.Bits == 16 && s.Channels == 2
}

// FormatOf is how a file is recorded, "" where it can go onto an audio disc as it is.
func FormatOf(s sound.Sound) string {
	if AsOnDisc(s) {
		return ""
	}
	ch := fixity.Count(s.Channels, "channel")
	switch s.Channels {
	case 1:
		ch = "mono"
	case 2:
		ch = "stereo"
	}
	return fmt.Sprintf("%g kHz, %d bit, %s", s.Rate/1000, s.Bits, ch)
}
