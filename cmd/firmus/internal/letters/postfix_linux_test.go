package letters_test

import (
	"bytes"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"net"
	"net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/letters"
	"firmus/cmd/firmus/testing/mailtest"
)

// needs skips the test where a program of Debian's package is absent, and fails it
// where all parts must be there.
func needs(t *testing.T, program, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		for _, dir := range []string{"/usr/sbin/", "/usr/local/sbin/"} {
			if _, err := os.Stat(dir + program); err == nil {
				return dir + program
			}
		}
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatalf("no %s (Debian: %s)", program, pkg)
		}
		t.Skipf("no %s (Debian: %s)", program, pkg)
	}
	return path
}

// postfix is a real mail server on loopback, with folders and a user of its own.
type postfix struct {
	*testing.T
	program, dir, addr string
}

func startPostfix(t *testing.T) (*postfix, *x509.CertPool) {
	t.Helper()
	program := needs(t, "postfix", "postfix")
	saslpasswd := needs(t, "saslpasswd2", "sasl2-bin")
	if plain, _ := filepath.Glob("/usr/lib/*/sasl2/libplain.so"); len(plain) == 0 {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal("no way to log in (Debian: libsasl2-modules)")
		}
		t.Skip("no way to log in (Debian: libsasl2-modules)")
	}
	if os.Getuid() != 0 {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal("postfix starts as root only")
		}
		t.Skip("postfix starts as root only")
	}
	// Not t.TempDir: postfix's own users must come through.
	dir, err := os.MkdirTemp("", "firmus-postfix-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	run := func(stdin, name string, args ...string) string {
		t.Helper()
		c := exec.Command(name, args...)
		c.Stdin = strings.NewReader(stdin)
		out, err := c.CombinedOutput()
		if err != nil {
			t.Fatalf("%s %v: %v\n%s", name, args, err, out)
		}
		return strings.TrimSpace(string(out))
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &postfix{t, program, dir, ln.Addr().String()}
	ln.Close()
	config, pool := mailtest.Certificate(t, "127.0.0.1")
	key, err := x509.MarshalPKCS8PrivateKey(config.Certificates[0].PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	uid, gid := run("", "id", "-u", "nobody"), run("", "id", "-g", "nobody")
	_, port, _ := net.SplitHostPort(p.addr)
	for _, d := range []string{"etc", "etc/sasl", "spool", "data", "mail"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	files := map[string]string{
		"etc/key.pem":  string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key})),
		"etc/cert.pem": string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: config.Certificates[0].Certificate[0]})),
		"etc/sasl/smtpd.conf": "pwcheck_method: auxprop\nauxprop_plugin: sasldb\nmech_list: PLAIN\nsasldb_path: " +
			filepath.Join(dir, "etc/sasl/db") + "\n",
		"etc/main.cf": strings.ReplaceAll(`compatibility_level = 3.6
queue_directory = DIR/spool
data_directory = DIR/data
mail_owner = postfix
setgid_group = postdrop
inet_interfaces = 127.0.0.1
inet_protocols = ipv4
myhostname = mail.quillmere.example
mydestination =
mynetworks =
alias_maps =
local_recipient_maps =
smtp_host_lookup = native
default_transport = error:nothing leaves this computer
maillog_file = DIR/log
maillog_file_prefixes = DIR
virtual_mailbox_domains = quillmere.example
virtual_mailbox_base = DIR/mail
virtual_mailbox_maps = inline:{archivist@quillmere.example=archivist/, technician@quillmere.example=technician/}
virtual_uid_maps = static:`+uid+`
virtual_gid_maps = static:`+gid+`
smtpd_tls_security_level = encrypt
smtpd_tls_cert_file = DIR/etc/cert.pem
smtpd_tls_key_file = DIR/etc/key.pem
smtpd_sasl_auth_enable = yes
smtpd_sasl_path = smtpd
smtpd_sasl_local_domain = quillmere
cyrus_sasl_config_path = DIR/etc/sasl
smtpd_tls_auth_only = yes
smtpd_recipient_restrictions = permit_sasl_authenticated, reject
`, "DIR", dir),
		"etc/master.cf": "127.0.0.1:" + port + " inet n - n - - smtpd\n" + `pickup unix n - n 60 1 pickup
cleanup unix n - n - 0 cleanup
qmgr unix n - n 300 1 qmgr
rewrite unix - - n - - trivial-rewrite
bounce unix - - n - 0 bounce
defer unix - - n - 0 bounce
trace unix - - n - 0 bounce
verify unix - - n - 1 verify
virtual unix - n n - - virtual
error unix - - n - - error
retry unix - - n - - error
anvil unix - - n - 1 anvil
tlsmgr unix - - n 1000? 1 tlsmgr
proxymap unix - - n - - proxymap
postlog unix-dgram n - n - 1 postlogd
`,
	}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	os.Chmod(dir, 0o755)
	run("correct horse", saslpasswd, "-p", "-c", "-f", filepath.Join(dir, "etc/sasl/db"), "-u", "quillmere", "firmus")
	os.Chmod(filepath.Join(dir, "etc/sasl/db"), 0o644)
	run("", "chown", "-R", "postfix", filepath.Join(dir, "data"))
	run("", "chown", "-R", "nobody", filepath.Join(dir, "mail"))
	p.start()
	t.Cleanup(func() { exec.Command(program, "-c", filepath.Join(dir, "etc"), "stop").Run() })
	return p, pool
}

