// Package track follows the samples of one file as they pass by: it digests them
// and looks for digital silence. The readers of formats build on it.
package track

import (
	"firmus/fixity/essence/pcm"
	"firmus/fixity/essence/sound"
	"firmus/fixity/essence/walk"
)

// MostZeros is how many stretches of digital silence get a note of their own.
const MostZeros = 100

// Track is the sound of a file that is being taken apart.
type Track struct {
	Sound sound.Sound
	Form  pcm.Form // of the samples; zero if they can't be digested

	digest *pcm.Digester
	zeros  *pcm.Zeros
	peak   *pcm.Peak
	passed int64
	found  []sound.Note
	more   int64
}

// Begin is called where the samples begin. It gives how many bytes of them are to
// pass: the whole frames that are there.
func (t *Track) Begin() int64 {
	if t.Form == (pcm.Form{}) {
		return 0
	}
	n := t.Sound.DataLength
	t.digest = pcm.New(t.Form)
	if f := int64(t.Sound.BytesPerFrame); f > 0 {
		n = n / f * f
	}
	if t.Sound.Codec == sound.PCM || t.Sound.Codec == sound.Float {
		t.zeros = Silence(t.Sound, t.Form, t.zero)
	}
	if t.Sound.Codec == sound.PCM {
		t.peak = pcm.NewPeak(t.Form)
	}
	return n
}

// Silence makes a detector of stretches of more than 0.1 seconds of digital silence.
func Silence(s sound.Sound, f pcm.Form, found func(from, to int64)) *pcm.Zeros {
	value := byte(0)
	if f.Unsigned {
		value = 0x80
	}
	return pcm.NewZeros(value, f.Bytes*s.Channels, int64(s.Rate/10), found)
}

// SumUp says in s how much of its sound is digital silence.
func SumUp(s *sound.Sound, z *pcm.Zeros) {
	total, longest := z.Sum()
	each := z.Frame()
	s.Silent, s.Stretch, s.Begins = s.At(total/each), s.At(longest/each), s.At(z.Lead()/each)
}

// Samples takes the samples as they pass.
func (t *Track) Samples(p []byte) {
	if t.digest == nil {
		return
	}
	t.passed += int64(len(p))
	t.digest.Write(p)
	if t.zeros != nil {
		t.zeros.Write(p)
	}
	if t.peak != nil {
		t.peak.Write(p)
	}
}

func (t *Track) zero(from, to int64) {
	if len(t.found) >= MostZeros {
		t.more++
		return
	}
	f := int64(t.Sound.BytesPerFrame)
	t.found = append(t.found, sound.Note{
		Code: sound.Zeros, At: t.Sound.DataOffset + from, Length: to - from,
		From: t.Sound.At(from / f), To: t.Sound.At(to / f),
	})
}

// Close counts frames, and adds the digest and the notes on the samples.
func (t *Track) Close(c *walk.Chunks) {
	s := &t.Sound
	s.Count()
	if f := int64(s.BytesPerFrame); f > 0 && s.DataLength%f != 0 {
		c.Note(sound.PartFrame, s.DataOffset+s.DataLength/f*f, s.DataLength%f)
	}
	if t.digest != nil && t.passed > 0 {
		var bits int
		if s.Samples, bits = t.digest.Sum(); bits != t.Form.Bits {
			c.Note(sound.PaddingBits, s.DataOffset, 0)
			s.Bits = bits
		}
	}
	if t.zeros != nil {
		SumUp(s, t.zeros)
	}
	if t.peak != nil {
		s.Peak = t.peak.High()
	}
	c.Notes = append(c.Notes, t.found...)
	if t.more > 0 {
		c.Notes = append(c.Notes, sound.Note{Code: sound.ZerosMore, At: s.DataOffset, Count: t.more})
	}
}
