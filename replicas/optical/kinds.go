package optical

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"firmus/replicas/optical/sector"
)

// plain are the endings of files that hold the sectors of a data disc and nothing else.
// One of those is taken even if no file system can be seen in it: it may be damaged.
var plain = []string{".iso", ".img", ".udf"}

// refuse says why a file without a cue sheet can't be the sectors of a data disc, and
// what to give instead; nil if it may be one.
func refuse(r io.ReaderAt, size int64, name string) error {
	head := make([]byte, sector.Raw)
	n, _ := r.ReadAt(head, 0) // what can't be read is told by the check
	head = head[:n]
	const sheet = "give the cue sheet (.cue) that lies beside it"
	if n == sector.Raw {
		// A raw image without its sheet isn't one of sectors of 2048 bytes.
		if lba, ok := sector.Address(head); ok && lba >= 0 {
			return fmt.Errorf("its sectors are raw ones of %d bytes; %s: %w", sector.Raw, sheet, ErrImage)
		}
	}
	if what := soundIn(head); what != "" {
		return fmt.Errorf("it is a sound file (%s), not a disc; give the cue sheet (.cue) of the disc that names it, or the disc's image (.iso): %w", what, ErrImage)
	}
	if fileSystem(r, size) {
		return nil
	}
	ext := strings.ToLower(filepath.Ext(name))
	for _, e := range plain {
		if ext == e {
			return nil
		}
	}
	if ext == ".bin" || ext == ".raw" {
		return fmt.Errorf("a %s file alone doesn't say how its sectors lie; %s: %w", ext, sheet, ErrImage)
	}
	return fmt.Errorf("no file system of a disc is in it; give an .iso file of a data disc, or the cue sheet (.cue) of an audio disc: %w", ErrImage)
}

// soundIn says which kind of sound file begins so; "" if none.
func soundIn(head []byte) string {
	at := func(i int, s string) bool { return len(head) >= i+len(s) && string(head[i:i+len(s)]) == s }
	switch {
	case (at(0, "RIFF") || at(0, "RF64") || at(0, "BW64")) && at(8, "WAVE"):
		return "WAVE"
	case at(0, "FORM") && (at(8, "AIFF") || at(8, "AIFC")):
		return "AIFF"
	case at(0, "fLaC"):
		return "FLAC"
	case at(0, "ID3"):
		return "MP3"
	case at(0, "OggS"):
		return "Ogg"
	}
	return ""
}

// fileSystem says that a volume descriptor of ISO 9660 or of UDF lies where one of a
// first session does (ECMA-119, section 6.7.1; ECMA-167, section 2/8.4).
func fileSystem(r io.ReaderAt, size int64) bool {
	const first, most = 16, 16
	id := make([]byte, 5)
	for i := int64(first); i < first+most && (i+1)*sector.Data <= size; i++ {
		if _, err := r.ReadAt(id, i*sector.Data+1); err != nil {
			continue
		}
		switch string(id) {
		case "CD001", "BEA01", "NSR02", "NSR03":
			return true
		}
	}
	return false
}
