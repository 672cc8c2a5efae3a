package disk

import (
	"errors"

	"os"
	"path/filepath"

	"firmus/fixity"

	"golang.org/x/sys/windows"
)

// alignedSource reads past the cache (FILE_FLAG_NO_BUFFERING of CreateFile),
// which wants offsets and memory aligned.
type alignedSource struct {
	plainSource
	aligned aligned
}

func (s *alignedSource) read(p []byte, off int64) (int, error) { return s.aligned.read(p, off) }

// openSource opens past the cache unless it is allowed; os.Root passes the flag
// on. Of a network drive nothing is claimed: the server has a cache too.
func openSource(parent *os.Root, name string, want fixity.Cache) (source, error) {
	const noBuffering = 0x20000000 // FILE_FLAG_NO_BUFFERING
	if want != fixity.Allowed {
		f, err := parent.OpenFile(name, os.O_RDONLY|noBuffering, 0)
		if err == nil {
			s := &alignedSource{plainSource: plainSource{f, fixity.Bypassed}}
			if remoteVolume(parent.Name()) {
				s.way = fixity.Unknown
			}
			s.aligned.pread = func(p []byte, off int64) (int, error) { return readAt(f, p, off) }
			return s, nil
		}
		if !errors.Is(err, windows.ERROR_INVALID_PARAMETER) {
			return nil, err
		}
	}
	f, err := parent.OpenFile(name, os.O_RDONLY, 0)
	if err != nil {
		return nil, err
	}
	if want == fixity.Allowed {
		return &plainSource{f, fixity.Allowed}, nil
	}
	return &plainSource{f, fixity.Unknown}, nil
}

func remoteVolume(path string) bool {
	p, err := windows.UTF16PtrFromString(filepath.VolumeName(path) + `\`)
	return err != nil || windows.GetDriveType(p) != windows.DRIVE_FIXED && windows.GetDriveType(p) != windows.DRIVE_REMOVABLE
}
