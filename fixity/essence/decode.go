package essence

import (
	"io"

	"firmus/fixity/essence/flac"
)

// Decode reads a FLAC file of the given size to its end and writes its samples to out, in
// the form that package pcm describes. Anything else has no digest of its samples then. It
// fails as r and out do; that the file is damaged is a note.
func Decode(r io.Reader, size int64, out io.Writer) (Sound, []Note, error) {
	return flac.Decode(r, size, out)
}
