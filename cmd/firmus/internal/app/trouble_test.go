package app_test

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"math/big"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/outlook"
	"firmus/fixity/ledger"
)

// Whatever is wrong with the mail server: it is said, counted and shown, the letter
// waits, and the rest goes on.
func TestDaemonMailTrouble(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, tls, says string
		talk            func(net.Conn)
	}{
		{"it hangs up at once", "none", "it ended too early", func(c net.Conn) { c.Close() }},
		{"it takes the text and hangs up", "none", "it ended too early", func(c net.Conn) {
			defer c.Close()
			fmt.Fprint(c, "220 post.quillmere.example\r\n")
			for in := bufio.NewScanner(c); in.Scan(); {
				switch verb, _, _ := strings.Cut(in.Text(), " "); verb {
				case "DATA":
					fmt.Fprint(c, "354 go on\r\n")
					for in.Scan() && in.Text() != "." {
					}
					return
				default:
					fmt.Fprint(c, "250 ok\r\n")
				}
			}
		}},
		{"its certificate is known to nobody", "tls", "certificate", func(c net.Conn) {
			s := tls.Server(c, strangersCertificate(t))
			_ = s.Handshake()
			s.Close()
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel() // they wait, mostly
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
					go tc.talk(c)
				}
			}()
			w, addr := daemonWorld(t, fmt.Sprintf(`
[mail]
server = %q
tls = %q
from = "firmus@quillmere.example"
to = ["archivist@quillmere.example"]
`, l.Addr(), tc.tls))
			r := w.daemon(addr)
			r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
			r.watches("studio", "masters")
			if err := os.Remove(w.path("studio/masters/QV-0100/QV-0100_A.wav")); err != nil {
				t.Fatal(err)
			}
			r.within(time.Minute, "it is said", func() bool { return r.log.has("letters were not taken") && r.log.has(tc.says) })
			r.within(time.Minute, "it is shown", r.answers("/metrics", 200, "firmus_letters_waiting 1"))
			// What "firmus check" shows.
			a := w.open()
			box, err := a.Letters(nil)
			if err != nil {
				t.Fatal(err)
			}
			if n, err := box.Counts(t.Context()); err != nil || n.Waiting != 1 || !strings.Contains(n.Trouble, tc.says) {
				t.Errorf("the outbox: %+v, %v", n, err)
			}
			a.Close()
			w.now = time.Now()
			w.write("studio/masters/QV-0311/QV-0311_A.wav", "new", 99_999)
			r.within(time.Minute, "the rest goes on", r.answers("/metrics", 200, `firmus_files{set="masters",state="intact",store="studio"} 3`))
		})
	}
}

// A mail server that says nothing holds up neither the others nor the end.
func TestDaemonMailServerHangs(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0") // connections are taken by the system, and never answered
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	w, addr := daemonWorld(t, fmt.Sprintf(`
[mail]
server = %q
tls = "none"
from = "firmus@quillmere.example"
to = ["archivist@quillmere.example"]
`, l.Addr()))
	r := w.daemon(addr)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	r.watches("studio", "masters")
	if err := os.Remove(w.path("studio/masters/QV-0100/QV-0100_A.wav")); err != nil {
		t.Fatal(err)
	}
	r.within(time.Minute, "the letter is written", func() bool { return r.log.has("letters written") })
	w.now = time.Now()
	w.write("studio/masters/QV-0311/QV-0311_A.wav", "new", 99_999)
	r.within(time.Minute, "the rest goes on", r.answers("/metrics", 200, `firmus_files{set="masters",state="intact",store="studio"} 3`))
	if took := r.stop(); took > time.Minute {
		t.Errorf("stopped after %s", took)
	}
}

// strangersCertificate is one that nobody has signed.
func strangersCertificate(t *testing.T) *tls.Config {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Error(err)
		return nil
	}
	c := x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "post.quillmere.example"}, NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, &c, &c, &key.PublicKey, key)
	if err != nil {
		t.Error(err)
		return nil
	}
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
}

// A schedule whose window is only open while the computer is off is never followed:
// check says so after some days.
func TestWindowNeverOpens(t *testing.T) {
	t.Parallel()
	w, _ := daemonWorld(t, "window = \"22:00-06:00\"\nschedule = \"0 1 * * *\"\n")
	begun := time.Now().Add(-5 * 24 * time.Hour)
	a := w.open()
	defer a.Close()
	if err := a.Ledger.Tx(t.Context(), begun, func(x *ledger.Tx) error {
		f := ledger.Firing{Job: ledger.FiringAudit, Store: "vault", Due: begun, By: "the test"}
		f, _, err := x.Clock.Win(f)
		if err != nil {
			return err
		}
		return x.Clock.End(f, ledger.FiringBegun, "")
	}); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		after time.Duration
		ok    bool
		says  string
	}{
		{2 * 24 * time.Hour, true, "the schedule begins"},
		{5 * 24 * time.Hour, false, "is the computer on while its window, 22:00-06:00, is open?"},
	} {
		cs, err := outlook.Checks(t.Context(), a.Ledger, a.Config, begun.Add(tc.after))
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, c := range cs {
			if c.What == "store vault, scheduled audits" {
				found = true
				if c.OK != tc.ok || !strings.Contains(c.Detail, tc.says) {
					t.Errorf("after %s: %+v", tc.after, c)
				}
			}
		}
		if !found {
			t.Errorf("after %s nothing is said of the schedule: %+v", tc.after, cs)
		}
	}
}
