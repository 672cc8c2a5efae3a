package mlog_test

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"firmus/fixity/ledger/mlog"
)

func TestCheckpoint(t *testing.T) {
	signer, known, _ := key(t, "qv.example/ledger")
	for _, n := range []int64{0, 1, 8, 1000} {
		c := mlog.Checkpoint{Origin: "qv.example/ledger", Size: n, Root: tlog.RecordHash(fmt.Append(nil, n))}
		text, err := mlog.Sign(c, signer)
		if err != nil {
			t.Fatal(err)
		}
		want := fmt.Sprintf("qv.example/ledger\n%d\n%s\n\n— qv.example/ledger ", n, c.Root)
		if !strings.HasPrefix(string(text), want) || strings.Count(string(text), "\n") != 5 {
			t.Errorf("text is %q", text)
		}
		for name, read := range map[string]func([]byte) (mlog.Checkpoint, error){
			"Open":  func(b []byte) (mlog.Checkpoint, error) { return mlog.Open(b, known) },
			"Parse": mlog.Parse,
		} {
			if got, err := read(text); err != nil || got != c {
				t.Errorf("%s = %v, %v, want %v", name, got, err, c)
			}
		}
		body, _, _ := bytes.Cut(text, []byte("\n\n"))
		if got, err := mlog.Parse(append(body, '\n')); err != nil || got != c {
			t.Errorf("Parse without signatures = %v, %v, want %v", got, err, c)
		}
	}
}

// Whatever byte of a checkpoint is changed, put in or taken out, it's refused.
func TestCheckpointMutations(t *testing.T) {
	signer, known, _ := key(t, "qv")
	text, err := mlog.Sign(mlog.Checkpoint{Origin: "qv", Size: 12, Root: tlog.RecordHash(nil)}, signer)
	if err != nil {
		t.Fatal(err)
	}
	tried := 0
	try := func(what string, k int, other []byte) {
		t.Helper()
		if tried++; bytes.Equal(other, text) {
			return
		}
		if c, err := mlog.Open(other, known); err == nil || c != (mlog.Checkpoint{}) {
			t.Errorf("%s at %d: Open = %v, %v of %q", what, k, c, err, other)
		}
	}
	for k := range len(text) + 1 {
		for bit := range 8 {
			if k < len(text) {
				other := bytes.Clone(text)
				other[k] ^= 1 << bit
				try("changed", k, other)
			}
		}
		for _, b := range []byte("\x00\n\r\t 0+-=A/z\xff") {
			if k < len(text) {
				other := bytes.Clone(text)
				other[k] = b
				try("changed", k, other)
			}
			try("put in", k, append(append(bytes.Clone(text[:k]), b), text[k:]...))
		}
		if k < len(text) {
			try("taken out", k, append(bytes.Clone(text[:k]), text[k+1:]...))
			try("cut", k, text[:k])
		}
	}
	if tried < 5_000 {
		t.Errorf("only %d mutations were tried", tried)
	}
}

func TestOpenRefuses(t *testing.T) {
	signer, known, _ := key(t, "qv")
	other, _, _ := key(t, "qv") // the same name, another key
	witness, seen, _ := key(t, "witness")
	sign := func(text string, by ...note.Signer) string {
		b, err := note.Sign(&note.Note{Text: text}, by...)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	root := tlog.RecordHash(nil).String()
	good := "qv\n5\n" + root + "\n"
	cases := []struct {
		name, text string
		known      note.Verifiers
		want       error
	}{
		{"good", sign(good, signer), known, nil},
		{"witnessed too", sign(good, signer, witness), known, nil},
		{"by another key of that name", sign(good, other), known, mlog.ErrUnsigned},
		{"by a known key in another name", sign(good, witness), seen, mlog.ErrUnsigned},
		{"no signature", good, known, mlog.ErrUnsigned},
		{"no key known", sign(good, signer), nil, mlog.ErrUnsigned},
		{"another line", sign(good+"more\n", signer), known, mlog.ErrMalformed},
		{"a line less", sign("qv\n5\n", signer), known, mlog.ErrMalformed},
		{"an empty name", sign("\n5\n"+root+"\n", signer), known, mlog.ErrMalformed},
		{"a name with a blank", sign("q v\n5\n"+root+"\n", signer), known, mlog.ErrMalformed},
		{"a leading zero", sign("qv\n05\n"+root+"\n", signer), known, mlog.ErrMalformed},
		{"a plus", sign("qv\n+5\n"+root+"\n", signer), known, mlog.ErrMalformed},
		{"less than nothing", sign("qv\n-5\n"+root+"\n", signer), known, mlog.ErrMalformed},
		{"not a number", sign("qv\nfive\n"+root+"\n", signer), known, mlog.ErrMalformed},
		{"past the largest size", sign("qv\n4611686018427387904\n"+root+"\n", signer), known, mlog.ErrMalformed},
		{"a short root", sign("qv\n5\n"+root[:40]+"\n", signer), known, mlog.ErrMalformed},
		{"a root with idle bits", sign("qv\n5\n"+root[:42]+nextBase64(root[42])+"=\n", signer), known, mlog.ErrMalformed},
		{"CR LF", strings.ReplaceAll(sign(good, signer), "\n", "\r\n"), known, mlog.ErrMalformed},
		{"nothing", "", known, mlog.ErrMalformed},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, err := mlog.Open([]byte(c.text), c.known)
			wantErr(t, err, c.want)
			if (err == nil) != (got != mlog.Checkpoint{}) {
				t.Errorf("Open = %v with error %v", got, err)
			}
		})
	}
}

