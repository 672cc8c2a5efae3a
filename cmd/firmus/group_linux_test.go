package main

import (
	"context"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/fixity/ledger/private"
)

// Accounts that exist nowhere: the daemon's, a person's of its group, and a stranger's.
const (
	daemonID, personID, strangerID = 61001, 61002, 61003
	groupID                        = 61100
)

// TestCommandsOfAGroupNeverShutTheDaemonOut: beside a daemon of its own account, with a
// state folder that is shared with a group, a person's commands work, whatever his umask
// is; what they make the daemon can use, and a stranger can read none of it.
func TestCommandsOfAGroupNeverShutTheDaemonOut(t *testing.T) {
	needsRoot(t, "to be two accounts")
	program(t, "setpriv")
	dir := installed(t)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	at := func(p string) string { return filepath.Join(dir, p) }
	port := freePort(t)
	must(os.WriteFile(at("firmus.toml"), fmt.Appendf(nil, studioConfig+`[store.vault]
kind = "disk"
own_drive = true
manifests = true
sets = { masters = "vault" }
[web]
listen = "127.0.0.1:%s"
`, port), 0o644))
	put := func(item string) {
		t.Helper()
		for _, store := range []string{"studio", "vault"} {
			folder := at(store + "/" + item)
			must(os.MkdirAll(folder, 0o777))
			must(os.WriteFile(filepath.Join(folder, item+"_A.dat"), []byte(strings.Repeat(item, 9000)), 0o664))
			for _, p := range []string{at(store), folder} {
				must(os.Chown(p, personID, groupID))
				must(os.Chmod(p, 0o775|fs.ModeSetgid))
			}
		}
	}
	put("QV-0100")
	// As "service install --group" does it; root has used it before.
	must(os.Mkdir(at("state"), 0o755))
	as := func(uid int, umask string, group bool, args ...string) *exec.Cmd {
		groups := "--clear-groups"
		if group {
			groups = fmt.Sprintf("--groups=%d", groupID)
		}
		gid := uid
		if uid == daemonID {
			gid = groupID
		}
		cmd := exec.Command("setpriv", append([]string{fmt.Sprintf("--reuid=%d", uid), fmt.Sprintf("--regid=%d", gid), groups,
			"sh", "-c", "umask " + umask + `; exec "$0" --config "$@"`, at("firmus"), at("firmus.toml")}, args...)...)
		cmd.Dir, cmd.Env = dir, append(os.Environ(), beProgram+"=1", "HOME=/nonexistent")
		return cmd
	}
	works := func(cmd *exec.Cmd) {
		t.Helper()
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("%v: %v\n%s", cmd.Args, err, out)
		}
	}
	root := exec.Command(at("firmus"), "--config", at("firmus.toml"), "intake")
	root.Env = append(os.Environ(), beProgram+"=1")
	works(root)
	must(private.Take(at("state"), daemonID, groupID, true))
	for _, s := range []string{"studio", "vault"} { // what root has made there
		must(filepath.WalkDir(at(s), func(p string, _ fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			return os.Lchown(p, daemonID, groupID)
		}))
	}

	var log lockedBuffer
	serve := as(daemonID, "0007", false, "serve")
	serve.Stdout, serve.Stderr = &log, &log
	must(serve.Start())
	t.Cleanup(func() {
		_ = serve.Process.Signal(syscall.SIGTERM)
		_ = serve.Wait()
		if t.Failed() {
			t.Log(log.String())
		}
	})
	ready := func() bool {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://127.0.0.1:"+port+"/readyz", nil)
		must(err)
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			return false
		}
		res.Body.Close()
		return res.StatusCode == http.StatusOK
	}
	for end := time.Now().Add(time.Minute); !ready(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the daemon isn't ready")
		}
	}
	for i, umask := range []string{"0022", "0077", "0000", "0002"} {
		put(fmt.Sprintf("QV-020%d", i))
		for _, args := range [][]string{{"intake", "--wait", "1m"}, {"audit", "--wait", "1m"}, {"findings"}, {"retire", fmt.Sprintf("masters/QV-020%d", i), "--reason", "a test"}, {"ledger", "checkpoint"}} {
			works(as(personID, umask, true, args...))
		}
		works(as(daemonID, "0007", false, "audit", "--wait", "1m", "--full"))
	}
	if !ready() {
		t.Error("the daemon isn't ready any more")
	}
	if strings.Contains(log.String(), "permission denied") {
		t.Error("the daemon was shut out")
	}
	for _, folder := range []string{"state", "studio/.firmus-ledger", "vault/.firmus-ledger"} {
		must(filepath.WalkDir(at(folder), func(p string, d fs.DirEntry, err error) error {
			if os.IsNotExist(err) {
				return nil // a file of a moment
			}
			if err != nil {
				return err
			}
			st, err := d.Info()
			if err != nil {
				return nil
			}
			want := fs.FileMode(0o660)
			if st.IsDir() {
				want = 0o770 | fs.ModeSetgid
			}
			s := st.Sys().(*syscall.Stat_t)
			if got := st.Mode() & (fs.ModePerm | fs.ModeSetgid); got != want || s.Gid != groupID {
				t.Errorf("%s: %v of group %d, want %v of %d", p, got, s.Gid, want, groupID)
			}
			return nil
		}))
	}
	if out, err := as(strangerID, "0022", false, "findings").CombinedOutput(); err == nil {
		t.Errorf("a stranger reads the ledger:\n%s", out)
	}
	for _, args := range [][]string{{"audit"}, {"ledger", "verify"}, {"ledger", "restore"}, {"intake", "--from-manifests"}} {
		if out, err := as(strangerID, "0022", false, args...).CombinedOutput(); err == nil || !strings.Contains(string(out), "is closed to this account") {
			t.Errorf("%v as a stranger isn't told why: %v\n%s", args, err, out)
		}
	}
}
