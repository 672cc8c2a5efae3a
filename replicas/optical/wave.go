package optical

import (
	"encoding/binary"
	"fmt"
	"io"

	"firmus/replicas/optical/sector"
)

// wave finds the samples in a RIFF WAVE file, which must be a compact disc's: 44,100
// a second, 16 bits, two channels.
func (f *imageFile) wave() error {
	le := binary.LittleEndian
	head := make([]byte, 12)
	if _, err := f.f.ReadAt(head, 0); err != nil || string(head[:4]) != "RIFF" || string(head[8:]) != "WAVE" {
		return fmt.Errorf("no WAVE file: %w", ErrImage)
	}
	format := false
	for at, n := int64(12), 0; n < 1000; n++ {
		b := make([]byte, 8+16)
		got, err := f.f.ReadAt(b, at)
		if got < 8 {
			if err != nil && err != io.EOF {
				return err
			}
			break
		}
		size := int64(le.Uint32(b[4:]))
		switch string(b[:4]) {
		case "fmt ":
			tag := le.Uint16(b[8:])
			if got < 24 || size < 16 || tag != 1 && tag != 0xFFFE || le.Uint16(b[10:]) != 2 || le.Uint32(b[12:]) != 44100 || le.Uint16(b[22:]) != 16 {
				return fmt.Errorf("its sound isn't that of a compact disc: %w", ErrImage)
			}
			format = true
		case "data":
			if !format {
				return fmt.Errorf("its sound comes before its format: %w", ErrImage)
			}
			// Programs that couldn't seek back leave 0 or the most that there is.
			f.from, f.end = at+8, min(f.size, at+8+size)
			if size == 0 || size == 1<<32-1 {
				f.end = f.size
			}
			f.end -= (f.end - f.from) % (sector.Raw / 588)
			return nil
		}
		at += 8 + size + size&1
	}
	return fmt.Errorf("no sound in it: %w", ErrImage)
}