func (p *postfix) start() {
	p.Helper()
	if out, err := exec.Command(p.program, "-c", filepath.Join(p.dir, "etc"), "start").CombinedOutput(); err != nil {
		log, _ := os.ReadFile(filepath.Join(p.dir, "log"))
		p.Fatalf("start: %v\n%s\n%s", err, out, log)
	}
	for range 100 {
		if c, err := net.Dial("tcp", p.addr); err == nil {
			c.Close()
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	p.Fatal("it doesn't answer")
}

func (p *postfix) stop() {
	p.Helper()
	if out, err := exec.Command(p.program, "-c", filepath.Join(p.dir, "etc"), "stop").CombinedOutput(); err != nil {
		p.Fatalf("stop: %v\n%s", err, out)
	}
}

// box waits for n letters in a person's box.
func (p *postfix) box(person string, n int) []*mail.Message {
	p.Helper()
	var out []*mail.Message
	for range 200 {
		names, _ := filepath.Glob(filepath.Join(p.dir, "mail", person, "new", "*"))
		if len(names) >= n {
			for _, name := range names {
				b, err := os.ReadFile(name)
				if err != nil {
					p.Fatal(err)
				}
				m, err := mail.ReadMessage(bytes.NewReader(b))
				if err != nil {
					p.Fatal(err)
				}
				out = append(out, m)
			}
			return out
		}
		time.Sleep(50 * time.Millisecond)
	}
	log, _ := os.ReadFile(filepath.Join(p.dir, "log"))
	p.Fatalf("%d letters for %s didn't come\n%s", n, person, log)
	return nil
}

// TestPostfix: a real server takes letters with STARTTLS and a login, refuses an
// address it doesn't know and a password that is wrong, and is down for a while.
func TestPostfix(t *testing.T) {
	p, pool := startPostfix(t)
	w := waiting(t)
	password := "wrong"
	w.options = func(o *letters.Options) {
		o.Mail.Server, o.Mail.TLS, o.Mail.Roots, o.Mail.User = p.addr, "starttls", pool, "firmus@quillmere"
		o.Mail.Password = func() (string, error) { return password, nil }
	}
	step := func(what string, want letters.Sent, trouble string) {
		t.Helper()
		got := w.send()
		if got.Delivered != want.Delivered || got.Deferred != want.Deferred || got.Refused != want.Refused || !strings.Contains(got.Trouble, trouble) {
			log, _ := os.ReadFile(filepath.Join(p.dir, "log"))
			t.Fatalf("%s: %+v, want %+v and %q\n%s", what, got, want, trouble, log)
		}
		w.now = w.now.Add(5 * time.Hour)
	}
	step("a wrong password", letters.Sent{Deferred: 2}, "535")
	password = "correct horse"
	p.stop()
	step("down", letters.Sent{Deferred: 2}, "refused")
	p.start()
	step("right", letters.Sent{Delivered: 2}, "")
	first := p.box("archivist", 1)[0]
	if id := first.Header.Get("Message-Id"); id != "<"+w.outbox()[0].MessageID+">" {
		t.Errorf("Message-ID %s, want %s", id, w.outbox()[0].MessageID)
	}
	if types, texts := parts(t, first); fmt.Sprint(types) != "[text/plain text/html text/calendar]" || strings.TrimSpace(texts["text/plain"]) != strings.TrimSpace(w.outbox()[0].Text) {
		t.Errorf("parts %q\n%s", types, texts["text/plain"])
	}
	p.box("technician", 1)

	// An address that nobody has.
	was := w.options
	w.options = func(o *letters.Options) {
		was(o)
		o.Mail.To = []string{"archivist@quillmere.example", "nobody@quillmere.example"}
	}
	w.now = w.now.Add(7 * 24 * time.Hour)
	w.with(func(a *app.App) {
		if n, err := w.letters(a).Fill(t.Context()); err != nil || n != 1 {
			t.Fatalf("%d, %v", n, err)
		}
	})
	step("an unknown address", letters.Sent{Delivered: 1, Refused: 1}, "unknown")
	p.box("archivist", 2)
}
