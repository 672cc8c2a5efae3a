package app_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/testdata"
)

// hostDrive gives a host a drive of its own in a place: "FOLDER in PLACE". Others see what lies there
// else, as hosts do that have other drives under one path.
const hostDrive = "FIRMUS_TEST_HOST_DRIVE"

// marker is the name of the vault's.
const marker = ".firmus-store.vault"

func init() {
	ownDrives = func(x *exec.Cmd) { x.SysProcAttr = &syscall.SysProcAttr{Unshareflags: syscall.CLONE_NEWNS} }
	if drive := os.Getenv(hostDrive); drive != "" {
		folder, place, _ := strings.Cut(drive, " in ")
		if err := syscall.Mount(folder, place, "", syscall.MS_BIND, ""); err != nil {
			fmt.Fprintln(os.Stderr, "mount:", err)
			os.Exit(9)
		}
	}
}

// drive makes a folder with the files of the vault, of which one is damaged and one lacks, as another
// drive under the store's name could have them.
func (s *sharing) drive(name string) {
	s.t.Helper()
	if err := os.CopyFS(s.path(name), os.DirFS(s.path("vault"))); err != nil {
		s.t.Fatal(err)
	}
	if err := os.Remove(s.path(name + "/QV-0000/QV-0000_00.wav")); err != nil {
		s.t.Fatal(err)
	}
	if err := os.WriteFile(s.path(name+"/QV-0001/QV-0001_00.wav"), testdata.Wave("another", 20_000), 0o644); err != nil {
		s.t.Fatal(err)
	}
}

// TestHostsOtherDrive has one of two hosts find another drive under the store's name, three kinds of
// it: its own files are read and nothing else is, nothing is told as missing or damaged, and it is
// said on which host another drive lies there than on which.
func TestHostsOtherDrive(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root, to give a host a mount of its own")
	}
	for _, c := range []struct {
		name  string
		drive func(s *sharing) error
		says  string
	}{
		{"another marker", func(s *sharing) error {
			s.drive("other")
			file := s.path("other/" + marker)
			b, err := os.ReadFile(file)
			if err == nil {
				err = os.WriteFile(file, []byte(strings.Replace(string(b), s.identity(), ledger.NewID(), 1)), 0o644)
			}
			return err
		}, "the marker there is of another store"},
		{"no marker", func(s *sharing) error { s.drive("other"); return os.Remove(s.path("other/" + marker)) }, "the store's marker is not there"},
		{"nothing", func(s *sharing) error { return os.Mkdir(s.path("other"), 0o755) }, "nothing lies there"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := newSharing(t, "rate = \"1MB/s\"\nhosts = [\"server-a\", \"server-b\"]")
			s.fill(12, 4, 20_000)
			if r := s.audit("server-a"); r.Exit() != 0 { // by which the vault gets its marker
				t.Fatalf("the first audit gave %+v", r)
			}
			if err := c.drive(s); err != nil {
				t.Fatal(err)
			}
			s.start("server-a")
			other := s.start("server-b", hostDrive+"="+s.path("other")+" in "+s.path("vault"))
			for range 2 {
				r := s.audit("server-a")
				if len(r.Findings) > 0 || len(r.Trouble) > 0 || !r.Complete || r.Listed != 48 || r.Read != 48 || r.ReadBy["server-b"] > 0 || r.ReadBy["server-a"] != 48 {
					t.Errorf("the audit gave %+v; the other host: %s", r, other.log)
				}
			}
			if said := other.log.String(); !strings.Contains(said, "server-b") || !strings.Contains(said, "server-a") || !strings.Contains(said, c.says) {
				t.Errorf("the host with the other drive doesn't say that server-a has another one (%s): %s", c.says, said)
			}
		})
	}
}

// identity is the vault's, by the ledger.
func (s *sharing) identity() (id string) {
	s.t.Helper()
	a := s.open("commands")
	defer a.Close()
	if err := a.Ledger.View(context.Background(), func(t *ledger.Tx) error {
		x, err := t.Stores.Get("vault")
		id = x.Identity
		return err
	}); err != nil {
		s.t.Fatal(err)
	}
	return id
}

// meets is a root whose marker two hosts look for at the same moment.
type meets struct {
	stores.Root
	both *sync.WaitGroup
	once *sync.Once
}

func (m meets) Identify(ctx context.Context) (fixity.Identity, error) {
	id, err := m.Root.Identify(ctx)
	m.once.Do(func() { m.both.Done(); m.both.Wait() })
	return id, err
}

// TestHostsAdoptTogether has two hosts use a store at the same moment that was never used: with the
// same drive it is the store's for both, with two drives for one of them.
func TestHostsAdoptTogether(t *testing.T) {
	t.Parallel()
	for name, two := range map[string]bool{"one drive": false, "two drives": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newSharing(t, "")
			s.write(2, 2, 1000)
			if err := os.Rename(s.path("vault"), s.path("later")); err != nil {
				t.Fatal(err)
			}
			a := s.open("server-a")
			defer a.Close()
			if _, err := a.Receiving.Intake(context.Background(), receiving.IntakeOrder{}); err != nil {
				t.Fatal(err)
			}
			if err := os.Rename(s.path("later"), s.path("vault")); err != nil {
				t.Fatal(err)
			}
			where := s.path("vault")
			if two {
				where = s.path("vault2")
				if err := os.CopyFS(where, os.DirFS(s.path("vault"))); err != nil {
					t.Fatal(err)
				}
			}
			cfg, err := config.Load(s.config("server-b", s.path("vault"), where))
			if err != nil {
				t.Fatal(err)
			}
			b, err := app.Open(context.Background(), app.Options{Config: cfg, By: "the test"})
			if err != nil {
				t.Fatal(err)
			}
			defer b.Close()
			both := &sync.WaitGroup{}
			both.Add(2)
			here := make([]int, 2)
			var wg sync.WaitGroup
			for i, x := range []*app.App{a, b} {
				env := *x.Acts.Archive
				root, once := env.Root, &sync.Once{}
				env.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
					r, err := root(store, set, c)
					return meets{r, both, once}, err
				}
				wg.Go(func() {
					if err := acts.Of(&env).Stores().Use(context.Background(), "vault", stores.Purpose{Shares: true, Wait: 10 * time.Second}, func(_ context.Context, u *stores.Used) error {
						here[i] = len(u.Here)
						return nil
					}); err != nil {
						t.Error(err)
					}
				})
			}
			wg.Wait()
			want := 2
			if two {
				want = 1
			}
			if here[0]+here[1] != want {
				t.Errorf("it is there for %v", here)
			}
			for i, x := range []*app.App{a, b} { // and stays so
				if err := x.Acts.Stores().Use(context.Background(), "vault", stores.Purpose{Shares: true, Wait: 10 * time.Second}, func(_ context.Context, u *stores.Used) error {
					if len(u.Here) != here[i] {
						t.Errorf("later it is there %d times for %d", len(u.Here), i)
					}
					return nil
				}); err != nil {
					t.Error(err)
				}
			}
		})
	}
}
