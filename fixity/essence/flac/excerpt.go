package flac

import (
	"bufio"
	"errors"
	"fmt"
	"io"
)

// Excerpt decodes the frames [from, to) of a FLAC file of the given size and gives each
// piece with its first frame, in order: samples interleaved, each at the upper end of 32
// bits. What can't be decoded is left out; to is more than there is if the header doesn't
// say how long the sound is. Where the frames lie is found by their headers, so time
// doesn't go with the file's size, nor does it need a seek table.
//
// It fails as r and each do, and with ErrNoFrames.
func Excerpt(r io.ReaderAt, size, from, to int64, each func(at int64, samples []int32) error) error {
	f := New(size)
	if err := f.ReadAt(r, size); err != nil {
		return err
	}
	f.finish()
	if !f.frames || f.Sound.DataLength <= 0 || f.Sound.Bits > depthMost {
		return ErrNoFrames
	}
	x := &excerpt{f: f, r: r, end: f.Sound.DataOffset + f.Sound.DataLength, budget: mostSought}
	at, err := x.seek(from)
	if err != nil {
		return err
	}
	return x.decode(at, from, to, each)
}

// ErrNoFrames says that the file has no frames that can be decoded, or that none was found
// near the place.
var ErrNoFrames = errors.New("no FLAC frame can be decoded")

const (
	// mostSought is how many bytes are looked through for a frame's header, in all: a file
	// of other bytes has none.
	mostSought = 64 << 20
	// piece is read at once when headers are looked for; near is how far before the place
	// decoding may begin.
	piece = 64 << 10
	near  = 128 << 10
	// headMost is the length of the longest frame header (RFC 9639, section 9.1).
	headMost = 16
)

type excerpt struct {
	f      *File
	r      io.ReaderAt
	end    int64 // of the frames
	budget int64
}

// head is a frame's header.
type head struct {
	first int64 // its first sample
	block int64 // how many it has
}

// seek gives the place of a frame at or before a sample.
func (x *excerpt) seek(sample int64) (int64, error) {
	total := x.f.Sound.Frames
	lo, hi, first := x.f.Sound.DataOffset, x.end, int64(0) // the frame at lo begins with first
	last := total                                          // the frame at hi begins with it; 0: not known
	for turn := 0; hi-lo > near; turn++ {
		guess := lo + (hi-lo)/2
		if turn%2 == 0 && last > first {
			// Frames of one recording are about as long as each other.
			guess = lo + int64(float64(hi-lo)*float64(sample-first)/float64(last-first)) - near/4
		}
		guess = min(max(guess, lo+1), hi-1)
		at, h, err := x.next(guess, hi, first, total)
		if err != nil {
			return 0, err
		}
		switch {
		case at < 0: // none between guess and hi
			hi = guess
		case h.first <= sample:
			lo, first = at, h.first
		default:
			hi, last = guess, h.first
		}
	}
	return lo, nil
}

// next finds the first frame in [at, end) whose number is possible: from least on, and
// less than below unless that is 0. Its place is -1 if there is none.
func (x *excerpt) next(at, end, least, below int64) (int64, head, error) {
	buf := make([]byte, piece)
	for at < end {
		n, err := x.r.ReadAt(buf[:min(int64(piece), x.end-at)], at)
		if err != nil && err != io.EOF {
			return 0, head{}, err
		}
		if n == 0 {
			return 0, head{}, fmt.Errorf("at byte %d: %w", at, io.ErrUnexpectedEOF)
		}
		if x.budget -= int64(n); x.budget < 0 {
			return 0, head{}, ErrNoFrames
		}
		for i := range n {
			if at+int64(i) >= end {
				break
			}
			if h, ok := x.f.header(buf[i:n]); ok && h.first >= least && (below == 0 || h.first < below) {
				return at + int64(i), h, nil
			}
		}
		if at+int64(n) >= x.end {
			break
		}
		at += int64(max(1, n-headMost)) // a header may lie across the end of the piece
	}
	return -1, head{}, nil
}

