// Package hearing listens to the sound of a file while it is read for another purpose.
package hearing

import (
	"context"
	"io"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/damage"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

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
	return ledger.SoundOf(s, notes)
}

// Take reads a file in a store, and listens to it on the way.
func Take(ctx context.Context, aud *audit.Auditor, store, set, at string, cache fixity.Cache, algs ...fixity.Algorithm) (audit.Taken, ledger.Sound, error) {
	var hear listener
	defer hear.close()
	taken, err := aud.TakeThrough(ctx, store, set, at, cache, hear.tee, algs...)
	if err != nil {
		return taken, ledger.Sound{}, err
	}
	s, err := hear.heard()
	return taken, s, err
}

// Listen gives who listens to a file that holds other bytes than it should: a save that
// lost something is no version, and whoever decides must know how long each version is.
func Listen(_ fixity.Shard, _ string, size int64) audit.Listener {
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

// LayoutOf is where the samples lie in a version's file, by the ledger.
func LayoutOf(s ledger.Sound) (damage.Layout, bool) {
	x, ok := Recorded(s)
	return Layout(x), ok && x.Rate > 0
}

// Recorded is how the sound of a version is recorded, by the ledger. false: it isn't
// known there.
func Recorded(s ledger.Sound) (x sound.Sound, ok bool) {
	x, err := s.Recorded()
	return x, err == nil && s.JSON != ""
}

func Layout(x sound.Sound) damage.Layout {
	return damage.Layout{DataOffset: x.DataOffset, DataLength: x.DataLength, BytesPerFrame: x.BytesPerFrame, BytesPerSample: x.BytesPerSample,
		Channels: x.Channels, Rate: x.Rate, Frames: x.Frames}
}