// A signature's line is written in one way (C2SP signed-note, section "Signatures"): an em dash,
// a name, and in base64 four bytes of the key's hash and at least one of the signature.
func TestSignatureLines(t *testing.T) {
	body := "qv\n5\n" + tlog.RecordHash(nil).String() + "\n"
	for line, want := range map[string]error{
		"— qv AAAAAAA=":     nil, // five bytes
		"— qv AAAAAA==":     mlog.ErrMalformed,
		"— qv ":             mlog.ErrMalformed,
		"— qv":              mlog.ErrMalformed,
		"— AAAAAAA=":        mlog.ErrMalformed,
		"qv AAAAAAA=":       mlog.ErrMalformed,
		"- qv AAAAAAA=":     mlog.ErrMalformed,
		"— qv AAAAAAA":      mlog.ErrMalformed,
		"— qv AAAA\rAAA=":   mlog.ErrMalformed,
		"— qv AAAAAAA= ":    mlog.ErrMalformed,
		"— qv AAAAAAB=":     mlog.ErrMalformed, // bits that mean nothing
		"— qv AAAAAAAA!AAA": mlog.ErrMalformed,
	} {
		_, err := mlog.Parse([]byte(body + "\n" + line + "\n"))
		wantErr(t, err, want)
	}
	for _, text := range []string{body + "\n", "\n\n— qv AAAAAAA=\n", body + "\n— qv AAAAAAA="} {
		if _, err := mlog.Parse([]byte(text)); !errors.Is(err, mlog.ErrMalformed) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// nextBase64 is the character whose value is one more, so that with the last
// character of a root only bits change that base64 doesn't use.
func nextBase64(c byte) string {
	const alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
	return string(alphabet[strings.IndexByte(alphabet, c)+1])
}

func TestSignRefuses(t *testing.T) {
	signer, _, _ := key(t, "qv")
	for _, c := range []mlog.Checkpoint{{Origin: "other", Size: 1}, {Size: 1}, {Origin: "qv", Size: -1}, {Origin: "q v", Size: 1}} {
		if text, err := mlog.Sign(c, signer); err == nil || text != nil {
			t.Errorf("Sign(%v) = %q, %v", c, text, err)
		}
	}
}

func TestNewKeyRefuses(t *testing.T) {
	for _, origin := range []string{"", "q v", " qv", "q+v", "q\nv", "q\tv", "\xff", "q\u00a0v", "q\x00v", "q\x1fv", "q\x7fv"} {
		if s, v, err := mlog.NewKey(origin); err == nil || s != "" || v != "" {
			t.Errorf("NewKey(%q) gave a key", origin)
		}
	}
}

// The signed note that golang.org/x/mod/sumdb/note documents (ExampleSign,
// ExampleOpen) is signed here as it is there: checkpoints rest on that format.
func TestDocumentedNote(t *testing.T) {
	const (
		skey = "PRIVATE+KEY+PeterNeumann+c74f20a3+AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz"
		vkey = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
		text = "If you think cryptography is the answer to your problem,\n" +
			"then you don't know what your problem is.\n"
		want = text + "\n— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n"
	)
	signer, err := note.NewSigner(skey)
	if err != nil {
		t.Fatal(err)
	}
	got, err := note.Sign(&note.Note{Text: text}, signer)
	if err != nil || string(got) != want {
		t.Fatalf("signed note = %q, %v", got, err)
	}
	v, err := note.NewVerifier(vkey)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := note.Open(got, note.VerifierList(v)); err != nil {
		t.Error(err)
	}
	// It is a note, and no checkpoint; and the same key signs checkpoints.
	if _, err := mlog.Open(got, note.VerifierList(v)); err == nil {
		t.Error("a note that is no checkpoint was opened as one")
	}
	c := mlog.Checkpoint{Origin: "PeterNeumann", Size: 8, Root: tlog.RecordHash(nil)}
	cp, err := mlog.Sign(c, signer)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := mlog.Open(cp, note.VerifierList(v)); err != nil || got != c {
		t.Errorf("Open = %v, %v", got, err)
	}
}

func FuzzParse(f *testing.F) {
	root := tlog.RecordHash(nil).String()
	f.Add([]byte("qv\n5\n" + root + "\n"))
	f.Add([]byte("qv\n5\n" + root + "\n\n— qv x08go/ZJkuBS9UG/SffcvIAQ\n"))
	f.Add([]byte("qv\n4611686018427387904\n" + root + "\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := mlog.Parse(text)
		if err != nil {
			if c != (mlog.Checkpoint{}) {
				t.Errorf("%v given with error %v", c, err)
			}
			return
		}
		again := fmt.Sprintf("%s\n%d\n%s\n", c.Origin, c.Size, c.Root)
		if !bytes.HasPrefix(text, []byte(again)) {
			t.Errorf("%q was read as %q", text, again)
		}
		if _, err := mlog.Root(c.Size, &memory{}); c.Size == 0 && err != nil {
			t.Error(err)
		}
	})
}
