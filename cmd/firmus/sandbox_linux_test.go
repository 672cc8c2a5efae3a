package main

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/deploy"
	"firmus/testdata"
)

// nobody is the account of nobody.
const nobody = 65534

// needsRoot skips a test that only root can run, and fails it instead where all parts
// must be there.
func needsRoot(t *testing.T, why string) {
	t.Helper()
	if os.Getuid() == 0 {
		return
	}
	if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
		t.Fatal("needs root")
	}
	t.Skip("needs root, ", why)
}

// installed makes a folder that every account can read, with the program in it. It isn't
// below /tmp: the unit gives the daemon one of its own.
func installed(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/var/lib", "firmus-test-")
	if err != nil {
		t.Skip(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	self, err := os.ReadFile(os.Args[0])
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, "firmus"), self, 0o755)
	}
	if err == nil {
		err = os.Chmod(dir, 0o755)
	}
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// TestSandbox: under what the shipped unit allows it, put up here without systemd, the
// daemon audits, tells, and stops in order. It runs as nobody and without privileges;
// of the whole computer it can write to the folders that "service install" names only;
// it sees of devices and processes what the unit leaves; and a system call that the
// unit's filter refuses is refused.
func TestSandbox(t *testing.T) {
	needsRoot(t, "to mount")
	for _, p := range []string{"unshare", "mount", "setpriv", "strace", "systemd-analyze"} {
		program(t, p)
	}
	dir := installed(t)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	at := func(p string) string { return filepath.Join(dir, p) }
	write := func(p, text string) {
		t.Helper()
		must(os.MkdirAll(filepath.Dir(at(p)), 0o755))
		must(os.WriteFile(at(p), []byte(text), 0o644))
	}
	port := freePort(t)
	write("firmus.toml", fmt.Sprintf(`name = "Quillmere Valley Song Survey"
state = %q
[set.masters]
role = "master"
[store.studio]
kind = "disk"
arrivals = true
sets = { masters = %q }
[store.safe]
kind = "disk"
own_drive = true
visiting = true
marker = false
sets = { masters = %q }
[web]
listen = "127.0.0.1:%s"
`, at("state"), at("studio"), at("safe"), port))
	for i := range 3 {
		p := fmt.Sprintf("QV-010%d/QV-010%d_A.wav", i, i)
		write("studio/"+p, string(testdata.Wave(p, 9000*len(p))))
		write("safe/"+p, string(testdata.Wave(p, 9000*len(p))))
	}
	must(os.MkdirAll(at("state"), 0o700))
	firmus := func(args ...string) string {
		t.Helper()
		cmd := exec.Command(at("firmus"), append([]string{"--config", at("firmus.toml")}, args...)...)
		cmd.Env = append(os.Environ(), beProgram+"=1")
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("firmus %v: %v\n%s", args, err, out)
		}
		return string(out)
	}
	firmus("intake")
	firmus("service", "install", "--root", at("root"), "--binary", at("firmus"))
	here, err := os.ReadFile(at("root/etc/systemd/system/firmus.service.d/here.conf"))
	must(err)
	// Everything belongs to the daemon's account: what keeps it from writing is the unit.
	must(filepath.WalkDir(dir, func(p string, _ os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return os.Lchown(p, nobody, nobody)
	}))

	var script strings.Builder
	script.WriteString("set -e\n")
	paths := 0
	for line := range strings.Lines(string(here)) {
		if p, ok := strings.CutPrefix(strings.TrimSpace(line), "ReadWritePaths="); ok {
			fmt.Fprintf(&script, "mount --bind %[1]s %[1]s\n", strings.TrimPrefix(p, "-"))
			paths++
		}
	}
	if paths != 2 {
		t.Fatalf("%d folders may be written to, want state and studio:\n%s", paths, here)
	}
	settings := strings.Split(deploy.Unit, "\n")
	for _, x := range []struct{ setting, does string }{
		{"ProtectSystem=strict", "mount -o remount,bind,ro /"},
		{"PrivateTmp=yes", "mount -t tmpfs tmpfs /tmp; mount -t tmpfs tmpfs /var/tmp"},
		{"PrivateDevices=yes", "mkdir /tmp/dev; for d in null zero full random urandom tty; do touch /tmp/dev/$d; mount --bind /dev/$d /tmp/dev/$d; done; mount --rbind /tmp/dev /dev"},
		{"ProtectProc=invisible", "mount -t proc -o hidepid=invisible,subset=pid proc /proc"},
		{"CapabilityBoundingSet=", ""}, // by setpriv
		{"NoNewPrivileges=yes", ""},    // likewise
		{"User=firmus", ""},            // likewise: nobody is another account without rights
		{"UMask=0022", "umask 0022"},
		{"SystemCallFilter=@system-service", ""}, // by strace
		{"SystemCallFilter=~@privileged @resources", ""},
		{"SystemCallErrorNumber=EPERM", ""},
	} {
		if !slices.Contains(settings, x.setting) {
			t.Errorf("the unit has no %s", x.setting)
		}
		script.WriteString(x.does + "\n")
	}
	bare := fmt.Sprintf("setpriv --reuid=%d --regid=%d --clear-groups --no-new-privs --bounding-set=-all --inh-caps=-all ", nobody, nobody)
	// What the unit forbids is forbidden, or the rest shows nothing.
	fmt.Fprintf(&script, "for f in %s /etc/firmus-sandbox %s; do if %s touch $f 2>/dev/null; then echo \"$f was written to\" >&2; exit 9; fi; done\n", at("safe/x"), at("x"), bare)
	fmt.Fprintf(&script, "if ls /dev/mem /dev/vda /dev/sda 2>/dev/null; then echo 'a device is there' >&2; exit 9; fi\n")
	fmt.Fprintf(&script, "%s touch %s %s\n", bare, at("studio/.firmus-sandbox"), at("state/.firmus-sandbox"))
	calls := refusedCalls(t)
	// The filter refuses what an unprivileged process may do otherwise.
	fmt.Fprintf(&script, "%s strace -f -qq --seccomp-bpf -o /dev/null -e trace=%s -e inject=%s:error=EPERM nice -n 5 true 2>&1 | grep -q 'not permitted' || { echo 'nothing is refused' >&2; exit 9; }\n", bare, calls, calls)
	fmt.Fprintf(&script, "exec %s strace -D -f -qq --seccomp-bpf -o %s -e trace=%s,socket,mmap,mprotect -e inject=%s:error=EPERM %s --config %s serve\n",
		bare, at("state/calls"), calls, calls, at("firmus"), at("firmus.toml"))

	var log lockedBuffer
	cmd := exec.Command("unshare", "--mount", "--propagation", "private", "sh", "-c", script.String())
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), beProgram + "=1", "HOME=/nonexistent"}
	cmd.Stdout, cmd.Stderr = &log, &log
	must(cmd.Start())
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		if t.Failed() {
			t.Log(log.String())
		}
	})
	within := func(what string, ok func() bool) {
		t.Helper()
		for end := time.Now().Add(60 * time.Second); !ok(); time.Sleep(100 * time.Millisecond) {
			select {
			case err := <-ended:
				t.Fatalf("%s: it has ended: %v", what, err)
			default:
			}
			if time.Now().After(end) {
				t.Fatalf("never: %s", what)
			}
		}
	}
	shown := func(text string) func() bool {
		return func() bool {
			res, err := http.Get("http://127.0.0.1:" + port + "/metrics")
			if err != nil {
				return false
			}
			defer res.Body.Close()
			b, _ := io.ReadAll(res.Body)
			return strings.Contains(string(b), text)
		}
	}
	within("it reads a drive that only it may not write to", shown(`firmus_visit_may_go_back{store="safe"} 1`))
	must(os.RemoveAll(at("studio/QV-0101")))
	within("it finds what is lost", shown(`firmus_open_findings{store="studio",urgency="at-risk"} 1`))
	began := time.Now()
	must(cmd.Process.Signal(syscall.SIGTERM))
	select {
	case err := <-ended:
		if err != nil || time.Since(began) > daemonStops {
			t.Errorf("it ended after %s: %v", time.Since(began), err)
		}
		ended <- err
	case <-time.After(2 * daemonStops):
		t.Fatal("it doesn't stop")
	}
	if !strings.Contains(log.String(), "msg=stopped") {
		t.Error("it didn't stop in order")
	}
	firmus("ledger", "verify")
	if out := firmus("store", "list"); !strings.Contains(out, "may go back") {
		t.Errorf("the visit: %s", out)
	}
	made, err := os.ReadFile(at("state/calls"))
	must(err)
	sockets := 0
	for line := range strings.Lines(string(made)) {
		_, line, _ = strings.Cut(strings.TrimSpace(line), " ")
		line = strings.TrimSpace(line)
		switch {
		case strings.HasPrefix(line, "socket("):
			sockets++
			// RestrictAddressFamilies=
			if !strings.HasPrefix(line, "socket(AF_UNIX,") && !strings.HasPrefix(line, "socket(AF_INET,") && !strings.HasPrefix(line, "socket(AF_INET6,") {
				t.Errorf("the unit refuses %s", line)
			}
		case strings.HasPrefix(line, "mmap("), strings.HasPrefix(line, "mprotect("):
			// MemoryDenyWriteExecute=
			if strings.Contains(line, "PROT_WRITE") && strings.Contains(line, "PROT_EXEC") {
				t.Errorf("the unit refuses %s", line)
			}
		case strings.Contains(line, "(INJECTED)"):
			t.Logf("refused, and done without: %s", line)
		}
	}
	if sockets == 0 {
		t.Error("no call was looked at")
	}
}

