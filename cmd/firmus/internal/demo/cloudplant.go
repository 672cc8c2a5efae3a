package demo

import (
	"bytes"
	"fmt"
	"os"
	"path"

	"firmus/fixity"
)

// uploadAgain is what to do about most of what befalls a file in the cloud.
const uploadAgain = "Look at the service's own list of its earlier versions, then upload the studio's copy again."

// cloudFault is a Planted that is still to be made.
type cloudFault struct {
	Planted
	do func(c *Cloud, p Planted) error
}

// cloudFaults are what befalls a folder in the cloud. The service itself reports the
// first four; the last one it does not.
var cloudFaults = []cloudFault{
	{Planted{CloudStore, masters, Migrated, "", fixity.OfFile, altered, fixity.CutShort, fixity.AtRisk,
		"its upload never finished: the line broke, and the service kept what had come", "Upload it again from the studio."},
		breakOff},
	{Planted{CloudStore, masters, "QV-0102/QV-0102_A.wav", "QV-0103/QV-0102_A.wav", fixity.OfFile, misplaced, "", fixity.Tidy,
		"somebody dragged it into the wrong folder", "Drag it back."},
		drag},
	{Planted{CloudStore, masters, "QV-0110/QV-0110_A.wav", "", fixity.OfFile, missing, "", fixity.AtRisk,
		"somebody threw it away in the browser; it still lies in the service's bin", "Take it out of the bin before the service empties it."},
		throwAway},
	{Planted{CloudStore, masters, "QV-0111/QV-0111_A.wav", "", fixity.OfFile, altered, fixity.Replaced, fixity.AtRisk,
		"another cut was uploaded under its name; the service reports the new one's checksum", uploadAgain},
		exchange(900)},
	{Planted{CloudStore, masters, "QV-0114/QV-0114_A.wav", "", fixity.OfFile, altered, fixity.Flipped, fixity.AtRisk,
		"a bit has turned where the service keeps it; the service goes on reporting the checksum of the day of the upload", uploadAgain},
		rot(200_001)},
}

// Plant damages files in the cloud. Before anything is touched, each is compared with
// the studio's copy: if one differs the error wraps ErrNotOurs.
func (c *Cloud) Plant() ([]Planted, error) {
	for _, f := range cloudFaults {
		if err := c.ready(f.Planted); err != nil {
			return nil, fmt.Errorf("plant faults in the cloud: %w", err)
		}
	}
	var done []Planted
	for _, f := range cloudFaults {
		if err := f.do(c, f.Planted); err != nil {
			return done, fmt.Errorf("plant a fault in %s/%s/%s: %w", f.Store, f.Set, f.Path, err)
		}
		done = append(done, f.Planted)
	}
	return done, nil
}

func (c *Cloud) ready(p Planted) error {
	want, err := c.local(p.Path)
	if err != nil {
		return err
	}
	id := c.id(p.Path)
	if p.Path == Migrated && id == "" {
		return nil // it waits for its upload
	}
	if got, ok := c.server.Bytes(id); !ok || !bytes.Equal(got, want) {
		return fmt.Errorf("%s/%s/%s: %w", p.Store, p.Set, p.Path, ErrNotOurs)
	}
	return nil
}

func (c *Cloud) local(p string) ([]byte, error) { return os.ReadFile(place(c.dir, studio, masters, p)) }

func breakOff(c *Cloud, p Planted) error {
	b, err := c.local(p.Path)
	if err != nil {
		return err
	}
	c.server.Put(c.masters, p.Path, b[:len(b)*3/5])
	return nil
}

func drag(c *Cloud, p Planted) error {
	c.server.Move(c.id(p.Path), c.id(path.Dir(p.FoundAt)))
	return nil
}

func throwAway(c *Cloud, p Planted) error {
	c.server.Bin(c.id(p.Path), true)
	return nil
}

// exchange uploads another cut, so many milliseconds longer.
func exchange(longer int) func(*Cloud, Planted) error {
	return func(c *Cloud, p Planted) error {
		x, ok := find(p.Set, p.Path)
		if !ok {
			return ErrNotOurs
		}
		x.length += longer
		x.path += " in the editor" // its noise is another
		c.server.Write(c.id(p.Path), x.encode())
		return nil
	}
}

func rot(offset int64) func(*Cloud, Planted) error {
	return func(c *Cloud, p Planted) error {
		c.server.Rot(c.id(p.Path), offset)
		return nil
	}
}
