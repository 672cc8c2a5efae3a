// Package sound holds the nouns of package essence: what is known of the sound in
// a file, and the notes on what is odd about the file. The readers of each format
// and package essence itself share them.
package sound

import (
	"time"

	"firmus/fixity"
)

// Format is the kind of sound file. Stored: never change one.
type Format string

// The formats that are taken apart. Anything else is Opaque.
const (
	Opaque Format = ""
	WAVE   Format = "wave"
	BWF    Format = "bwf"  // WAVE with a bext chunk, EBU Tech 3285
	RF64   Format = "rf64" // EBU Tech 3306
	BW64   Format = "bw64" // ITU-R BS.2088
	AIFF   Format = "aiff"
	AIFC   Format = "aifc"
	FLAC   Format = "flac" // RFC 9639
)

// Codecs whose samples are numbers; any other codec is named as its file names it.
const (
	PCM   = "pcm"   // whole numbers
	Float = "float" // IEEE 754
)

// Sound is what is known of the sound in a file. What is not known is zero.
type Sound struct {
	Format   Format        `json:",omitzero"`
	Codec    string        `json:",omitzero"` // PCM, Float, "alaw", "ulaw"; else WAVE's tag as "0x0055", AIFC's four letters; PCM for FLAC
	Rate     float64       `json:",omitzero"` // frames a second
	Bits     int           `json:",omitzero"` // significant bits of a sample
	Channels int           `json:",omitzero"` //
	Frames   int64         `json:",omitzero"` // samples of each channel
	Duration time.Duration `json:",omitzero"` // Frames / Rate, to the nearest nanosecond

	DataOffset     int64 `json:",omitzero"` // first byte of the samples in the file
	DataLength     int64 `json:",omitzero"` // bytes of samples that are there, compressed or not
	BytesPerFrame  int   `json:",omitzero"` // 0 where the samples are compressed
	BytesPerSample int   `json:",omitzero"` // in the file, padding included; 0 where the samples are compressed

	// Samples is the digest of the samples as package pcm defines it, the same
	// for WAVE, AIFF and FLAC files that hold the same samples at the same depth.
	// It is of the whole frames that are there, so a file that was cut short has
	// one too. Zero where only the structure was read, and for FLAC that was not
	// decoded.
	Samples fixity.Digest `json:",omitzero"`

	// Silent is how much of the sound is exact digital silence, in stretches of more
	// than 0.1 seconds; Stretch is the longest of them. Those at the beginning and at
	// the end count. Zero where the samples were not read.
	Silent, Stretch time.Duration `json:",omitzero"`

	// Begins is the digital silence of more than 0.1 seconds that the sound begins with, and
	// Peak its highest sample, whatever its sign, of which 2^31 is full scale. Zero where the
	// samples were not read, or are no whole numbers.
	Begins time.Duration `json:",omitempty"`
	Peak   int64         `json:",omitempty"`

	// MD5 is what a FLAC file says of its samples, zero if it doesn't.
	MD5 fixity.Digest `json:",omitzero"`

	Broadcast *Broadcast `json:",omitzero"` // nil without a bext chunk
}

// Broadcast is the description of a broadcast wave, as its writer wrote it: none
// of it is checked. EBU Tech 3285 version 2, section 2.3.
type Broadcast struct {
	Description string
	Originator  string
	Reference   string
	Date, Time  string // yyyy-mm-dd, hh-mm-ss in the standard; writers differ
	Since       uint64 // the first sample, counted in samples since midnight
	Version     uint16
}

// Alike says that two sounds are the same, sample for sample, and are to be
// played alike. False where a digest is lacking.
func Alike(a, b Sound) bool {
	return !a.Samples.IsZero() && a.Samples == b.Samples && a.Codec == b.Codec &&
		a.Rate == b.Rate && a.Bits == b.Bits && a.Channels == b.Channels
}

// Count sets Frames from DataLength where frames have a length, and Duration.
func (s *Sound) Count() {
	if s.BytesPerFrame > 0 {
		s.Frames = s.DataLength / int64(s.BytesPerFrame)
	}
	s.Duration = s.At(s.Frames)
}

// At is the time at which a frame begins, 0 if the rate isn't known.
func (s Sound) At(frame int64) time.Duration {
	const most = 1 << 33 // seconds; a time.Duration holds a little more
	if !(s.Rate > 0) || frame <= 0 || float64(frame)/s.Rate > most {
		return 0
	}
	// Whole seconds are taken off first, since the product with 1e9 would lose
	// the nanoseconds of long recordings.
	sec := int64(float64(frame) / s.Rate)
	rest := float64(frame) - float64(sec)*s.Rate
	return time.Duration(sec)*time.Second + time.Duration(rest*1e9/s.Rate+0.5)
}
