// Package flac reads the header of FLAC files and decodes them, to prove that they
// are whole and to digest their samples (RFC 9639). Ogg FLAC is not read.
package flac

import (
	"encoding/binary"

	"firmus/fixity"
	"firmus/fixity/essence/sound"
	"firmus/fixity/essence/walk"
)

// Is says that a file that begins with b, 10 bytes or more, may be FLAC: it begins
// with the signature, or with an ID3 version 2 tag, behind which it may come.
func Is(b []byte) bool {
	return len(b) >= 10 && (string(b[:4]) == "fLaC" || string(b[:3]) == "ID3")
}

// File is the header of a FLAC file that is being taken apart.
type File struct {
	Sound sound.Sound
	Notes []sound.Note

	walk.Walker
	size   int64
	last   bool // the metadata block begun is the last
	begun  bool // the signature was there
	frames bool // the frames were reached

	every int64 // samples of each frame but the last; 0: frames differ
}

// New begins a file of the given size.
func New(size int64) *File {
	f := &File{size: size}
	f.Begin(walk.Step{Need: 10, Then: f.start})
	return f
}

// Walk is to be fed the file, by Write or by ReadAt.
func (f *File) Walk() *walk.Walker { return &f.Walker }

func (f *File) note(code sound.Code, at, length int64) {
	f.Notes = append(f.Notes, sound.Note{Code: code, At: at, Length: length})
}

// start looks at the first bytes. An ID3 version 2 tag has a header of 10 bytes,
// the last four of which are its length, 7 bits a byte, and by a flag a footer of
// 10 more (ID3 tag version 2.4.0, section 3.1; from memory). RFC 9639 knows no
// such tag, but writers put it there.
func (f *File) start(b []byte) walk.Step {
	if string(b[:3]) != "ID3" {
		return f.signature(b)
	}
	n := int64(0)
	for _, x := range b[6:10] {
		n = n<<7 | int64(x&0x7f)
	}
	if b[5]&0x10 != 0 {
		n += 10
	}
	f.note(sound.Prefixed, 0, 10+n)
	return walk.Step{Skip: n, Then: func([]byte) walk.Step {
		return walk.Step{Need: 10, Then: f.signature}
	}}
}

// signature reads "fLaC" (section 6). What is there too belongs to the first block.
func (f *File) signature(b []byte) walk.Step {
	if string(b[:4]) != "fLaC" {
		return walk.Step{}
	}
	f.begun = true
	f.Sound.Format, f.Sound.Codec = sound.FLAC, sound.PCM
	return walk.Step{Need: 4 + infoLength, Keep: b[4:], Then: f.info}
}

// infoLength is the length of a streaminfo block.
const infoLength = 34

// info reads the header of the first block, which must be streaminfo, and the
// block (section 8.2).
func (f *File) info(b []byte) walk.Step {
	if b[0]&0x7f != 0 || b[1] != 0 || b[2] != 0 || b[3] != infoLength {
		return walk.Step{}
	}
	f.last = b[0]&0x80 != 0
	b = b[4:]
	if b[0] == b[2] && b[1] == b[3] {
		f.every = int64(binary.BigEndian.Uint16(b))
	}
	s := &f.Sound
	x := binary.BigEndian.Uint64(b[10:])
	s.Rate = float64(x >> 44)
	s.Channels = int(x>>41&7) + 1
	s.Bits = int(x>>36&31) + 1
	s.Frames = int64(x & (1<<36 - 1))
	if sum := [16]byte(b[18:]); sum != [16]byte{} {
		s.MD5 = fixity.DigestOf(fixity.MD5, sum[:])
	}
	return f.next()
}

func (f *File) next() walk.Step {
	if f.last {
		f.frames = true
		f.Sound.DataOffset = f.At()
		f.Sound.DataLength = max(0, f.size-f.At())
		return walk.Step{}
	}
	return walk.Step{Need: 4, Then: f.block}
}

// block leaves any other metadata block out (section 8.1).
func (f *File) block(b []byte) walk.Step {
	if b[0]&0x7f == 127 {
		return walk.Step{} // forbidden, since it looks like a frame
	}
	f.last = b[0]&0x80 != 0
	n := int64(b[1])<<16 | int64(b[2])<<8 | int64(b[3])
	return walk.Step{Skip: n, Then: func([]byte) walk.Step { return f.next() }}
}

// finish adds what the header shows by itself.
func (f *File) finish() {
	f.Sound.Count()
	switch {
	case !f.begun:
		// Another file that begins with an ID3 tag.
		f.Sound, f.Notes = sound.Sound{}, nil
		f.note(sound.OpaqueFile, 0, 0)
		return
	case !f.frames:
		f.note(sound.FLACHeader, min(f.At(), f.size), 0)
		return
	case f.Sound.DataLength == 0:
		f.note(sound.DataEmpty, f.Sound.DataOffset, 0)
	case f.Sound.Frames == 0:
		f.note(sound.HeaderOpen, 4, 0)
	}
	if f.Sound.MD5.IsZero() {
		f.note(sound.FLACNoMD5, 4, 0)
	}
}

// Finish is called when the file is over, where it wasn't decoded. It gives what
// the header says, with a note that this is all that is known.
func (f *File) Finish() (sound.Sound, []sound.Note) {
	f.finish()
	if f.frames && f.Sound.DataLength > 0 {
		f.note(sound.FLACNotDecoded, f.Sound.DataOffset, 0)
	}
	return f.Sound, f.Notes
}