// header reads a frame's header (RFC 9639, section 9.1). false: b doesn't begin with one of
// this stream.
func (f *File) header(b []byte) (h head, ok bool) {
	if len(b) < 6 || b[0] != 0xff || b[1]&0xfe != 0xf8 || b[3]&1 != 0 {
		return h, false
	}
	size, rate, channels, depth := b[2]>>4, b[2]&15, int(b[3]>>4), b[3]>>1&7
	if channels++; channels > 8 {
		channels = 2
	}
	bits := [8]int{f.Sound.Bits, 8, 12, -1, 16, 20, 24, 32}[depth]
	if size == 0 || rate == 15 || b[3]>>4 > 10 || channels != f.Sound.Channels || bits != f.Sound.Bits {
		return h, false
	}
	number, n := coded(b[4:])
	if n == 0 {
		return h, false
	}
	at := 4 + n
	extra := func(n int) (v int64, ok bool) {
		if len(b) < at+n {
			return 0, false
		}
		for _, c := range b[at : at+n] {
			v = v<<8 | int64(c)
		}
		at += n
		return v, true
	}
	ok = true
	switch {
	case size == 1:
		h.block = 192
	case size <= 5:
		h.block = 144 << size
	case size <= 7:
		h.block, ok = extra(int(size) - 5)
		h.block++
	default:
		h.block = 256 << (size - 8)
	}
	if ok && rate >= 12 {
		_, ok = extra([]int{1, 2, 2}[rate-12])
	}
	if !ok || len(b) < at+1 || crc8(b[:at]) != b[at] {
		return h, false
	}
	if h.first = number; b[1]&1 == 0 { // of a stream of one block size it is the frame's number
		size := h.block
		if f.every > 0 {
			size = f.every
		}
		h.first = number * size
	}
	return h, true
}

// coded reads a number as frames' headers have it: UTF-8, up to 36 bits (section 9.1.5).
// n is 0 if there is none.
func coded(b []byte) (v int64, n int) {
	c := b[0]
	switch {
	case c < 0x80:
		return int64(c), 1
	case c < 0xc0 || c == 0xff:
		return 0, 0
	}
	n = 1
	for m := byte(0x40); c&m != 0; m >>= 1 {
		n++
	}
	v = int64(c & (1<<(7-n) - 1))
	if len(b) < n {
		return 0, 0
	}
	for _, c := range b[1:n] {
		if c&0xc0 != 0x80 {
			return 0, 0
		}
		v = v<<6 | int64(c&0x3f)
	}
	return v, n
}

// crc8 is the check of a frame's header: polynomial x^8 + x^2 + x + 1, begun with 0
// (section 9.1.8).
func crc8(b []byte) (c byte) {
	for _, x := range b {
		c ^= x
		for range 8 {
			if c&0x80 != 0 {
				c = c<<1 ^ 7
			} else {
				c <<= 1
			}
		}
	}
	return c
}

// decode gives what it can of [from, to), from the frame at a place on.
func (x *excerpt) decode(at, from, to int64, each func(int64, []int32) error) error {
	s := x.f.Sound
	x.budget = mostSought
	var d *decoder
	var out []int32
	for next := int64(0); at < x.end; {
		if d == nil {
			in := &input{r: io.NewSectionReader(x.r, at, x.end-at)}
			d = &decoder{File: x.f, in: in, br: bufio.NewReaderSize(in, piece)}
			in.n = at
		}
		b, _ := d.br.Peek(headMost)
		if d.in.err != nil {
			return fmt.Errorf("at byte %d: %w", at, d.in.err)
		}
		h, ok := x.f.header(b)
		ok = ok && h.first >= next && (s.Frames == 0 || h.first < s.Frames)
		if ok && h.first >= to {
			return nil
		}
		n := int64(0)
		if ok {
			var err error
			n, err = d.next()
			if d.in.err != nil {
				return fmt.Errorf("at byte %d: %w", at, d.in.err)
			}
			ok = err == nil
		}
		if !ok { // the next frame is looked for
			place, _, err := x.next(at+1, x.end, next, s.Frames)
			if err != nil || place < 0 {
				if errors.Is(err, ErrNoFrames) {
					err = nil
				}
				return err
			}
			at, d = place, nil
			continue
		}
		if at = d.at(); h.first+n > from {
			out = d.wide(out[:0])
			skip := max(0, from-h.first)
			take := min(n, to-h.first)
			if skip < take {
				c := int64(s.Channels)
				if err := each(h.first+skip, out[skip*c:take*c]); err != nil {
					return err
				}
			}
		}
		next = h.first + n
	}
	return nil
}

// wide are the samples of the frame that was decoded last, at the upper end of 32 bits.
func (d *decoder) wide(out []int32) []int32 {
	size := (d.Sound.Bits + 7) / 8
	shift := 32 - d.Sound.Bits
	for i := 0; i+size <= len(d.pcm); i += size {
		v := uint32(0)
		for k := range size {
			v |= uint32(d.pcm[i+k]) << (8 * k)
		}
		out = append(out, int32(v<<shift))
	}
	return out
}
