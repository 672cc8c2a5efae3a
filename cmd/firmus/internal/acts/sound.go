package acts

import (
	"context"
	"encoding/json"
	"fmt"
	"io"

	"firmus/fixity"
	"firmus/fixity/audit"
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
func (l *listener) heard() (ledger.Sound, error) {
	if l.tap == nil {
		return ledger.Sound{}, nil
	}
	s, notes, err := l.tap.Sound()
	if err != nil {
		return ledger.Sound{}, err
	}
	out := ledger.Sound{Samples: s.Samples, Duration: s.Duration, Notes: notes}
	if s.Format != sound.Opaque {
		b, err := json.Marshal(s)
		if err != nil {
			return out, err
		}
		out.JSON = string(b)
	}
	return out, nil
}

// takeHearing reads a file in a store, and listens to it on the way.
func (e *Env) takeHearing(ctx context.Context, store, set, at string, cache fixity.Cache, algs ...fixity.Algorithm) (audit.Taken, ledger.Sound, error) {
	var hear listener
	defer hear.close()
	taken, err := e.auditor().TakeThrough(ctx, store, set, at, cache, hear.tee, algs...)
	if err != nil {
		return taken, ledger.Sound{}, err
	}
	s, err := hear.heard()
	return taken, s, err
}

// listen gives who listens to a file that may have been saved while it was being
// edited: a save that lost something is no version.
func (e *Env) listen(s fixity.Shard, _ string, size int64) audit.Listener {
	set, _ := e.Rules.Set(s.Set)
	if rule, _ := e.Rules.Store(s.Store); set.Role != fixity.Access || !rule.Arrivals {
		return nil
	}
	l := &saveListener{}
	l.Writer = l.tee(size)
	return l
}

// saveListener is a listener as an audit's reading takes it.
type saveListener struct {
	listener
	io.Writer
}

// Heard is what was heard, in the form in which a reading carries it to the ledger.
func (l *saveListener) Heard() (string, error) {
	s, err := l.heard()
	if err != nil {
		return "", err
	}
	return s.Encode()
}

// Close ends the decoder, if there is one.
func (l *saveListener) Close() error {
	l.close()
	return nil
}

// worthTelling are the notes that a person should hear of at intake: all but that a
// file is of no kind that is known here. Stretches of silence are one note.
func worthTelling(set, path string, notes []sound.Note) []SoundNote {
	var out []SoundNote
	var silent []sound.Note
	more := int64(0)
	for _, n := range notes {
		m := n.Meaning()
		switch {
		case n.Code == sound.Zeros:
			silent = append(silent, n)
			continue
		case n.Code == sound.ZerosMore:
			more += n.Count
			continue
		case n.Code == sound.OpaqueFile || m.Weight == sound.Odd || n.Code == sound.PaddingBits || n.Code == sound.FLACNoMD5:
			continue
		}
		out = append(out, SoundNote{set, ledger.DisplayPath(path), n.Code, m.Means + stretch(n), m.Weight != sound.Breaks})
	}
	if len(silent) > 0 {
		out = append(out, SoundNote{set, ledger.DisplayPath(path), sound.Zeros, silent[0].Meaning().Means + stretches(silent, more), true})
	}
	return out
}

// stretch is where in the recording a note is, in words; "" if it isn't of a stretch.
func stretch(n sound.Note) string {
	if n.To <= n.From {
		return ""
	}
	return fmt.Sprintf(", %s to %s", damage.Clock(n.From), damage.Clock(n.To))
}

// named is how many stretches of a file are named; the rest is counted.
const named = 5

func stretches(notes []sound.Note, more int64) string {
	said := ""
	for _, n := range notes[:min(len(notes), named)] {
		said += stretch(n)
	}
	if more += int64(max(0, len(notes)-named)); more > 0 {
		said += fmt.Sprintf(" and %d more", more)
	}
	return said
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
