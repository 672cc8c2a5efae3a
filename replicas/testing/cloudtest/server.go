// Package cloudtest is what tests of package cloud and of its services share: a
// test server that fails the test when it, or its client, departs from the
// service's own description, and the contract that every service must pass.
package cloudtest

import (
	"context"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/replicas/cloud"
	"firmus/replicas/cloud/drive"
	"firmus/replicas/testing/drivetest"
	"firmus/replicas/testing/drivetest/disco"
)

var document = sync.OnceValues(func() (*disco.Document, error) {
	p, err := disco.Locate("")
	if err == nil && !filepath.IsAbs(p) { // compiled with -trimpath
		out, err := exec.Command("go", "env", "GOMODCACHE").Output()
		if err != nil {
			return nil, err
		}
		if p, err = disco.Locate(strings.TrimSpace(string(out))); err != nil {
			return nil, err
		}
	}
	if err != nil {
		return nil, err
	}
	return disco.Load(p)
})

// Document is the discovery document of the client module.
func Document(t testing.TB) *disco.Document {
	t.Helper()
	d, err := document()
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// Start starts a test server. At the end of the test it is closed, and fails the
// test for each departure from the discovery document.
func Start(t testing.TB) *drivetest.Server {
	t.Helper()
	s, err := drivetest.Start(drivetest.Options{Document: Document(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.Close()
		for _, v := range s.Violations() {
			t.Errorf("against the discovery document: %s", v)
		}
	})
	return s
}

// Drive is the client of a test server.
func Drive(t testing.TB, s *drivetest.Server) *drive.Service {
	t.Helper()
	d, err := drive.Open(context.Background(), drive.Options{Endpoint: s.Endpoint(), Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// Clock is a clock that is set by hand, and by waiting.
type Clock struct {
	mu    sync.Mutex
	at    time.Time
	waits []time.Duration
}

// NewClock is a Clock that stands on 2 March 2026, noon.
func NewClock() *Clock { return &Clock{at: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)} }

// Now is the time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

// Add lets time pass.
func (c *Clock) Add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// Sleep passes the time at once, and notes it.
func (c *Clock) Sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	c.Add(d)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.waits = append(c.waits, d)
	return nil
}

// Waits are the times that were slept.
func (c *Clock) Waits() []time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]time.Duration(nil), c.waits...)
}

// Archive is a folder of two sets at a test server, and a Store of it.
type Archive struct {
	*drivetest.Server
	Folder, Masters, Access string // ids
	Clock                   *Clock
	Store                   *cloud.Store
}

// NewArchive makes an Archive in a shared drive, or in a person's own.
func NewArchive(t testing.TB, shared bool, change func(*cloud.Options)) *Archive {
	t.Helper()
	a := &Archive{Server: Start(t), Clock: NewClock()}
	at := drivetest.Root
	if shared {
		at = a.AddDrive("Quillmere Valley Song Survey")
	}
	a.Folder = a.AddFolder(at, "archive")
	a.Masters = a.AddFolder(a.Folder, "masters")
	a.Access = a.AddFolder(a.Folder, "access")
	o := cloud.Options{Folder: a.Folder, Now: a.Clock.Now, Sleep: a.Clock.Sleep}
	if change != nil {
		change(&o)
	}
	s, err := cloud.New(Drive(t, a.Server), o)
	if err != nil {
		t.Fatal(err)
	}
	a.Store = s
	a.Reset()
	return a
}
