package acts

import (
	"encoding/json"
	"fmt"
	"io"

	"firmus/fixity/damage"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// SoundNote is something odd about a file itself, told at intake.
type SoundNote struct {
	Set   string     `json:"set"`
	Path  string     `json:"path"`
	Code  sound.Code `json:"code"`
	Means string     `json:"means"`
	Whole bool       `json:"whole"` // false: the file is not whole
}

// listener looks at the sound of a file that is being read.
type listener struct{ tap *essence.Tap }

// tee is for audit.TakeThrough: at intake FLAC is decoded too.
func (l *listener) tee(size int64) io.Writer {
	l.tap = essence.NewDecodingTap(size)
	return l.tap
}

// close ends the decoder where heard was not called.
func (l *listener) close() {
	if l.tap != nil {
		l.tap.Close()
	}
}

// heard is what is known of the sound once all has been read.
func (l *listener) heard() (ledger.Sound, []sound.Note, error) {
	if l.tap == nil {
		return ledger.Sound{}, nil, nil
	}
	s, notes, err := l.tap.Sound()
	if err != nil {
		return ledger.Sound{}, nil, err
	}
	out := ledger.Sound{Samples: s.Samples, Duration: s.Duration}
	if s.Format != sound.Opaque {
		b, err := json.Marshal(s)
		if err != nil {
			return out, nil, err
		}
		out.JSON = string(b)
	}
	for _, n := range notes {
		out.Notes = append(out.Notes, ledger.SoundNote{Code: string(n.Code), At: n.At, Length: n.Length, Since: n.From, Until: n.To, Count: n.Count})
	}
	return out, notes, nil
}

// worthTelling are the notes that a person should hear of at intake: all but that a
// file is of no kind that is known here.
func worthTelling(set, path string, notes []sound.Note) []SoundNote {
	var out []SoundNote
	for _, n := range notes {
		m := n.Meaning()
		if n.Code == sound.OpaqueFile || m.Weight == sound.Odd || n.Code == sound.PaddingBits || n.Code == sound.FLACNoMD5 || n.Code == sound.ZerosMore {
			continue
		}
		means := m.Means
		if n.To > n.From {
			means += fmt.Sprintf(", %s to %s", damage.Clock(n.From), damage.Clock(n.To))
		}
		out = append(out, SoundNote{set, ledger.DisplayPath(path), n.Code, means, m.Weight != sound.Breaks})
	}
	return out
}

// LayoutOf is where the samples lie in a version's file, by the ledger.
func LayoutOf(s ledger.Sound) (damage.Layout, bool) {
	x, ok := recorded(s)
	return layoutOf(x), ok && x.Rate > 0
}

// recorded is how the sound of a version is recorded, by the ledger. false: it isn't
// known there.
func recorded(s ledger.Sound) (x sound.Sound, ok bool) {
	ok = s.JSON != "" && json.Unmarshal([]byte(s.JSON), &x) == nil
	return x, ok
}

func layoutOf(x sound.Sound) damage.Layout {
	return damage.Layout{DataOffset: x.DataOffset, DataLength: x.DataLength, BytesPerFrame: x.BytesPerFrame, BytesPerSample: x.BytesPerSample,
		Channels: x.Channels, Rate: x.Rate, Frames: x.Frames}
}
