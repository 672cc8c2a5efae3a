// Package riff takes WAVE files apart: RIFF WAVE with plain and extensible formats
// (IBM and Microsoft, Multimedia Programming Interface and Data Specifications
// 1.0; Microsoft, Multiple Channel Audio Data and WAVE Files), broadcast waves
// with a bext chunk (EBU Tech 3285), and the long forms RF64 (EBU Tech 3306) and
// BW64 (ITU-R BS.2088). RIFX and Wave64 are not read.
package riff

import (
	"encoding/binary"
	"math"

	"firmus/fixity/essence/pcm"
	"firmus/fixity/essence/sound"
	"firmus/fixity/essence/track"
	"firmus/fixity/essence/walk"
)

// Is says that a file that begins with b, 12 bytes or more, is one of these.
func Is(b []byte) bool {
	if len(b) < 12 || string(b[8:12]) != "WAVE" {
		return false
	}
	id := string(b[:4])
	return id == "RIFF" || id == "RF64" || id == "BW64"
}

// unset is a 32-bit size that stands for a 64-bit one, or for none yet.
const unset = math.MaxUint32

// File is a WAVE file that is being taken apart.
type File struct {
	track.Track
	chunks walk.Chunks
	riff   uint32 // the form's size as its header has it
	long   bool   // RF64 or BW64
	ds64   *ds64
	fmt    *format
	data   bool // the data chunk was met
	opened bool // the header was never completed
}

// New begins a file of the given size.
func New(size int64) *File {
	f := &File{}
	f.chunks = walk.Chunks{
		Size: size, Order: binary.LittleEndian, Data: "data", FormEnd: -1,
		SizeCode: sound.FormSize, Handler: f,
	}
	f.chunks.Sink = f.Track.Samples
	f.chunks.Begin(walk.Step{Need: 12, Then: f.form})
	return f
}

// Walker is to be fed the file, by Write or by ReadAt.
func (f *File) Walker() *walk.Walker { return &f.chunks.Walker }

func (f *File) form(b []byte) walk.Step {
	f.riff = binary.LittleEndian.Uint32(b[4:])
	switch string(b[:4]) {
	case "RF64":
		f.Sound.Format, f.long = sound.RF64, true
	case "BW64":
		f.Sound.Format, f.long = sound.BW64, true
	default:
		f.Sound.Format = sound.WAVE
	}
	switch {
	case f.long:
		f.chunks.SizeCode = sound.DS64Wrong
	case f.wrapped():
		f.chunks.Note(sound.SizeWrapped, 4, 0)
	case f.riff != 0 && f.riff != unset:
		f.chunks.FormEnd = 8 + int64(f.riff)
	}
	return f.chunks.Next()
}

// wrapped says that the file is longer than 32 bits can count, and that its
// writer went on counting.
func (f *File) wrapped() bool {
	over := f.chunks.Size - 8 - int64(f.riff)
	return f.chunks.Size > 1<<32 && over > 0 && (over+1)%(1<<32) <= 2
}

// Chunk implements walk.Handler.
func (f *File) Chunk(id string, size uint32, at int64) (int64, int) {
	length := int64(size)
	switch id {
	case "ds64":
		return length, ds64Head
	case "fmt ":
		return length, 40
	case "bext":
		if size < bextLength {
			f.chunks.Note(sound.BextShort, at, int64(bextLength)-length)
		}
		return length, bextLength
	case "data":
		if f.data {
			f.chunks.Note(sound.TwoData, at-8, length)
			break
		}
		length = f.dataLength(size, at)
		f.data = true
		f.Sound.DataOffset = at
		f.Sound.DataLength = max(0, min(length, f.chunks.Size-at))
		return length, 0
	}
	if size == unset && f.long {
		length = f.ds64.length(id, f.chunks.Size-at)
	}
	return length, 0
}

// dataLength is the true length of the samples' chunk.
func (f *File) dataLength(size uint32, at int64) int64 {
	length, there := int64(size), f.chunks.Size-at
	if f.long {
		switch {
		case f.ds64 == nil:
			f.chunks.Note(sound.DS64Missing, 12, 0)
			if size == unset {
				return there
			}
		case size != unset:
			if f.ds64.data != uint64(size) && f.ds64.data != 0 {
				f.chunks.Note(sound.DS64Wrong, f.ds64.at, 0)
			}
		case f.ds64.data == 0:
			return f.open(there)
		default:
			length = clamp(f.ds64.data)
		}
		return length
	}
	if size == unset || size == 0 && there > 0 && (f.riff == 0 || f.riff == unset || 8+int64(f.riff) <= at) {
		return f.open(there)
	}
	if f.fmt != nil && f.fmt.align > 0 && length > there && size == streamed-streamed%uint32(f.fmt.align) {
		return f.open(there)
	}
	if f.wrapped() && there > length {
		length += (there - length) >> 32 << 32
	}
	return length
}

