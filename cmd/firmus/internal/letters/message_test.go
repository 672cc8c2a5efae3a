package letters_test

import (
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net/mail"
	"runtime"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/letters"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// parts are the leaves of a message, by content type, in their order.
func parts(t *testing.T, m *mail.Message) (types []string, texts map[string]string) {
	t.Helper()
	texts = map[string]string{}
	var walk func(contentType, encoding string, r io.Reader)
	walk = func(contentType, encoding string, r io.Reader) {
		typ, params, err := mime.ParseMediaType(contentType)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasPrefix(typ, "multipart/") {
			mr := multipart.NewReader(r, params["boundary"])
			for {
				p, err := mr.NextRawPart()
				if err == io.EOF {
					return
				}
				if err != nil {
					t.Fatal(err)
				}
				walk(p.Header.Get("Content-Type"), p.Header.Get("Content-Transfer-Encoding"), p)
			}
		}
		if encoding == "quoted-printable" {
			r = quotedprintable.NewReader(r)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		types = append(types, typ)
		texts[typ] = strings.ReplaceAll(string(b), "\r\n", "\n")
	}
	walk(m.Header.Get("Content-Type"), m.Header.Get("Content-Transfer-Encoding"), m.Body)
	return types, texts
}

func decoded(t *testing.T, m *mail.Message, key string) string {
	t.Helper()
	s, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get(key))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The letters of a matter answer one another, and each is text first, HTML beside.
func TestMessages(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	reels(w, 4, 0)
	w.post()
	w.rot("studio/masters/QV-0102/QV-0102_A.wav", 0, 70_000)
	w.now = w.now.Add(7 * time.Hour)
	w.audit(true)
	w.post()
	w.copy("vault/masters/QV-0102/QV-0102_A.wav", "studio/masters/QV-0102/QV-0102_A.wav")
	w.now = w.now.Add(24 * time.Hour)
	w.audit(false)
	w.post()
	var to []*mail.Message // what the archivist got
	for _, m := range w.server.Got() {
		if m.From != "firmus@quillmere.example" {
			t.Errorf("sent from %s", m.From)
		}
		if strings.HasPrefix(m.To, "archivist") {
			to = append(to, m.Parse(t))
		}
	}
	if len(to) != 2 {
		t.Fatalf("%d letters: %q", len(to), w.subjects())
	}
	out := w.outbox()
	first := to[0].Header.Get("Message-Id")
	for i, m := range to {
		h := m.Header
		if got := decoded(t, m, "Subject"); got != out[i].Subject {
			t.Errorf("subject %q, want %q", got, out[i].Subject)
		}
		if h.Get("Message-Id") != "<"+out[i].MessageID+">" || !strings.HasSuffix(out[i].MessageID, "@quillmere.example") {
			t.Errorf("Message-ID %s, want <%s>", h.Get("Message-Id"), out[i].MessageID)
		}
		if h.Get("Auto-Submitted") != "auto-generated" || h.Get("X-Mailer") != "" || h.Get("User-Agent") != "" {
			t.Errorf("headers %v", h)
		}
		if at, err := h.Date(); err != nil || !at.Equal(out[i].Made) {
			t.Errorf("Date %s, want %s", h.Get("Date"), out[i].Made)
		}
		if a, err := h.AddressList("To"); err != nil || len(a) != 1 || a[0].Address != "archivist@quillmere.example" {
			t.Errorf("To %v, %v", a, err)
		}
		types, texts := parts(t, m)
		if strings.Join(types, " ") != "text/plain text/html" {
			t.Errorf("parts %q", types)
		}
		if got := strings.TrimSpace(texts["text/plain"]); got != strings.TrimSpace(out[i].Text) {
			t.Errorf("text\n%s\nwant\n%s", got, out[i].Text)
		}
		if strings.Contains(texts["text/html"], "http") || !strings.Contains(texts["text/html"], "QV-0102") {
			t.Errorf("HTML:\n%s", texts["text/html"])
		}
	}
	if to[0].Header.Get("In-Reply-To") != "" || to[1].Header.Get("In-Reply-To") != first || to[1].Header.Get("References") != first {
		t.Errorf("the second answers %q, %q; want %s", to[1].Header.Get("In-Reply-To"), to[1].Header.Get("References"), first)
	}
}

// The first weekly letter brings the entry for a calendar, the second doesn't; they
// don't answer one another.
func TestCalendar(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	w.post()
	w.pass(14 * 24 * time.Hour)
	got := w.server.Got()
	if len(got) != 4 {
		t.Fatalf("%d mails: %q", len(got), w.subjects())
	}
	first, second := got[0].Parse(t), got[2].Parse(t)
	types, _ := parts(t, second)
	if strings.Join(types, " ") != "text/plain text/html" || second.Header.Get("References") != "" {
		t.Errorf("the second has %q and answers %q", types, second.Header.Get("References"))
	}
	if types, _ = parts(t, first); strings.Join(types, " ") != "text/plain text/html text/calendar" {
		t.Errorf("the first has %q", types)
	}
	ics := w.outbox()[0].Calendar
	if strings.ReplaceAll(ics, "\r\n", "") == ics || strings.Contains(strings.ReplaceAll(ics, "\r\n", ""), "\n") {
		t.Error("lines must end with CR LF (RFC 5545, 3.1)")
	}
	golden(t, "calendar.ics", strings.ReplaceAll(ics, "\r\n", "\n"))
}

// Names can't add a header, a recipient, markup, or anything that isn't seen.
func TestInjection(t *testing.T) {
	t.Parallel()
	evil := "QV-0107/x\r\nBcc: everybody@elsewhere.example\r\n\r\n<script>alert(1)</script>\u202e\x00.wav"
	f := damage(7, "studio", fixity.Altered, fixity.AtRisk, "recover", "vault")
	f.Path, f.FoundAt, f.Facts = evil, evil, fixity.Facts{Seen: []fixity.Fact{{Is: fixity.NotGiven, Said: []string{"read twice\r\n.\r\nMAIL FROM:<x>"}}}}
	f.Reason, f.SettledBy, f.Settled = evil, evil, fixity.ByPerson
	m := matters()["damaged"]
	m.Open, m.Titles = []ledger.Finding{f}, true
	subject, text, html, err := letters.Write(m)
	if err != nil {
		t.Fatal(err)
	}
	m.Kind, m.Ended, m.Open = ledger.LetterEnd, m.Open, nil
	subject2, text2, html2, err := letters.Write(m)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{subject, text, subject2, text2, html, html2} {
		if strings.ContainsAny(s, "\r\x00\u202e") || strings.Contains(s, "\n.\n") || strings.Contains(s, "\nBcc:") {
			t.Errorf("it came through:\n%s", s)
		}
	}
	if strings.Contains(html+html2, "<script") || !strings.Contains(html, "&lt;script") {
		t.Errorf("markup came through:\n%s", html)
	}
	if strings.Contains(subject+subject2, "\n") {
		t.Errorf("subject %q", subject)
	}

	// Through the whole: from a file's name to the server.
	if runtime.GOOS == "windows" {
		return // no file can be called that
	}
	w := newWorld(t, "")
	name := "QV-0107/QV-0107_A\nBcc: everybody@elsewhere.example\n\n<script>.wav"
	w.options = func(o *letters.Options) { o.Titles, o.Name = true, "Survey\r\nBcc: all@elsewhere.example" }
	w.write("studio/masters/"+name, "a", 100_000)
	w.copy("studio/masters/"+name, "vault/masters/"+name)
	w.now = w.now.Add(24 * time.Hour)
	w.intake()
	w.post()
	w.rot("studio/masters/"+name, 0, 65536)
	w.now = w.now.Add(24 * time.Hour)
	w.audit(true)
	w.post()
	got := w.server.Got()
	if len(got) != 2 {
		t.Fatalf("%d mails: %q", len(got), w.subjects())
	}
	for _, m := range got {
		h := m.Parse(t).Header
		if h.Get("Bcc") != "" || strings.HasPrefix(m.To, "everybody") || strings.Contains(string(m.Data), "\nBcc:") {
			t.Errorf("the name became a header:\n%s", m.Data)
		}
	}
}

// Wrong addresses are refused before anything is written.
func TestNewRefuses(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	w.with(func(a *app.App) {
		for name, change := range map[string]func(*letters.Options){
			"nobody":       func(o *letters.Options) { o.Mail.To = nil },
			"no address":   func(o *letters.Options) { o.Mail.To = []string{"archivist"} },
			"a header":     func(o *letters.Options) { o.Mail.To = []string{"a@quillmere.example\r\nBcc: b@elsewhere.example"} },
			"no sender":    func(o *letters.Options) { o.Mail.From = "" },
			"a bad deputy": func(o *letters.Options) { o.Mail.Deputy = "deputy@" },
		} {
			if l, err := a.Letters(change); err == nil || l != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	})
}
