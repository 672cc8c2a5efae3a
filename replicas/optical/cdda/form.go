package cdda

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"
)

// Form is how a source's samples stand on the disc, where it isn't as they are. The codes
// are stored: never change one.
type Form string

// Forms that a burning program, or a cable, makes of a recording. What is found in one of
// them is compared sample for sample.
const (
	Straight          Form = ""
	ChannelsExchanged Form = "channels-exchanged" // left is right
	BytesExchanged    Form = "bytes-exchanged"    // of each sample: it plays as noise
	LeftLost          Form = "left-lost"          // the left channel is silent
	RightLost         Form = "right-lost"
	LeftInBoth        Form = "left-in-both" // the right channel is lost, and the left stands in its place
	RightInBoth       Form = "right-in-both"
)

var forms = []Form{ChannelsExchanged, BytesExchanged, LeftLost, RightLost, LeftInBoth, RightInBoth}

// how is the way from a source's samples to the disc's.
type how struct {
	form  Form
	round bool // to 16 bits by rounding, not by cutting bits off
}

func (s Source) format() Format {
	if s.Format == (Format{}) {
		return CD
	}
	return s.Format
}

// exact says that a source's samples can stand on a disc as they are, or with their
// lowest bits left out: one channel stands in both then.
func (s Source) exact() bool {
	f := s.format()
	return f.Rate == Rate && f.Channels <= 2 && f.Bits >= 16
}

// exact says that a source is compared sample for sample.
func (c *comparison) exact(i int) bool {
	return c.sources[i].exact() && (c.loose == nil || !c.loose[i])
}

// depths finds out how sources of more than 16 bits were brought to that: cut off or
// rounded; or otherwise, as dither does, so that single samples say nothing.
func (c *comparison) depths(l layout, offset int) error {
	b, d := make([]byte, window*SampleBytes), make([]byte, window*SampleBytes)
	const places = 60
	for _, p := range l {
		if i := p.source; c.sources[i].format().Bits == 16 || !c.sources[i].exact() {
			continue
		}
		if c.hows == nil {
			c.hows = make([]how, len(c.sources))
		}
		if c.loose == nil {
			c.loose = make([]bool, len(c.sources))
		}
		h := &c.hows[p.source]
		asked := 0
		var found [2]int
		for k := range int64(places) {
			at := p.n * (2*k + 1) / (2 * places)
			if at+window > p.n {
				continue
			}
			if err := c.sound(d, p.at+at-int64(offset)); err != nil {
				return err
			}
			if allZero(d) {
				continue
			}
			for round := range 2 {
				h.round = round == 1
				if err := c.source(p.source, b, p.from+at); err != nil {
					return err
				}
				if round == 0 && busy(b) < minBusy {
					break
				}
				asked += 1 - round
				if string(b) == string(d) {
					found[round]++
				}
			}
		}
		h.round = found[1] > found[0]
		c.loose[p.source] = asked > 0 && 4*max(found[0], found[1]) < asked && h.form == Straight
	}
	return nil
}

// source reads samples of a source that is exact, as they should stand on the disc.
func (c *comparison) source(i int, b []byte, at int64) error {
	s, h := c.sources[i], how{}
	if c.hows != nil {
		h = c.hows[i]
	}
	f := s.format()
	frame := f.Channels * f.Bits / 8
	raw := b
	if f != CD {
		if n := len(b) / SampleBytes * frame; cap(c.raw) < n {
			c.raw = make([]byte, n)
		}
		raw = c.raw[:len(b)/SampleBytes*frame]
	}
	n, err := s.PCM.ReadAt(raw, at*int64(frame))
	if n < len(raw) {
		if err == nil || errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return fmt.Errorf("read source %q at sample %d: %w", s.Name, at, err)
	}
	if f != CD {
		width := f.Bits / 8
		for k := range len(b) / SampleBytes {
			left := reduced(raw[k*frame:k*frame+width], h.round)
			right := left
			if f.Channels == 2 {
				right = reduced(raw[k*frame+width:k*frame+2*width], h.round)
			}
			binary.LittleEndian.PutUint16(b[k*SampleBytes:], left)
			binary.LittleEndian.PutUint16(b[k*SampleBytes+2:], right)
		}
	}
	h.form.apply(b)
	return nil
}

// reduced is a sample in 16 bits.
func reduced(b []byte, round bool) uint16 {
	n := len(b)
	if n == 2 {
		return binary.LittleEndian.Uint16(b)
	}
	v := int32(int16(binary.LittleEndian.Uint16(b[n-2:])))
	if round && b[n-3] >= 0x80 {
		v = min(v+1, 1<<15-1)
	}
	return uint16(v)
}

func (f Form) apply(b []byte) {
	switch f {
	case ChannelsExchanged:
		for i := 0; i+3 < len(b); i += SampleBytes {
			b[i], b[i+1], b[i+2], b[i+3] = b[i+2], b[i+3], b[i], b[i+1]
		}
	case BytesExchanged:
		for i := 0; i+1 < len(b); i += 2 {
			b[i], b[i+1] = b[i+1], b[i]
		}
	case LeftLost, RightInBoth:
		for i := 0; i+3 < len(b); i += SampleBytes {
			b[i], b[i+1] = b[i+2], b[i+3]
			if f == LeftLost {
				b[i], b[i+1] = 0, 0
			}
		}
	case RightLost, LeftInBoth:
		for i := 0; i+3 < len(b); i += SampleBytes {
			b[i+2], b[i+3] = b[i], b[i+1]
			if f == RightLost {
				b[i+2], b[i+3] = 0, 0
			}
		}
	}
}

// others are the ways to try where the usual one shows nothing.
func (c *comparison) others() (list []how) {
	deep := slices.ContainsFunc(c.sources, func(s Source) bool { return s.exact() && s.format().Bits > 16 })
	if deep {
		list = append(list, how{round: true})
	}
	for _, f := range forms {
		list = append(list, how{form: f})
		if deep {
			list = append(list, how{form: f, round: true})
		}
	}
	return list
}

// inForm looks for all sources in another form. It changes how they are read if it finds
// them.
func (c *comparison) inForm(last located) (located, error) {
	was := c.hows
	for _, h := range c.others() {
		c.hows = make([]how, len(c.sources))
		for i := range c.hows {
			c.hows[i] = h
		}
		probes, _, err := c.probes(1)
		if err != nil {
			return last, err
		}
		at, err := c.best(c.layouts(), probes, false)
		if err != nil || at.ok {
			return at, err
		}
	}
	c.hows = was
	return last, nil
}

// formOf says in which other form a source stands at a piece of the disc, by some of its
// windows; false: in none.
func (c *comparison) formOf(p piece, offset int) (bool, error) {
	was := c.hows
	if was == nil {
		c.hows = make([]how, len(c.sources))
		was = make([]how, len(c.sources))
	} else {
		c.hows = append([]how(nil), was...)
	}
	b, d := make([]byte, window*SampleBytes), make([]byte, window*SampleBytes)
	const places = 24
	for _, h := range c.others() {
		c.hows[p.source] = h
		asked, found := 0, 0
		for k := range int64(places) {
			at := p.n * (2*k + 1) / (2 * places)
			if at+window > p.n {
				continue
			}
			if err := c.source(p.source, b, p.from+at); err != nil {
				return false, err
			}
			if busy(b) < minBusy {
				continue
			}
			if err := c.sound(d, p.at+at-int64(offset)); err != nil {
				return false, err
			}
			if asked++; string(b) == string(d) {
				found++
			}
		}
		if found >= enoughVotes && 2*found >= asked {
			return true, nil
		}
	}
	c.hows = was
	return false, nil
}
