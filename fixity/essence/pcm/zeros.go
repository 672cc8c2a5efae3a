package pcm

import "bytes"

// Zeros finds long runs of one byte value in samples that pass by: exact digital
// silence. Runs at the beginning and at the end are not reported, those inside
// are, by their first and last whole frames. Sum counts them all. It holds no
// samples.
type Zeros struct {
	frame int64 // bytes of a frame
	least int64 // bytes
	value byte
	blank []byte
	found func(from, to int64)

	at    int64 // bytes behind us
	run   int64 // bytes of the run that is open at at
	noise bool  // something else came before the run

	total, longest int64 // bytes of the runs that have ended
	lead           int64 // of the one that the samples began with
}

// NewZeros looks for runs of more than least frames, of frames of the given
// number of bytes, each of which has the given value: 0, or 0x80 for unsigned
// samples of 8 bits. It calls found with byte offsets from the first sample, from
// frame to frame.
func NewZeros(value byte, frame int, least int64, found func(from, to int64)) *Zeros {
	frame = max(1, frame)
	z := &Zeros{frame: int64(frame), least: max(1, least) * int64(frame), value: value, found: found}
	// A run of least bytes can't lie inside a piece half as long, so it is enough
	// to look at both ends of each piece.
	z.blank = blanks[value][:min(max(1, z.least/2), mostBlank)]
	return z
}

const mostBlank = 16 << 10

// blanks are what pieces are compared with.
var blanks = map[byte][]byte{0: make([]byte, mostBlank), 0x80: bytes.Repeat([]byte{0x80}, mostBlank)}

// Write takes the next bytes of samples. It never fails.
func (z *Zeros) Write(p []byte) (int, error) {
	for rest := p; len(rest) > 0; {
		n := min(len(rest), len(z.blank))
		z.piece(rest[:n])
		rest = rest[n:]
	}
	return len(p), nil
}

func (z *Zeros) piece(p []byte) {
	n := int64(len(p))
	if p[0] == z.value && bytes.Equal(p, z.blank[:n]) {
		z.run += n
		z.at += n
		return
	}
	if z.run > 0 {
		lead := 0
		for p[lead] == z.value {
			lead++
		}
		z.report(z.at-z.run, z.at+int64(lead))
	}
	z.noise = true
	z.run = 0
	for i := len(p) - 1; p[i] == z.value; i-- {
		z.run++
	}
	z.at += n
}

func (z *Zeros) report(from, to int64) {
	from, to, long := z.frames(from, to)
	if !long {
		return
	}
	z.total, z.longest = z.total+to-from, max(z.longest, to-from)
	if z.noise {
		z.found(from, to)
	} else {
		z.lead = to - from
	}
}

// frames are the whole frames of a run, and whether they are long enough to count.
func (z *Zeros) frames(from, to int64) (first, end int64, long bool) {
	first, end = (from+z.frame-1)/z.frame*z.frame, to/z.frame*z.frame
	return first, end, end-first > z.least
}

// Frame is the number of bytes of a frame.
func (z *Zeros) Frame() int64 { return z.frame }

// Lead is the bytes of the run that the samples began with, 0 if it was too short to count,
// or if nothing else came behind it.
func (z *Zeros) Lead() int64 { return z.lead }

// Sum gives the bytes of all runs that passed so far, and those of the longest. Runs
// at the beginning and at the end count too.
func (z *Zeros) Sum() (total, longest int64) {
	from, to, long := z.frames(z.at-z.run, z.at)
	if !long {
		return z.total, z.longest
	}
	return z.total + to - from, max(z.longest, to-from)
}
