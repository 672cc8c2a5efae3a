package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/fixity/testing/ledgertest"
	"firmus/testdata"
)

// composed is what a test needs of the compose file: texts by their names. It reads no YAML
// beyond the way in which that one file is written.
type composed struct {
	text    string
	configs map[string]string // contents of files
}

func readCompose(t *testing.T) composed {
	t.Helper()
	b, err := os.ReadFile("../../deploy/compose.yaml")
	if err != nil {
		t.Fatal(err)
	}
	c := composed{string(b), map[string]string{}}
	name := ""
	_, configs, _ := strings.Cut(c.text, "\nconfigs:\n")
	for line := range strings.Lines(configs) {
		switch body, isBody := strings.CutPrefix(line, "      "); {
		case isBody:
			c.configs[name] += strings.ReplaceAll(body, "$$", "$")
		case strings.HasPrefix(line, "  ") && !strings.HasPrefix(line, "   "):
			name = strings.TrimSuffix(strings.TrimSpace(line), ":")
		}
	}
	for _, want := range []string{"database", "prometheus", "host-a", "host-b", "host-c"} {
		if c.configs[want] == "" {
			t.Fatalf("the compose file has no %s: %v", want, c.configs)
		}
	}
	return c
}

// command is that of a service, as a list.
func (c composed) command(t *testing.T, service string) []string {
	t.Helper()
	m := regexp.MustCompile(`(?ms)^  ` + service + `:\n.*?^    command: \[(.*?)\]$`).FindStringSubmatch(c.text)
	if m == nil {
		t.Fatalf("%s has no command", service)
	}
	return strings.Split(m[1], ", ")
}

