package demo

import (
	_ "embed"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"firmus/replicas/testing/drivetest"
)

// CloudStore is the store that the demo's own service keeps.
const CloudStore = "cloud"

// cloudConfiguration is its part of firmus.toml, without folder and endpoint.
//
//go:embed cloud.toml
var cloudConfiguration string

// The masters that are not in the cloud from the first day on: what waits for its
// upload, and so is awaited.
const waits = "QV-0107/QV-0107_A.wav"

// Lent is a master in the cloud that was uploaded by somebody from her own account,
// which may be closed one day.
const (
	Lent   = "QV-0112/QV-0112_B.wav"
	Lender = "e.tansy@mail.example"
)

// cloudOwner is the archive's own account, to which the folder belongs.
const cloudOwner = "archive@quillmere.example"

// Cloud is the demo's cloud folder. A test server on this computer plays the service:
// it speaks the service's own language to the program's own client, keeps all files
// in memory, and answers until Close.
type Cloud struct {
	dir     string
	server  *drivetest.Server
	masters string // id of the set's folder
}

// OpenCloud adds a cloud store to the world that Make made in dir: it uploads the
// studio's masters but one, and adds the store to firmus.toml.
func OpenCloud(dir string, now func() time.Time) (*Cloud, error) {
	s, err := drivetest.Start(drivetest.Options{Now: now, Owner: cloudOwner})
	if err != nil {
		return nil, fmt.Errorf("the demo's cloud: %w", err)
	}
	folder := s.AddFolder(drivetest.Root, "Quillmere Valley Song Survey")
	c := &Cloud{dir: dir, server: s, masters: s.AddFolder(folder, masters)}
	if err := c.fill(folder); err != nil {
		s.Close()
		return nil, fmt.Errorf("the demo's cloud: %w", err)
	}
	return c, nil
}

func (c *Cloud) fill(folder string) error {
	for _, r := range reels {
		for _, rec := range r.recordings() {
			if rec.set != masters || rec.path == waits {
				continue
			}
			if err := c.Upload(rec.path); err != nil {
				return err
			}
		}
	}
	c.server.Give(c.id(Lent), Lender)
	f, err := os.OpenFile(filepath.Join(c.dir, "firmus.toml"), os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(f, "\n%sfolder = %q\nendpoint = %q\n", cloudConfiguration, folder, c.server.Endpoint())
	if closed := f.Close(); err == nil {
		err = closed
	}
	return err
}

// Upload copies masters, by their paths, from the studio into the cloud.
func (c *Cloud) Upload(paths ...string) error {
	for _, p := range paths {
		b, err := os.ReadFile(place(c.dir, studio, masters, p))
		if err != nil {
			return fmt.Errorf("upload: %w", err)
		}
		c.server.Put(c.masters, p, b)
	}
	return nil
}

// Address is where the service answers, for people.
func (c *Cloud) Address() string { return c.server.Endpoint() }

// Close ends the service.
func (c *Cloud) Close() { c.server.Close() }

func (c *Cloud) id(path string) string { return c.server.Find(c.masters, path) }
