package demo

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"
	"github.com/mewkiz/flac/meta"

	"firmus/fixity"
)

// What a week brings, after the holdings were first taken in.
const (
	// CutTransfer was cut short when the stick was pulled; Silenced has a stretch of
	// exact zeros, which no tape gives. Both are told when they are taken in.
	CutTransfer = "QV-0120/QV-0120_B.wav"
	Silenced    = "QV-0121/QV-0121_A.wav"
	// Reedited is saved once more long after it was finished.
	Reedited = "QV-0120/QV-0120_A_01.wav"
	// Migrated takes the place of Original, with the same samples.
	Original = "QV-0121/QV-0121_B.wav"
	Migrated = "QV-0121/QV-0121_B.flac"
	// Filed is the folder of many short songs that is given another name.
	Filed, Refiled = "QV-0122", "QV-0122 children's songs"
	// Retagged gets another title written into the description in the file.
	Retagged = "QV-0120/QV-0120_A.wav"
	// Songs is how many files lie in it.
	Songs = 24
)

// NotWhole is what an audit must go on saying of CutTransfer.
var NotWhole = Planted{studio, masters, CutTransfer, "", fixity.OfFile, fixity.Unfinished, "", fixity.AtRisk,
	"the stick was pulled before the end of the transfer: what is there is a copy of that, in each store", "Keep the reel and the stick, and transfer it again."}

// song makes a WAVE file that doesn't belong to Make's reels.
func song(name string, rate, bits, ms int) []byte {
	n := ms * rate / 1000
	all := tuneOf(name, ms+1000).play(rate, 1, 0, n, tapeHiss, seeded(name))
	if bits == 24 {
		return wave(broadcast{description: untitled, reference: name, date: "2024-05-06", time: "10-00-00"}.encode(), format(rate, 1, bits), samples(all, bits))
	}
	return wave(format(rate, 1, bits), samples(all, bits))
}

// untitled stands in the description of a new transfer until somebody knows better.
const untitled = "Untitled song, to be identified."

// Retag writes a title into the description in a master of the studio, in the place
// of untitled: a program for such things touches no sample.
func Retag(dir string, now time.Time) error {
	name := place(dir, studio, masters, Retagged)
	b, err := os.ReadFile(name)
	if err != nil {
		return fmt.Errorf("retag: %w", err)
	}
	title := fmt.Sprintf("%-*s", len(untitled), "The Lamp in Emberley Window")
	return put(name, bytes.Replace(b, []byte(untitled), []byte(title), 1), past(now, 0))
}

// Week adds the transfers of a week to the studio and the vault: two that are not
// as they should be, and some that are. Call it once, after Make.
func Week(dir string, now time.Time) error {
	cut := song("QV-0120_B", 48000, 24, 1800)
	silenced := song("QV-0121_A", 48000, 24, 2000)
	clear(silenced[len(silenced)/2 : len(silenced)/2+72_000]) // half a second of 24-bit samples
	files := []struct {
		set, path string
		b         []byte
	}{
		{masters, Retagged, song("QV-0120_A", 48000, 24, 1500)},
		{masters, CutTransfer, cut[:len(cut)*3/5]},
		{access, Reedited, song("QV-0120_A_01", 44100, 16, 900)},
		{masters, Silenced, silenced},
		{masters, Original, song("QV-0121_B", 48000, 24, 1700)},
	}
	for i := range Songs {
		p := fmt.Sprintf("%s/QV-0122_%02d.wav", Filed, i+1)
		files = append(files, struct {
			set, path string
			b         []byte
		}{access, p, song(p, 44100, 16, 300+7*i)})
	}
	for i, p := range Dances {
		files = append(files, struct {
			set, path string
			b         []byte
		}{access, p, dance(i)})
	}
	for i, f := range files {
		at := past(now, time.Duration(8*24+i)*time.Hour)
		for _, st := range stores {
			if err := put(place(dir, st, f.set, f.path), f.b, at); err != nil {
				return fmt.Errorf("the demo's week: %w", err)
			}
		}
	}
	return nil
}

// Reorganise gives a folder of the studio another name, as people do.
func Reorganise(dir string) error {
	return os.Rename(place(dir, studio, access, Filed), place(dir, studio, access, Refiled))
}

// Reedit saves a finished access file of the studio once more.
func Reedit(dir string, now time.Time) error {
	return put(place(dir, studio, access, Reedited), song("QV-0120_A_01 again", 44100, 16, 850), past(now, 0))
}

// Migrate encodes a master of the studio and of the vault as FLAC beside it.
func Migrate(dir string, now time.Time) error {
	b, err := os.ReadFile(place(dir, studio, masters, Original))
	if err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	out, err := encodeFLAC(b, 48000)
	if err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	for _, st := range stores {
		if err := put(place(dir, st, masters, Migrated), out, past(now, 0)); err != nil {
			return fmt.Errorf("migrate: %w", err)
		}
	}
	return nil
}

// encodeFLAC makes a FLAC file of a one-channel, 24-bit WAVE file of song's, without
// prediction: it shows that the samples are the same, not how small they get.
func encodeFLAC(wav []byte, rate uint32) ([]byte, error) {
	at := bytes.Index(wav, []byte("data"))
	if at < 0 {
		return nil, errors.New("no data chunk")
	}
	data := wav[at+8 : at+8+int(le.Uint32(wav[at+4:]))]
	const perFrame = 4096
	var buf seekBuffer
	enc, err := flac.NewEncoder(&buf, &meta.StreamInfo{BlockSizeMin: 16, BlockSizeMax: perFrame, SampleRate: rate, NChannels: 1, BitsPerSample: 24})
	if err != nil {
		return nil, err
	}
	all := make([]int32, len(data)/3)
	for i := range all {
		b := data[3*i:]
		all[i] = int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24) >> 8
	}
	for n := 0; len(all) > 0; n++ {
		part := all[:min(perFrame, len(all))]
		all = all[len(part):]
		f := &frame.Frame{
			Header:    frame.Header{HasFixedBlockSize: false, BlockSize: uint16(len(part)), SampleRate: rate, Channels: frame.ChannelsMono, BitsPerSample: 24, Num: uint64(n * perFrame)},
			Subframes: []*frame.Subframe{{SubHeader: frame.SubHeader{Pred: frame.PredVerbatim}, Samples: part, NSamples: len(part)}},
		}
		if err := enc.WriteFrame(f); err != nil {
			return nil, err
		}
	}
	if err := enc.Close(); err != nil {
		return nil, err
	}
	return buf.b, nil
}

// seekBuffer is memory that can be written like a file: the encoder goes back to its
// header when all samples are known.
type seekBuffer struct {
	b  []byte
	at int
}

func (s *seekBuffer) Write(p []byte) (int, error) {
	if end := s.at + len(p); end > len(s.b) {
		s.b = append(s.b, make([]byte, end-len(s.b))...)
	}
	s.at += copy(s.b[s.at:], p)
	return len(p), nil
}

func (s *seekBuffer) Seek(off int64, whence int) (int64, error) {
	switch whence {
	case 0:
		s.at = int(off)
	case 1:
		s.at += int(off)
	default:
		s.at = len(s.b) + int(off)
	}
	return int64(s.at), nil
}
