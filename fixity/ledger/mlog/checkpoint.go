package mlog

import (
	"bytes"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// Why a text isn't accepted as a checkpoint.
var (
	// ErrMalformed: the text isn't a checkpoint, or isn't the one text that these
	// facts have.
	ErrMalformed = errors.New("not a checkpoint")
	// ErrUnsigned: it bears no signature by a known key in the log's own name, or
	// one that doesn't fit the text.
	ErrUnsigned = errors.New("checkpoint isn't signed by this log")
)

// Checkpoint is what a log says of itself at one moment (C2SP tlog-checkpoint): so
// many records, and this root over them.
type Checkpoint struct {
	Origin string    // the log's name, which is also the name of its key
	Size   int64     // records
	Root   tlog.Hash // over the first Size records
}

// NewKey makes a new Ed25519 key for a log called origin: skey signs and is
// secret, vkey verifies and may be given to anybody (C2SP signed-note). origin
// must be usable as a key's name: not empty, without blanks and without '+'.
func NewKey(origin string) (skey, vkey string, err error) {
	if !isOrigin(origin) {
		return "", "", fmt.Errorf("make a key: %q can't be a log's name: it must be UTF-8 without blanks, '+' and control characters", origin)
	}
	skey, vkey, err = note.GenerateKey(rand.Reader, origin)
	if err != nil {
		return "", "", fmt.Errorf("make a key for %q: %w", origin, err)
	}
	return skey, vkey, nil
}

// Sign writes c as a signed note: the origin, the size in decimal and the root in
// base64, a line each, an empty line, and the signature's line. The signer's name
// must be c.Origin. The same c and signer always give the same text.
func Sign(c Checkpoint, s note.Signer) ([]byte, error) {
	if !isOrigin(c.Origin) || !isSize(c.Size) {
		return nil, fmt.Errorf("sign a checkpoint of %q at %d records: not a name and a size that a checkpoint can have", c.Origin, c.Size)
	}
	if s.Name() != c.Origin {
		return nil, fmt.Errorf("sign a checkpoint of %q: the key is that of %q", c.Origin, s.Name())
	}
	text, err := note.Sign(&note.Note{Text: c.text()}, s)
	if err != nil {
		return nil, fmt.Errorf("sign a checkpoint of %q: %w", c.Origin, err)
	}
	return text, nil
}

// Open reads a signed checkpoint and verifies it: one of the known keys, in the
// name that the checkpoint gives as its origin, must have signed exactly this text.
// Signatures by unknown keys, such as those of witnesses, are let pass and prove
// nothing. It is strict: each checkpoint has one text, so that changing any byte of
// it or of a known key's signature is refused. The error wraps ErrMalformed or
// ErrUnsigned, and the Checkpoint is zero then.
func Open(text []byte, known note.Verifiers) (Checkpoint, error) {
	c, err := Parse(text)
	if err != nil {
		return Checkpoint{}, err
	}
	n, err := note.Open(text, known)
	if err != nil {
		return Checkpoint{}, fmt.Errorf("%w: %w", ErrUnsigned, err)
	}
	for _, s := range n.Sigs {
		if s.Name == c.Origin {
			return c, nil
		}
	}
	return Checkpoint{}, fmt.Errorf("%w: signed, but not in the name of %q", ErrUnsigned, c.Origin)
}

// Parse reads a checkpoint WITHOUT verifying a signature, for when the key that
// would verify it is lost. What it gives is a claim, not evidence: whoever shows it
// must say that it is unsigned. The text may lack its signature lines; where it has
// them they must be well formed. The error wraps ErrMalformed, and the Checkpoint
// is zero then.
func Parse(text []byte) (Checkpoint, error) {
	body, sigs, signed := bytes.Cut(text, []byte("\n\n"))
	if signed {
		body = text[:len(body)+1]
		if err := signatureLines(sigs); err != nil {
			return Checkpoint{}, err
		}
	}
	lines := strings.Split(string(body), "\n")
	if len(lines) != 4 || lines[3] != "" {
		return Checkpoint{}, fmt.Errorf("%w: its text must be three lines: name, number of records, root", ErrMalformed)
	}
	if !isOrigin(lines[0]) {
		return Checkpoint{}, fmt.Errorf("%w: %q can't be a log's name", ErrMalformed, lines[0])
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || !isSize(size) {
		return Checkpoint{}, fmt.Errorf("%w: %q is not a number of records", ErrMalformed, lines[1])
	}
	root, err := parseHash(lines[2])
	if err != nil {
		return Checkpoint{}, fmt.Errorf("%w: %w", ErrMalformed, err)
	}
	c := Checkpoint{lines[0], size, root}
	if c.text() != string(body) {
		return Checkpoint{}, fmt.Errorf("%w: its text isn't written as this checkpoint is", ErrMalformed)
	}
	return c, nil
}

// text is what is signed.
func (c Checkpoint) text() string {
	return c.Origin + "\n" + strconv.FormatInt(c.Size, 10) + "\n" + c.Root.String() + "\n"
}

// signatureLines refuses lines that aren't written as C2SP signed-note writes them.
// The package note is looser: it lets pass bits of base64 that mean nothing, so
// that one signature has several texts.
func signatureLines(sigs []byte) error {
	rest, ok := strings.CutSuffix(string(sigs), "\n")
	if !ok {
		return fmt.Errorf("%w: it ends within its signatures", ErrMalformed)
	}
	for line := range strings.SplitSeq(rest, "\n") {
		after, ok := strings.CutPrefix(line, "— ")
		_, b64, _ := strings.Cut(after, " ")
		raw, _ := base64.StdEncoding.DecodeString(b64) // an error leaves less than b64 says
		if !ok || len(raw) < 5 || base64.StdEncoding.EncodeToString(raw) != b64 {
			return fmt.Errorf("%w: %q is not a signature's line", ErrMalformed, line)
		}
	}
	return nil
}

func parseHash(s string) (tlog.Hash, error) {
	h, err := tlog.ParseHash(s)
	if err != nil || h.String() != s {
		return tlog.Hash{}, fmt.Errorf("%q is not a hash in base64", s)
	}
	return h, nil
}

// isOrigin says that s can name a log and its key (C2SP signed-note, section
// "Format").
func isOrigin(s string) bool {
	return s != "" && utf8.ValidString(s) && !strings.Contains(s, "+") && len(strings.Fields(s)) == 1 &&
		strings.Fields(s)[0] == s && !strings.ContainsFunc(s, func(r rune) bool { return r <= 0x1f || r == 0x7f })
}
