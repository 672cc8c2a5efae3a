//go:build unix

package ledgertest

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Programs names the folder of PostgreSQL's programs, where they are in none of the usual ones.
const Programs = "FIRMUS_TEST_POSTGRES_BIN"

// Server is a PostgreSQL of a test's own, that may be stopped and started. It runs as an
// unprivileged account, and lies in memory where there is some.
type Server struct {
	Bin, Dir string // of its programs; of its data and its socket
	t        testing.TB
	options  []string
	as       *syscall.Credential
	cmd      *exec.Cmd
	ended    chan error
}

// programs is the folder of PostgreSQL's programs; "" if they aren't here.
func programs() string {
	if dir := os.Getenv(Programs); dir != "" {
		return dir
	}
	all, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb") // Debian's; the pattern is a good one
	if len(all) > 0 {
		return filepath.Dir(slices.Max(all))
	}
	if p, err := exec.LookPath("initdb"); err == nil {
		return filepath.Dir(p)
	}
	return ""
}

// Own makes and starts a server; nil where PostgreSQL's programs aren't here. init are options of
// initdb besides, options those of the server; without any it listens at its socket only, and
// whoever asks there is its superuser firmus.
func Own(t testing.TB, init []string, options ...string) *Server {
	t.Helper()
	s := &Server{Bin: programs(), t: t, options: options}
	if s.Bin == "" {
		return nil
	}
	var err error
	if s.Dir, err = os.MkdirTemp("/dev/shm", "firmus-test-"); err != nil {
		if s.Dir, err = os.MkdirTemp("", "firmus-test-"); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() { os.RemoveAll(s.Dir) })
	if os.Geteuid() == 0 { // PostgreSQL refuses to run as root
		u, err := user.Lookup("postgres")
		if err != nil {
			u, err = user.Lookup("nobody")
		}
		if err != nil {
			t.Fatal(err)
		}
		uid, _ := strconv.Atoi(u.Uid) // the system's own numbers
		gid, _ := strconv.Atoi(u.Gid)
		s.as = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
		if err := os.Chown(s.Dir, uid, gid); err != nil {
			t.Fatal(err)
		}
	}
	if len(init) == 0 {
		init = []string{"-U", "firmus", "-A", "trust"}
	}
	if out, err := s.program("initdb", append([]string{"-D", s.data(), "-E", "UTF8", "--locale=C", "--no-sync"}, init...)...).CombinedOutput(); err != nil {
		t.Fatalf("initdb: %v\n%s", err, out)
	}
	t.Cleanup(func() { s.Stop(true) })
	s.Start()
	return s
}

func (s *Server) data() string { return filepath.Join(s.Dir, "data") }

func (s *Server) program(name string, args ...string) *exec.Cmd {
	c := exec.Command(filepath.Join(s.Bin, name), args...)
	c.Dir, c.SysProcAttr = s.Dir, &syscall.SysProcAttr{Credential: s.as}
	return c
}

// Psql runs statements as the superuser, over the socket.
func (s *Server) Psql(as, statements string) string {
	s.t.Helper()
	out, err := s.program("psql", "-h", s.Dir, "-p", s.port(), "-U", as, "-d", "postgres", "-Atqc", statements).CombinedOutput()
	if err != nil {
		s.t.Fatalf("%s: %v\n%s", statements, err, out)
	}
	return strings.TrimSpace(string(out))
}

func (s *Server) port() string {
	for _, o := range s.options {
		if p, ok := strings.CutPrefix(o, "port="); ok {
			return p
		}
	}
	return "5432"
}

// Start starts it, and waits until it answers.
func (s *Server) Start() {
	s.t.Helper()
	args := []string{"-D", s.data(), "-k", s.Dir, "-c", "fsync=off", "-c", "jit=off", "-c", "autovacuum=off"}
	if len(s.options) == 0 {
		args = append(args, "-c", "listen_addresses=")
	}
	for _, o := range s.options {
		args = append(args, "-c", o)
	}
	s.cmd, s.ended = s.program("postgres", args...), make(chan error, 1)
	var said strings.Builder
	s.cmd.Stderr = &said
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	cmd, ended := s.cmd, s.ended
	go func() { ended <- cmd.Wait() }()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		select {
		case err := <-ended:
			s.cmd = nil
			s.t.Fatalf("PostgreSQL ended: %v\n%s", err, said.String())
		default:
		}
		if s.program("pg_isready", "-q", "-h", s.Dir, "-p", s.port()).Run() == nil {
			return
		}
	}
	s.t.Fatal("PostgreSQL doesn't begin")
}

// Stop stops it and waits for its end: whole, as for a change (a fast shutdown, PostgreSQL's
// documentation, section 19.5), or as a crash leaves it (an immediate one).
func (s *Server) Stop(whole bool) {
	if s.cmd == nil {
		return
	}
	how := syscall.SIGQUIT
	if whole {
		how = syscall.SIGINT
	}
	_ = s.cmd.Process.Signal(how)
	select {
	case <-s.ended:
	case <-time.After(30 * time.Second):
		_ = s.cmd.Process.Kill()
		<-s.ended
		s.t.Error("PostgreSQL didn't stop")
	}
	s.cmd = nil
}

// Place is a new database of the server, without a table.
func (s *Server) Place(state string) Place {
	s.t.Helper()
	at := fmt.Sprintf("postgres://firmus@/%%s?host=%s&port=%s&sslmode=disable", s.Dir, s.port())
	db, err := sql.Open("pgx", fmt.Sprintf(at, "postgres"))
	if err != nil {
		s.t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.ExecContext(context.Background(), `CREATE DATABASE archive TEMPLATE template0`); err != nil {
		s.t.Fatal(err)
	}
	return Place{URL: fmt.Sprintf(at, "archive"), State: state}
}