// refusedCalls are the system calls that the unit's filter refuses, as strace takes
// them: all that are known, but what is in the group for services, and of that not what
// is privileged or about resources.
func refusedCalls(t *testing.T) string {
	t.Helper()
	out, err := exec.Command("systemd-analyze", "syscall-filter").Output()
	if err != nil {
		t.Fatal(err)
	}
	groups, group := map[string][]string{}, ""
	for line := range strings.Lines(string(out)) {
		word := strings.TrimSpace(line)
		switch {
		case word == "" || word[0] == '#':
		case line[0] == '@':
			group = word
		case line[0] == ' ':
			groups[group] = append(groups[group], word)
		}
	}
	var all func(group string, into map[string]bool)
	all = func(group string, into map[string]bool) {
		for _, w := range groups[group] {
			if w[0] == '@' {
				all(w, into)
			} else {
				into[w] = true
			}
		}
	}
	allowed, not, known := map[string]bool{}, map[string]bool{}, map[string]bool{}
	all("@default", allowed)
	all("@system-service", allowed)
	all("@privileged", not)
	all("@resources", not)
	all("@known", known)
	var refused []string
	for call := range known {
		if !allowed[call] || not[call] {
			refused = append(refused, "?"+call)
		}
	}
	slices.Sort(refused)
	if len(refused) < 50 || !slices.Contains(refused, "?mount") || slices.Contains(refused, "?read") {
		t.Fatalf("refused: %q", refused)
	}
	return strings.Join(refused, ",")
}
