// Package aiff takes AIFF and AIFC files apart: Apple, Audio Interchange File
// Format 1.3 (1989), and AIFF-C, draft of 26 August 1991.
package aiff

import (
	"encoding/binary"
	"math"
	"strings"

	"firmus/fixity/essence/pcm"
	"firmus/fixity/essence/sound"
	"firmus/fixity/essence/track"
	"firmus/fixity/essence/walk"
)

// Is says that a file that begins with b, 12 bytes or more, is one of these.
func Is(b []byte) bool {
	return len(b) >= 12 && string(b[:4]) == "FORM" && (string(b[8:12]) == "AIFF" || string(b[8:12]) == "AIFC")
}

// File is an AIFF or AIFC file that is being taken apart.
type File struct {
	track.Track
	chunks walk.Chunks
	form   uint32  // the form's size as its header has it
	comm   *common // nil until the Common Chunk
	ssnd   bool    // the Sound Data Chunk was met
	first  int64   // of its body
	there  int64   // bytes of samples that it has room for
	opened bool    // the header was never completed
}

// New begins a file of the given size.
func New(size int64) *File {
	f := &File{}
	f.chunks = walk.Chunks{
		Size: size, Order: binary.BigEndian, Data: "SSND", FormEnd: -1,
		SizeCode: sound.FormSize, Handler: f,
	}
	f.chunks.Sink = f.Track.Samples
	f.chunks.Begin(walk.Step{Need: 12, Then: f.begin})
	return f
}

// Walker is to be fed the file, by Write or by ReadAt.
func (f *File) Walker() *walk.Walker { return &f.chunks.Walker }

func (f *File) begin(b []byte) walk.Step {
	f.form = binary.BigEndian.Uint32(b[4:])
	f.Sound.Format = sound.AIFF
	if string(b[8:12]) == "AIFC" {
		f.Sound.Format = sound.AIFC
	}
	if f.form != 0 && f.form != math.MaxUint32 {
		f.chunks.FormEnd = 8 + int64(f.form)
	}
	return f.chunks.Next()
}

// ssndHead is offset and blockSize, which lie before the samples.
const ssndHead = 8

// Chunk implements walk.Handler.
func (f *File) Chunk(id string, size uint32, at int64) (int64, int) {
	length := int64(size)
	switch id {
	case "COMM":
		return length, 22
	case "SSND":
		if f.ssnd {
			f.chunks.Note(sound.TwoData, at-8, length)
			break
		}
		f.ssnd, f.first = true, at
		if f.open(size, at) {
			f.chunks.Note(sound.HeaderOpen, 4, 0)
			f.chunks.FormEnd, f.opened = -1, true
			length = f.chunks.Size - at
		}
		return length, ssndHead
	}
	return length, 0
}

// streamed is the number of bytes of samples, rounded down to whole frames, that
// one widespread program (sox 14.4.2, by trial) writes where it can't go back to
// write the true one.
const streamed = 0x7f000000

func (f *File) open(size uint32, at int64) bool {
	there := f.chunks.Size - at
	if size == math.MaxUint32 || size == 0 && there > 0 && f.form == 0 {
		return true
	}
	return f.comm != nil && f.comm.frame > 0 && int64(size) > there &&
		size == ssndHead+streamed-streamed%uint32(f.comm.frame)
}

// Head implements walk.Handler.
func (f *File) Head(id string, b []byte) (skip, pass int64) {
	switch {
	case id == "COMM" && f.comm == nil:
		f.comm = readCommon(b, f.Sound.Format)
		f.describe()
		if f.ssnd {
			f.chunks.Note(sound.FormatLate, f.chunks.At(), 0)
			f.settle()
		}
	case id == "SSND" && f.chunks.At() == f.first+int64(len(b)) && len(b) == ssndHead:
		skip = int64(binary.BigEndian.Uint32(b))
		f.Sound.DataOffset = f.chunks.At() + skip
		f.there = max(0, f.chunks.Size-f.Sound.DataOffset)
		if !f.opened {
			f.there = max(0, min(f.there, f.chunks.Left()-skip))
		}
		f.Sound.DataLength = f.there
		if f.comm != nil {
			f.settle()
			return skip, f.Begin()
		}
	}
	return skip, 0
}

// settle holds the Common Chunk's number of frames against the room for them.
func (f *File) settle() {
	if f.Sound.BytesPerFrame == 0 || f.opened {
		return
	}
	n := int64(f.comm.frames) * int64(f.Sound.BytesPerFrame)
	switch {
	case n > f.there && f.chunks.Left() <= f.chunks.Size-f.chunks.At():
		f.chunks.Note(sound.CountWrong, f.comm.at, n-f.there)
	case n < f.there:
		// What lies behind the last frame of the Sound Data Chunk isn't sound.
		f.chunks.Note(sound.CountWrong, f.comm.at, f.there-n)
		if n > 0 {
			f.Sound.DataLength = n
		}
	}
}

