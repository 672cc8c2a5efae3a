//go:build !linux

package disk

import (
	"io"
	"io/fs"
	"os"

	"firmus/fixity"
)

// plainSource reads as any program does.
type plainSource struct {
	f   *os.File
	way fixity.Cache
}

func (s *plainSource) stat() (fs.FileInfo, error) { return s.f.Stat() }
func (s *plainSource) cache() fixity.Cache        { return s.way }
func (s *plainSource) close() error               { return s.f.Close() }
func (s *plainSource) read(p []byte, off int64) (int, error) {
	return readAt(s.f, p, off)
}

func readAt(f *os.File, p []byte, off int64) (int, error) {
	n, err := f.ReadAt(p, off)
	if n > 0 || err == io.EOF {
		return n, nil // an error after some bytes comes again
	}
	return 0, err
}
