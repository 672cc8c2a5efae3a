//go:build unix

package webdav_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/replicas/cloud"
	"firmus/replicas/cloud/webdav"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/replicatest"
	"firmus/replicas/testing/webtest"
)

// apache is Debian's web server with its DAV module.
type apache struct {
	root, addr, login string
}

func startApache(t *testing.T) *apache {
	a := &apache{login: filepath.Join(t.TempDir(), "login")}
	a.addr, a.root = webtest.Apache(t, "firmus", "a secret word")
	must(t, os.WriteFile(a.login, []byte("user = firmus\npassword = a secret word\n"), 0o600))
	return a
}

// small is a new folder on the server, with files.
func (a *apache) small(t *testing.T, files map[string]string) (*cloudtest.Small, *webdav.Service, string) {
	dir, err := os.MkdirTemp(a.root, "archive")
	must(t, err)
	must(t, os.Chmod(dir, 0o755))
	masters := filepath.Join(dir, "masters")
	must(t, os.Mkdir(masters, 0o755))
	put := func(path, data string) {
		p := filepath.Join(masters, filepath.FromSlash(path))
		must(t, os.MkdirAll(filepath.Dir(p), 0o755))
		must(t, os.WriteFile(p, []byte(data), 0o644))
	}
	for path, data := range files {
		put(path, data)
	}
	gate, clock := webtest.Before(t, a.addr), cloudtest.NewClock()
	s, err := webdav.Open(webdav.Options{Endpoint: gate.URL, Folder: filepath.Base(dir), Credential: a.login, Now: time.Now})
	must(t, err)
	store, err := cloud.New(s, cloud.Options{Folder: s.Root(), Now: clock.Now, Sleep: clock.Sleep})
	must(t, err)
	return &cloudtest.Small{Untagged: true, Gate: gate, Store: store, Set: store.Set("masters", nil), Clock: clock, Put: put,
		Remove: func(path string) { must(t, os.RemoveAll(filepath.Join(masters, filepath.FromSlash(path)))) },
		Rot:    func(path string, at int64) { webtest.Rot(t, filepath.Join(masters, filepath.FromSlash(path)), at) },
	}, s, masters
}

// TestApache: all that holds for the server in this process holds for this one.
func TestApache(t *testing.T) {
	a := startApache(t)
	t.Run("contract", func(t *testing.T) {
		replicatest.Run(t, replicatest.Harness{New: func(t *testing.T, files map[string]string) replicatest.Fixture {
			x, _, masters := a.small(t, files)
			return replicatest.Fixture{
				Store:  x.Set,
				Write:  func(t *testing.T, path, data string) { x.Put(path, data) },
				Remove: func(t *testing.T, path string) { x.Remove(path) },
				Hide:   func(t *testing.T) { must(t, os.Rename(filepath.Dir(masters), filepath.Dir(masters)+"-away")) },
				Deny: func(t *testing.T, folder string) {
					if os.Geteuid() != 0 {
						t.Skip("the server runs under this account, and may read what it may")
					}
					p := filepath.Join(masters, folder)
					must(t, os.Chmod(p, 0o700))
					t.Cleanup(func() { os.Chmod(p, 0o755) })
				},
			}
		}})
	})
	t.Run("service", func(t *testing.T) {
		_, s, _ := a.small(t, cloudtest.Files())
		cloudtest.Run(t, cloudtest.Target{Service: s, Folder: s.Root(), Most: 1 << 20, Bare: true})
	})
	t.Run("faults", func(t *testing.T) {
		cloudtest.Faults(t, func(t *testing.T) *cloudtest.Small { x, _, _ := a.small(t, cloudtest.Files()); return x })
	})
	t.Run("another password", func(t *testing.T) {
		login := filepath.Join(t.TempDir(), "login")
		must(t, os.WriteFile(login, []byte("user = firmus\npassword = an0ther\n"), 0o600))
		s, err := webdav.Open(webdav.Options{Endpoint: "http://" + a.addr, Credential: login, Now: time.Now})
		must(t, err)
		if p := s.Check(context.Background()); len(p) == 0 || !p[0].Grave || !strings.Contains(p[0].Do, "user and password") || strings.Contains(fmt.Sprint(p), "an0ther") {
			t.Errorf("%+v", p)
		}
	})
}
