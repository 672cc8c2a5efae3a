package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// TestSilentDatabase gives each kind of command a database whose server takes connections and
// says nothing: it ends soon, says so, and tells of nothing else.
func TestSilentDatabase(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			defer c.Close() // at the listener's end
		}
	}()
	dir := t.TempDir()
	masters := filepath.Join(dir, "masters")
	if err := os.Mkdir(masters, 0o755); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "firmus.toml")
	if err := os.WriteFile(file, fmt.Appendf(nil, "name = \"Quillmere Valley Song Survey\"\nstate = %q\n[ledger]\nurl = \"postgres://firmus@%s/firmus?sslmode=disable\"\n[set.masters]\nrole = \"master\"\n[store.studio]\nkind = \"disk\"\narrivals = true\nsets = { masters = %q }\n",
		filepath.Join(dir, "state"), l.Addr(), masters), 0o600); err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	for _, args := range []string{"check", "intake", "audit", "findings", "report holdings", "report events", "report year", "ledger verify", "recover --store studio --reason test",
		"receive --into masters/QV-0100 " + masters, "open", "disc list", "report levels", "register read", "account list", "store list"} {
		all.Go(func() { // they only wait
			ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
			defer cancel()
			c := exec.CommandContext(ctx, os.Args[0], append([]string{"--config", file}, strings.Fields(args)...)...)
			c.Env = append(os.Environ(), beProgram+"=1")
			began := time.Now()
			out, err := c.CombinedOutput()
			var exit *exec.ExitError
			if !errors.As(err, &exit) {
				t.Errorf("%s gave %v: %s", args, err, out)
				return
			}
			took := time.Since(began)
			if exit.ExitCode() != 3 || !strings.Contains(string(out), "the database doesn't answer") || strings.Contains(string(out), "issing") {
				t.Errorf("%s: exit %d after %s: %s", args, exit.ExitCode(), took, out)
			}
			if took < 5*time.Second || took > 40*time.Second {
				t.Errorf("%s took %s", args, took)
			}
		})
	}
	all.Wait()
}