// streamed is the size that one widespread program (sox 14.4.2, by trial) writes,
// rounded down to whole frames, where it can't go back to write the true one.
const streamed = 0x7ffff000

// open is the length of samples whose header was never completed: all there is.
func (f *File) open(there int64) int64 {
	f.chunks.Note(sound.HeaderOpen, 4, 0)
	f.chunks.FormEnd = -1
	f.opened = true
	return there
}

func clamp(n uint64) int64 { return int64(min(n, 1<<62)) }

// Head implements walk.Handler.
func (f *File) Head(id string, b []byte) (skip, pass int64) {
	switch id {
	case "ds64":
		f.readDS64(b)
	case "bext":
		if f.Sound.Broadcast == nil {
			f.Sound.Broadcast = readBext(b)
		}
		if f.Sound.Format == sound.WAVE {
			f.Sound.Format = sound.BWF
		}
	case "fmt ":
		if f.fmt == nil {
			f.fmt = readFormat(b)
			f.describe()
			if f.data {
				f.chunks.Note(sound.FormatLate, f.chunks.At(), 0)
			}
		}
	case "data":
		if f.Sound.DataOffset == f.chunks.At() && f.fmt != nil {
			return 0, f.Begin()
		}
	}
	return 0, 0
}

// describe says what the format means.
func (f *File) describe() {
	s, m := &f.Sound, f.fmt
	s.Codec, s.Rate, s.Channels, s.Bits = m.codec(), float64(m.rate), m.channels, m.bits
	if m.short || m.channels == 0 || m.rate == 0 || m.align == 0 || m.align%m.channels != 0 {
		f.chunks.Note(sound.FormatOdd, f.chunks.At(), 0)
		return
	}
	each := m.align / m.channels
	form := pcm.Form{Bits: m.bits, Bytes: each, Unsigned: m.bits <= 8}
	switch s.Codec {
	case sound.PCM:
	case sound.Float:
		form = pcm.Form{Bits: 8 * each, Bytes: each, AsIs: true}
		if each != 4 && each != 8 || m.bits != 8*each {
			f.chunks.Note(sound.FormatOdd, f.chunks.At(), 0)
			return
		}
	case "alaw", "ulaw":
		form.AsIs = true
	default:
		f.chunks.Note(sound.OtherCodec, f.chunks.At(), 0)
		f.Form = pcm.Form{AsIs: true}
		return
	}
	if !form.Valid() || each > 8 {
		f.chunks.Note(sound.FormatOdd, f.chunks.At(), 0)
		return
	}
	s.BytesPerFrame, s.BytesPerSample = m.align, each
	f.Form = form
}

// Finish is called when the file is over. It gives what is known of it.
func (f *File) Finish() (sound.Sound, []sound.Note) {
	f.chunks.Finish()
	switch {
	case !f.data:
		f.chunks.Note(sound.NoData, f.chunks.Size, 0)
	case f.Sound.DataLength == 0:
		f.chunks.Note(sound.DataEmpty, f.Sound.DataOffset, 0)
	}
	if f.fmt == nil {
		f.chunks.Note(sound.NoFormat, f.chunks.Size, 0)
	}
	if f.ds64 != nil && f.Sound.Format == sound.RF64 && f.Sound.BytesPerFrame > 0 {
		// BS.2088 calls the count of samples a dummy; so it is held against RF64 only.
		if n := f.ds64.samples; n != 0 && n != math.MaxUint64 && clamp(n) != f.frames() {
			f.chunks.Note(sound.DS64Wrong, f.ds64.at, 0)
		}
	}
	if !f.long && !f.opened && (f.riff == 0 || f.riff == unset) {
		f.chunks.Note(sound.FormSize, 4, 0)
	}
	f.Close(&f.chunks)
	return f.Sound, f.chunks.Notes
}

// frames is how many the chunk should hold, whether they are there or not.
func (f *File) frames() int64 {
	n := f.Sound.DataLength
	if f.ds64.data != 0 {
		n = clamp(f.ds64.data)
	}
	return n / int64(f.Sound.BytesPerFrame)
}
