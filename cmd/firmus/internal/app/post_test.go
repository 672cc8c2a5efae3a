package app_test

import (
	"bufio"
	"fmt"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/outlook"
	"firmus/fixity/ledger"
)

// postOffice takes letters as RFC 5321 has it, no more than is needed.
type postOffice struct {
	moment func(n int) // told how far sending is, before the answer; may be nil

	mu      sync.Mutex
	letters []string
}

func (p *postOffice) reached(n int) {
	if p.moment != nil {
		p.moment(n)
	}
}

// openPost gives a post office, and where it listens.
func openPost(t *testing.T) (*postOffice, string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	p := &postOffice{}
	p.serve(t, l)
	return p, l.Addr().String()
}

// mailed is the configuration of a daemon that sends letters there.
func mailed(addr string) string {
	return fmt.Sprintf("\n[mail]\nserver = %q\ntls = \"none\"\nfrom = \"firmus@quillmere.example\"\nto = [\"archivist@quillmere.example\"]\n", addr)
}

func (p *postOffice) serve(t *testing.T, l net.Listener) {
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go p.talk(c)
		}
	}()
}

func (p *postOffice) talk(c net.Conn) {
	defer c.Close()
	say := func(s string) { fmt.Fprintf(c, "%s\r\n", s) }
	say("220 post.quillmere.example")
	in := bufio.NewScanner(c)
	for in.Scan() {
		switch verb, _, _ := strings.Cut(strings.ToUpper(in.Text()), " "); verb {
		case "EHLO":
			say("250-post.quillmere.example\r\n250 8BITMIME")
		case "RCPT":
			p.reached(0)
			say("250 ok")
		case "DATA":
			p.reached(1)
			say("354 go on")
			var b strings.Builder
			whole := false
			for in.Scan() {
				if whole = in.Text() == "."; whole {
					break
				}
				b.WriteString(in.Text() + "\n")
			}
			if !whole {
				return // whoever sent it is gone
			}
			p.mu.Lock()
			p.letters = append(p.letters, b.String())
			p.mu.Unlock()
			p.reached(2)
			say("250 taken")
			p.reached(3)
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 ok")
		}
	}
}

func (p *postOffice) has(text string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, l := range p.letters {
		if strings.Contains(l, text) {
			return true
		}
	}
	return false
}

// Trouble is written about within a minute; a mail server that is down at first loses
// nothing, is shown, and stops nothing.
func TestDaemonWrites(t *testing.T) {
	t.Parallel()
	mail := freeAddr(t)
	w, addr := daemonWorld(t, fmt.Sprintf(`
[mail]
server = %q
tls = "none"
from = "firmus@quillmere.example"
to = ["archivist@quillmere.example"]
`, mail))
	r := w.daemon(addr)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	r.watches("studio", "masters")
	r.within(time.Minute, "the next weekly letter is shown", r.answers("/metrics", 200, "firmus_letter_next_timestamp_seconds 1"))
	if err := os.Remove(w.path("studio/masters/QV-0100/QV-0100_A.wav")); err != nil {
		t.Fatal(err)
	}
	r.within(time.Minute, "the letter is written and can't leave", func() bool { return r.log.has("letters were not taken") })
	r.within(time.Minute, "it is shown", r.answers("/metrics", 200, "firmus_letters_waiting 1"))
	l, err := net.Listen("tcp", mail)
	if err != nil {
		t.Fatal(err)
	}
	post := &postOffice{}
	post.serve(t, l)
	// A person who has put it right says so; else the next try is some minutes away.
	a := w.open()
	if err := a.Ledger.Tx(t.Context(), time.Now(), func(x *ledger.Tx) error { _, err := x.Post.TryAgain(); return err }); err != nil {
		t.Fatal(err)
	}
	a.Close()
	r.within(100*time.Second, "the letter is sent", func() bool { return post.has("QV-0100") })
	r.within(time.Minute, "it is shown", r.answers("/metrics", 200, "firmus_letters_waiting 0"))
}

// Outlook: a store that is read too slowly is foreseen to break its promise.
func TestOutlook(t *testing.T) {
	t.Parallel()
	w, _ := daemonWorld(t, "")
	a := w.open()
	defer a.Close()
	st, _ := a.Config.Store("studio")
	look := func() outlook.Outlook {
		t.Helper()
		o, err := outlook.Of(t.Context(), a.Ledger, st, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	if o := look(); o.Files != 3 || o.Within != 3 || o.Forecast.Known || !o.Forecast.Broken.IsZero() {
		t.Errorf("before its speed is known: %+v", o)
	}
	pace := func(bytes int64, took time.Duration) {
		t.Helper()
		if err := a.Ledger.Tx(t.Context(), time.Now(), func(x *ledger.Tx) error { return x.Clock.AddPace("studio", bytes, took) }); err != nil {
			t.Fatal(err)
		}
	}
	pace(1_000_000, time.Second)
	if o := look(); !o.Forecast.Known || !o.Forecast.Broken.IsZero() {
		t.Errorf("at 1 MB a second: %+v", o)
	}
	st.Rate = 1 // byte a second: 450,000 bytes take more than five days
	st.Window = config.Window{From: 0, To: time.Hour}
	o := look()
	days := time.Until(o.Forecast.Broken) / (24 * time.Hour)
	if days < 28 || days > 30 || o.Forecast.Short < 300_000 {
		t.Errorf("an hour a day at 1 byte a second: %+v, in %d days", o.Forecast, days)
	}
	cs, err := outlook.Checks(t.Context(), a.Ledger, a.Config, time.Now())
	if err != nil || len(cs) < 2 {
		t.Fatalf("%+v, %v", cs, err)
	}
	for _, c := range cs {
		if !c.OK {
			t.Errorf("check: %+v", c)
		}
	}
}
