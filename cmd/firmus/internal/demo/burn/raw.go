package burn

import (
	"fmt"
	"strings"

	"firmus/replicas/optical/sector"
)

// Raw makes the sectors of a compact disc of an image of a data disc: 2352 bytes
// each, with address, error detection code and parity (ECMA-130, section 14). The
// image is whole sectors, or Raw panics.
func Raw(image []byte) []byte {
	b := make([]byte, len(image)/sectorBytes*sector.Raw)
	for i := 0; i*sectorBytes < len(image); i++ {
		sector.Encode(b[i*sector.Raw:], int64(i), image[i*sectorBytes:(i+1)*sectorBytes])
	}
	return b
}

// RawSheet is the cue sheet of a file of such sectors.
func RawSheet(file string) string {
	return fmt.Sprintf("FILE %q BINARY\r\n  TRACK 01 MODE1/2352\r\n    INDEX 01 00:00:00\r\n", file)
}

// Track is one track of an audio disc.
type Track struct {
	Title     string // without quotation marks
	Performer string // likewise
	PCM       []byte // 44.1 kHz, 16 bits, two channels: four bytes a sample
}

// Sound makes the sectors of an audio disc that was written in one go, without gaps,
// and its cue sheet. The last sector of each track is filled up with zeros. title
// and performer are the disc's.
//
// All samples come shift samples early, as a drive of that offset gives them (the
// Red Book, IEC 60908, allows it: a drive finds a second of sound no more exactly):
// the first ones are lost, and as many zeros stand at the end. A shift below zero is
// the other way round.
func Sound(file, title, performer string, tracks []Track, shift int) (pcm []byte, sheet string) {
	var s strings.Builder
	fmt.Fprintf(&s, "PERFORMER \"%s\"\r\nTITLE \"%s\"\r\nFILE %q BINARY\r\n", performer, title, file)
	for i, t := range tracks {
		m, sec, frame := minutes(len(pcm) / sector.Raw)
		fmt.Fprintf(&s, "  TRACK %02d AUDIO\r\n    TITLE \"%s\"\r\n    PERFORMER \"%s\"\r\n    INDEX 01 %02d:%02d:%02d\r\n", i+1, t.Title, t.Performer, m, sec, frame)
		pcm = append(pcm, t.PCM...)
		if over := len(pcm) % sector.Raw; over > 0 {
			pcm = append(pcm, make([]byte, sector.Raw-over)...)
		}
	}
	n := min(4*max(shift, -shift), len(pcm))
	if shift > 0 {
		copy(pcm, pcm[n:])
		clear(pcm[len(pcm)-n:])
	} else {
		copy(pcm[n:], pcm[:len(pcm)-n])
		clear(pcm[:n])
	}
	return pcm, s.String()
}

// minutes is a number of sectors as a cue sheet counts it.
func minutes(sectors int) (m, s, f int) {
	return sectors / sector.PerSecond / 60, sectors / sector.PerSecond % 60, sectors % sector.PerSecond
}
