package essence

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"firmus/fixity"
	"firmus/fixity/essence/flac"
	"firmus/fixity/essence/sound"
)

// Tap is fed a file's bytes in order, as they pass by on their way to the digests,
// and knows its sound at the end. It holds no more than a header. Not safe for
// concurrent use.
type Tap struct {
	size   int64
	n      int64
	head   []byte // the first bytes, until it is known what the file is
	marked bool   // a byte passed that isn't zero; only looked for in an opaque file
	format format
	begun  bool

	decode  bool
	pipe    *io.PipeWriter // to the decoder
	decoded chan decoded
	result  *decoded
}

type decoded struct {
	sound sound.Sound
	notes []sound.Note
	err   error
}

// NewTap makes a tap for a file of the given size. It does not decode FLAC.
func NewTap(size int64) *Tap { return &Tap{size: size} }

// NewDecodingTap makes a tap that decodes FLAC too, as is done at intake: much
// slower than a reading (about 90 times as fast as a recording of 96 kHz and 24 bit
// stereo runs; see BenchmarkDecode). The decoder works beside the writer; Close ends it where
// Sound isn't called.
func NewDecodingTap(size int64) *Tap { return &Tap{size: size, decode: true} }

// Write takes the next bytes. It never fails: whatever is wrong with the file is a
// note.
func (t *Tap) Write(p []byte) (int, error) {
	all := len(p)
	t.n += int64(all)
	if !t.begun {
		n := min(len(p), sniff-len(t.head))
		t.head = append(t.head, p[:n]...)
		p = p[n:]
		if len(t.head) < sniff {
			return all, nil
		}
		t.begin()
	}
	t.feed(p)
	return all, nil
}

func (t *Tap) begin() {
	t.begun = true
	if t.decode && flac.Is(t.head) {
		r, w := io.Pipe()
		t.pipe, t.decoded = w, make(chan decoded, 1)
		go func() {
			var d decoded
			d.sound, d.notes, d.err = flac.Decode(r, t.size, nil)
			r.CloseWithError(d.err)
			t.decoded <- d
		}()
	} else {
		t.format = known(t.head, t.size)
	}
	t.feed(t.head)
}

func (t *Tap) feed(p []byte) {
	if len(p) == 0 {
		return
	}
	switch {
	case t.pipe != nil:
		t.pipe.Write(p) // fails only after Close
	case t.format != nil:
		t.format.Walker().Write(p)
	case !t.marked:
		t.marked = bytes.ContainsFunc(p, func(r rune) bool { return r != 0 })
	}
}

// errClosed is what the decoder gets from a tap that was closed early.
var errClosed = errors.New("closed before the end of the file")

// Close ends the decoder, if there is one and Sound wasn't called. It may be
// called at any time, and always gives nil.
func (t *Tap) Close() error {
	t.stop(errClosed)
	return nil
}

// stop ends the decoder's input and waits for what it says.
func (t *Tap) stop(err error) {
	if t.pipe == nil || t.result != nil {
		return
	}
	t.pipe.CloseWithError(err)
	d := <-t.decoded
	t.result = &d
}

// Sound is what is known after the last byte; call it once. It fails with
// fixity.ErrChanged if more or fewer bytes passed than the file's size: nothing is
// known then.
func (t *Tap) Sound() (Sound, []Note, error) {
	if t.n != t.size {
		t.stop(errClosed)
		return Sound{}, nil, fmt.Errorf("%d bytes of a file of %d: %w", t.n, t.size, fixity.ErrChanged)
	}
	if !t.begun {
		t.begin()
	}
	if t.pipe != nil {
		t.stop(nil)
		if t.result.err != nil {
			return Sound{}, nil, t.result.err
		}
		return t.result.sound, settle(t.result.notes, t.size), nil
	}
	if t.format == nil {
		return opaque(t.size, t.size > 0 && !t.marked)
	}
	s, notes := t.format.Finish()
	return s, settle(notes, t.size), nil
}

// Read reads a file of the given size to its end and tells all that can be told
// of it, FLAC decoded. It fails as r does; fixity.ErrChanged if the size differs.
func Read(r io.Reader, size int64) (Sound, []Note, error) {
	t := NewDecodingTap(size)
	defer t.Close()
	if _, err := io.CopyBuffer(struct{ io.Writer }{t}, r, make([]byte, 64<<10)); err != nil {
		return Sound{}, nil, err
	}
	return t.Sound()
}
