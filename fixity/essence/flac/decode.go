package flac

import (
	"bufio"
	"bytes"
	"crypto/md5"
	"errors"
	"fmt"
	"io"

	"github.com/mewkiz/flac/frame"

	"firmus/fixity"
	"firmus/fixity/essence/pcm"
	"firmus/fixity/essence/sound"
	"firmus/fixity/essence/track"
)

// Decode reads a FLAC file of the given size to its end and decodes it. The sound
// has the digest of the samples if all of them could be decoded, otherwise a note
// says where that ended. The decoded samples also go to out, if it isn't nil, in
// the form that package pcm describes.
//
// It fails only if r or out do, with their error; the rest is zero then. That
// the file is damaged is a note, not an error. Memory: one frame, at most 65,535
// samples of each of 8 channels.
func Decode(r io.Reader, size int64, out io.Writer) (sound.Sound, []sound.Note, error) {
	in := &input{r: r}
	br := bufio.NewReaderSize(in, 64<<10)
	f := New(size)
	if err := f.Pull(br); err != nil {
		return sound.Sound{}, nil, err
	}
	f.finish()
	d := &decoder{File: f, in: in, br: br, out: out}
	if f.frames && f.Sound.DataLength > 0 {
		if err := d.decode(); err != nil {
			return sound.Sound{}, nil, err
		}
	}
	// A pinned reader tells only at its end that the file stayed the same.
	if _, err := io.Copy(io.Discard, br); err != nil {
		return sound.Sound{}, nil, err
	}
	return f.Sound, f.Notes, nil
}

// input counts bytes and keeps the reader's error apart from the decoder's.
type input struct {
	r   io.Reader
	n   int64
	err error
}

func (in *input) Read(p []byte) (int, error) {
	n, err := in.r.Read(p)
	in.n += int64(n)
	if err != nil && err != io.EOF {
		in.err = err
	}
	return n, err
}

type decoder struct {
	*File
	in  *input
	br  *bufio.Reader
	out io.Writer
	pcm []byte // of one frame
}

// at is the offset of the next byte that the decoder gets.
func (d *decoder) at() int64 { return d.in.n - int64(d.br.Buffered()) }

// depthMost is the deepest sample that the decoder's 32-bit arithmetic can do: the
// difference of two channels takes one bit more (RFC 9639, appendix A.2).
const depthMost = 31

func (d *decoder) decode() error {
	s := &d.Sound
	if s.Bits > depthMost {
		d.note(sound.FLACDepth, s.DataOffset, 0)
		return nil
	}
	form := pcm.Form{Bits: s.Bits, Bytes: (s.Bits + 7) / 8}
	// The decoded samples lie at the lower end already: nothing is to be shifted.
	digest, sum := pcm.New(pcm.Form{AsIs: true}), md5.New()
	var frames, more int64
	var found []sound.Note
	zeros := track.Silence(*s, form, func(from, to int64) {
		if len(found) >= track.MostZeros {
			more++
			return
		}
		each := int64(form.Bytes * s.Channels)
		found = append(found, sound.Note{Code: sound.Zeros, From: s.At(from / each), To: s.At(to / each)})
	})
	peak := pcm.NewPeak(form)
	whole := true
	for s.Frames == 0 || frames < s.Frames {
		if s.Frames == 0 && d.over() {
			break
		}
		at := d.at()
		n, err := d.next()
		if d.in.err != nil {
			return fmt.Errorf("at byte %d: %w", d.at(), d.in.err)
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			d.Notes = append(d.Notes, sound.Note{Code: sound.FLACFrame, At: at, From: s.At(frames), To: s.Duration})
			whole = false
			break
		}
		frames += n
		digest.Write(d.pcm)
		sum.Write(d.pcm)
		zeros.Write(d.pcm)
		peak.Write(d.pcm)
		if d.out != nil {
			if _, err := d.out.Write(d.pcm); err != nil {
				return err
			}
		}
	}
	track.SumUp(s, zeros)
	// The decoded samples lie at the lower end of their bytes.
	s.Peak = peak.High() << (8*form.Bytes - form.Bits)
	d.Notes = append(d.Notes, found...)
	if more > 0 {
		d.Notes = append(d.Notes, sound.Note{Code: sound.ZerosMore, Count: more})
	}
	if !whole {
		return nil
	}
	if s.Frames != 0 && frames != s.Frames {
		d.Notes = append(d.Notes, sound.Note{Code: sound.FLACCount, At: d.at(), From: s.At(min(frames, s.Frames)), To: s.Duration})
		return nil
	}
	if left := d.size - d.at(); left > 0 {
		d.note(sound.Trailing, d.at(), left)
		s.DataLength -= left
	}
	s.Frames = frames
	s.Count()
	if got := fixity.DigestOf(fixity.MD5, sum.Sum(nil)); !s.MD5.IsZero() && got != s.MD5 {
		d.note(sound.FLACMD5, 26, 0)
		return nil
	}
	s.Samples, _ = digest.Sum()
	return nil
}

// over says that no further frame begins here: an ID3 version 1 tag does, which
// some writers append. It is for streams that don't say how long they are.
func (d *decoder) over() bool {
	b, _ := d.br.Peek(3)
	return bytes.Equal(b, []byte("TAG"))
}

var errOther = errors.New("the frame is of another format than the stream")

// next decodes one frame into d.pcm and gives its number of samples.
func (d *decoder) next() (n int64, err error) {
	// The decoder is another's work and gets hostile bytes: what would end the
	// program ends the frame.
	defer func() {
		if p := recover(); p != nil {
			n, err = 0, fmt.Errorf("decoder: %v", p)
		}
	}()
	fr, err := frame.New(d.br)
	if err != nil {
		return 0, err
	}
	s := &d.Sound
	if fr.BitsPerSample == 0 {
		fr.BitsPerSample = uint8(s.Bits)
	}
	if int(fr.BitsPerSample) != s.Bits || fr.Channels.Count() != s.Channels {
		return 0, errOther
	}
	if err := fr.Parse(); err != nil {
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		return 0, err
	}
	d.pcm = d.pcm[:0]
	size := (s.Bits + 7) / 8
	for i := range fr.Subframes[0].Samples {
		for _, sub := range fr.Subframes {
			x := sub.Samples[i]
			switch size {
			case 1:
				d.pcm = append(d.pcm, byte(x))
			case 2:
				d.pcm = append(d.pcm, byte(x), byte(x>>8))
			case 3:
				d.pcm = append(d.pcm, byte(x), byte(x>>8), byte(x>>16))
			default:
				d.pcm = append(d.pcm, byte(x), byte(x>>8), byte(x>>16), byte(x>>24))
			}
		}
	}
	return int64(len(fr.Subframes[0].Samples)), nil
}