// TestComposeFile starts what the compose file starts, without containers: PostgreSQL as its
// image begins it, with the script that makes Firmus's user and database; three hosts; and
// Prometheus. Ports and folders are the test's own. All three read an audit, their metrics are
// scraped, and Firmus's user is nobody's superuser.
func TestComposeFile(t *testing.T) {
	if os.Getenv("FIRMUS_ALL_PARTS") != "1" {
		t.Skip("it takes half a minute: FIRMUS_ALL_PARTS=1")
	}
	t.Parallel()
	prometheus, err := exec.LookPath("prometheus")
	if err != nil {
		t.Fatal("prometheus is not here")
	}
	if os.Geteuid() != 0 {
		t.Fatal("needs root, to be the accounts that the images are")
	}
	c := readCompose(t)
	dir, err := os.MkdirTemp("/var/tmp", "firmus-compose-") // every account can look into it
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	// The ports of the file, each with a free one in its place, and its folders.
	instead := []string{"/srv/", dir + "/"}
	for _, port := range []string{"5433", "7341", "7342", "7343", "9090"} {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		free := fmt.Sprint(l.Addr().(*net.TCPAddr).Port)
		l.Close()
		if !strings.Contains(c.text, port) {
			t.Fatalf("the compose file has no port %s", port)
		}
		instead = append(instead, port, free)
	}
	here := strings.NewReplacer(instead...).Replace
	const password = "quillmere"

	// The database, as the image's entry point makes it: whoever asks over the socket is let in,
	// over the network only with a password.
	secret := filepath.Join(dir, "password")
	if err := os.WriteFile(secret, []byte(password+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	var options []string
	command := c.command(t, "db")
	for i, x := range command {
		if x == "-c" {
			options = append(options, here(command[i+1]))
		}
	}
	if command[0] != "postgres" || len(options) != 2 {
		t.Fatalf("the database's command is %q", command)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	server := ledgertest.Own(t, []string{"-U", "postgres", "--auth-local=trust", "--auth-host=scram-sha-256", "--pwfile=" + secret}, options...)
	if server == nil {
		t.Fatal("PostgreSQL's programs are not here")
	}
	script := exec.Command("bash", "-euc", c.configs["database"])
	script.Env = []string{"PATH=" + server.Bin + ":" + os.Getenv("PATH"), "PGHOST=" + server.Dir, "PGPORT=" + here("5433"), "FIRMUS_DB_PASSWORD=" + password}
	if out, err := script.CombinedOutput(); err != nil {
		t.Fatalf("the script of the database: %v\n%s", err, out)
	}

	// Stores and hosts. The image's account is 1000; the test's program stands for the image's.
	for _, d := range []string{"studio", "vault"} {
		for i := range 60 {
			at := filepath.Join(dir, d, fmt.Sprintf("QV-%04d/QV-%04d_A.wav", i, i))
			if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(at, testdata.Wave(at[len(dir)+len(d)+2:], 1_000_000), 0o644); err != nil {
				t.Fatal(err)
			}
			old := time.Now().Add(-time.Hour)
			if err := os.Chtimes(at, old, old); err != nil {
				t.Fatal(err)
			}
		}
	}
	program := filepath.Join(dir, "firmus")
	self, err := os.ReadFile(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(program, self, 0o755); err != nil {
		t.Fatal(err)
	}
	firmus := func(host string, args ...string) *exec.Cmd {
		x := exec.Command(program, args...)
		x.Dir = dir
		x.Env = []string{beProgram + "=1", "FIRMUS_HOST=" + host, "PGPASSWORD=" + password, "FIRMUS_CONFIG=" + filepath.Join(dir, host, "firmus.toml")}
		x.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 1000, Gid: 1000}}
		return x
	}
	if !strings.Contains(c.text, `PGPASSWORD: "${FIRMUS_DB_PASSWORD}"`) {
		t.Error("hosts get their password in another way")
	}
	hosts := []string{"host-a", "host-b", "host-c"}
	for _, h := range hosts {
		state := filepath.Join(dir, h, "state")
		if err := os.MkdirAll(state, 0o700); err != nil {
			t.Fatal(err)
		}
		text := strings.Replace(here(c.configs[h]), `"/var/lib/firmus"`, fmt.Sprintf("%q", state), 1)
		if err := os.WriteFile(filepath.Join(dir, h, "firmus.toml"), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if out, err := exec.Command("chown", "-R", "1000:1000", filepath.Join(dir, "studio"), filepath.Join(dir, "vault"), filepath.Join(dir, "host-a"), filepath.Join(dir, "host-b"), filepath.Join(dir, "host-c")).CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	begin := func(x *exec.Cmd) *bytes.Buffer {
		t.Helper()
		var said bytes.Buffer
		x.Stdout, x.Stderr = &said, &said
		if err := x.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { // by its id alone
			_ = x.Process.Signal(syscall.SIGTERM)
			_ = x.Wait()
			if t.Failed() {
				t.Logf("%s: %s", x.Args, said.String())
			}
		})
		return &said
	}
	get := func(port, path string) string {
		r, err := http.Get("http://127.0.0.1:" + here(port) + path)
		if err != nil {
			return ""
		}
		defer r.Body.Close()
		b, _ := io.ReadAll(r.Body)
		return string(b)
	}
	until := func(what string, is func() bool) {
		t.Helper()
		for end := time.Now().Add(40 * time.Second); !is(); time.Sleep(200 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("not within 40 s: %s", what)
			}
		}
	}
	for _, h := range hosts {
		begin(firmus(h, "serve"))
	}
	for _, port := range []string{"7341", "7342", "7343"} {
		until("a host is ready at "+port, func() bool { return get(port, "/readyz") == "ok\n" })
	}
	if out, err := firmus("host-a", "intake").CombinedOutput(); err != nil {
		t.Fatalf("intake: %v\n%s", err, out)
	}

	// Prometheus, by its command and its file.
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(here(c.configs["prometheus"])), 0o644); err != nil {
		t.Fatal(err)
	}
	args := []string{"--storage.tsdb.path=" + filepath.Join(dir, "metrics")}
	for _, x := range c.command(t, "prometheus") {
		args = append(args, strings.ReplaceAll(here(x), "/etc/prometheus/prometheus.yml", file))
	}
	begin(exec.Command(prometheus, args...))

	audit := firmus("host-b", "audit", "vault", "--full", "--json")
	audit.Stderr = os.Stderr
	out, err := audit.Output()
	if err != nil {
		t.Fatalf("audit: %v\n%s", err, out)
	}
	var told any
	if err := json.Unmarshal(out, &told); err != nil {
		t.Fatal(err)
	}
	for _, h := range hosts {
		if !bytes.Contains(out, []byte(`"`+h+`"`)) {
			t.Errorf("%s read nothing of the audit: %s", h, out)
		}
	}
	if out, err := firmus("host-c", "ledger", "verify").CombinedOutput(); err != nil {
		t.Errorf("ledger verify: %v\n%s", err, out)
	}

	// What Firmus's user may, and who else may use its database.
	if got := server.Psql("postgres", `SELECT rolsuper, rolcreatedb, rolcreaterole, rolreplication, rolbypassrls FROM pg_roles WHERE rolname = 'firmus'`); got != "f|f|f|f|f" {
		t.Errorf("Firmus's user may %s", got)
	}
	server.Psql("postgres", `CREATE ROLE stranger LOGIN`)
	if got := server.Psql("postgres", `SELECT has_database_privilege('stranger', 'firmus', 'CONNECT')`); got != "f" {
		t.Error("a stranger may connect to the database")
	}
	until("Prometheus scrapes all three", func() bool {
		return strings.Count(get("9090", "/api/v1/query?query=firmus_hosts_running%3D%3D3"), `"firmus_hosts_running"`) == 3
	})
	if !slices.Contains(hosts, "host-a") || !strings.Contains(get("7341", "/metrics"), `firmus_host`) {
		t.Error("metrics don't tell the host")
	}
}