// describe says what the Common Chunk means.
func (f *File) describe() {
	s, c := &f.Sound, f.comm
	c.at = f.chunks.At()
	s.Codec, s.Rate, s.Channels, s.Bits = c.codec, c.rate, c.channels, c.bits
	each := (c.bits + 7) / 8
	form := pcm.Form{Bits: c.bits, Bytes: each, BigEndian: !c.little, Unsigned: c.unsigned}
	switch c.codec {
	case sound.PCM:
	case sound.Float:
		each = c.float / 8
		s.Bits = c.float
		form = pcm.Form{Bits: c.float, Bytes: each, BigEndian: true}
	case "alaw", "ulaw":
		// sampleSize is that of the expanded samples, 16, in most files.
		each = 1
		form = pcm.Form{Bits: 8, Bytes: 1, AsIs: true}
	default:
		f.chunks.Note(sound.OtherCodec, f.chunks.At(), 0)
		f.Form = pcm.Form{AsIs: true}
		return
	}
	if c.short || c.channels <= 0 || !(c.rate >= 1 && c.rate < 1<<31) || !form.Valid() {
		f.chunks.Note(sound.FormatOdd, f.chunks.At(), 0)
		s.Rate = 0
		return
	}
	c.frame = each * c.channels
	s.BytesPerFrame, s.BytesPerSample = c.frame, each
	f.Form = form
}

// Finish is called when the file is over. It gives what is known of it.
func (f *File) Finish() (sound.Sound, []sound.Note) {
	f.chunks.Finish()
	switch {
	case !f.ssnd:
		f.chunks.Note(sound.NoData, f.chunks.Size, 0)
	case f.Sound.DataLength == 0:
		f.chunks.Note(sound.DataEmpty, f.first, 0)
	}
	if f.comm == nil {
		f.chunks.Note(sound.NoFormat, f.chunks.Size, 0)
	}
	if !f.opened && (f.form == 0 || f.form == math.MaxUint32) {
		f.chunks.Note(sound.FormSize, 4, 0)
	}
	f.Close(&f.chunks)
	return f.Sound, f.chunks.Notes
}

// common is a Common Chunk.
type common struct {
	at              int64
	channels, bits  int
	frames          uint32
	rate            float64
	codec           string
	little          bool
	unsigned, short bool
	float           int // bits of floating point samples
	frame           int // bytes, 0 if unknown
}

func readCommon(b []byte, format sound.Format) *common {
	if len(b) < 18 || format == sound.AIFC && len(b) < 22 {
		return &common{short: true, codec: sound.PCM}
	}
	be := binary.BigEndian
	c := &common{
		channels: int(int16(be.Uint16(b))), frames: be.Uint32(b[2:]),
		bits: int(int16(be.Uint16(b[6:]))), rate: Extended(b[8:18]), codec: sound.PCM,
	}
	if format != sound.AIFC {
		return c
	}
	switch kind := string(b[18:22]); kind {
	case "NONE", "twos":
	case "sowt":
		c.little = true
	case "raw ":
		c.unsigned = true
	case "in24":
		c.bits = 24
	case "in32":
		c.bits = 32
	case "fl32", "FL32":
		c.codec, c.float = sound.Float, 32
	case "fl64", "FL64":
		c.codec, c.float = sound.Float, 64
	case "alaw", "ulaw", "ALAW", "ULAW":
		c.codec = strings.ToLower(kind)
	default:
		c.codec = strings.Map(func(r rune) rune {
			if r < 0x20 || r > 0x7e {
				return '?'
			}
			return r
		}, kind)
	}
	return c
}

// Extended reads an 80-bit floating point number, big endian: a sign, 15 bits of
// exponent with a bias of 16383, and 64 bits of mantissa whose highest is the
// whole one (AIFF 1.3, "extended"; Apple Numerics Manual). Infinite numbers and
// those that are none give 0.
func Extended(b []byte) float64 {
	exp := int(binary.BigEndian.Uint16(b))
	mantissa := binary.BigEndian.Uint64(b[2:10])
	negative := exp&0x8000 != 0
	exp &= 0x7fff
	if exp == 0x7fff {
		return 0
	}
	x := math.Ldexp(float64(mantissa), exp-16383-63)
	if math.IsInf(x, 0) {
		return 0
	}
	if negative {
		x = -x
	}
	return x
}
