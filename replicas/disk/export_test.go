package disk

import (
	"context"
	"io/fs"

	"firmus/fixity"
)

// SetStep lets a test stand between a replacement and each of its steps: step
// gets the step's name and does it by calling do, or doesn't.
func (d *Dir) SetStep(step func(op string, do func() error) error) { d.step = step }

// FakeSource is what a Reader reads from, made of funcs.
type FakeSource struct {
	ReadAt func(p []byte, off int64) (int, error)
	Stat   func() (fs.FileInfo, error)
	Closed func()
}

func (s FakeSource) read(p []byte, off int64) (int, error) { return s.ReadAt(p, off) }
func (s FakeSource) stat() (fs.FileInfo, error)            { return s.Stat() }
func (s FakeSource) cache() fixity.Cache                   { return fixity.Unknown }
func (s FakeSource) close() error                          { s.Closed(); return nil }

// NewReader is a Reader of a file that was as src.Stat says when it was opened.
func NewReader(src FakeSource) (fixity.Reader, error) {
	found, err := src.Stat()
	return &reader{d: &Dir{root: "/test"}, path: "a.wav", src: src, found: found}, err
}

// Call runs f as a method of d runs what may hang.
func (d *Dir) Call(ctx context.Context, f func() error) error {
	_, err := call(ctx, &d.stuck, func() (struct{}, error) { return struct{}{}, f() })
	return err
}

// MapErr is what a system's error below the root becomes.
var MapErr = mapErr

// ParseMarker and MarkerText are the marker's two directions.
var (
	ParseMarker = parseMarker
	MarkerText  = markerText
)
