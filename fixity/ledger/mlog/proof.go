package mlog

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// ErrProof says that a proof doesn't prove its record, or can't be read as one.
var ErrProof = errors.New("not a proof of this record")

const (
	proofHead  = "firmus record proof" // never change
	maxHashes  = 63                    // an audit path in a tree of less than 2^63 records
	maxProofMB = 16                    // MiB of text; a leaf is some hundred bytes
)

// Proof shows that one record is in the log that a checkpoint speaks of. It stands
// alone: with the log's verifying key a stranger can check it without the log.
type Proof struct {
	Index      int64       // the record's place in the log, from 0
	Leaf       []byte      // the record's bytes, as they were hashed
	Hashes     []tlog.Hash // the audit path, from the record upwards (RFC 6962, section 2.1.1)
	Checkpoint []byte      // the signed checkpoint
}

// Prove makes the proof that leaf is the record at index in the log of the signed
// checkpoint. It doesn't verify the signature, for which it has no key, but it does
// check that the proof holds, so that none is given out that fails. r reads the
// hashes of that log, which may have grown since. The error wraps ErrProof if leaf
// isn't that record or there is no such record; any other error is r's.
func Prove(index int64, leaf, checkpoint []byte, r tlog.HashReader) (Proof, error) {
	c, err := Parse(checkpoint)
	if err != nil {
		return Proof{}, fmt.Errorf("prove record %d: %w", index, err)
	}
	if index < 0 || index >= c.Size {
		return Proof{}, fmt.Errorf("prove record %d: the checkpoint has %d records: %w", index, c.Size, ErrProof)
	}
	hashes, err := tlog.ProveRecord(c.Size, index, r)
	if err != nil {
		return Proof{}, fmt.Errorf("prove record %d: %w", index, err)
	}
	p := Proof{index, leaf, hashes, checkpoint}
	if err := p.check(c); err != nil {
		return Proof{}, fmt.Errorf("prove record %d: %w", index, err)
	}
	return p, nil
}

// Verify checks the proof with the log's verifying key alone, and returns the
// checkpoint that it rests on. The error wraps ErrProof if the record isn't in that
// log, ErrMalformed or ErrUnsigned if the checkpoint is no good.
func (p Proof) Verify(vkey string) (Checkpoint, error) {
	v, err := note.NewVerifier(vkey)
	if err != nil {
		return Checkpoint{}, fmt.Errorf("verify record %d: key %q: %w", p.Index, vkey, err)
	}
	c, err := Open(p.Checkpoint, note.VerifierList(v))
	if err != nil {
		return Checkpoint{}, fmt.Errorf("verify record %d: %w", p.Index, err)
	}
	if err := p.check(c); err != nil {
		return Checkpoint{}, fmt.Errorf("verify record %d: %w", p.Index, err)
	}
	return c, nil
}

func (p Proof) check(c Checkpoint) error {
	if p.Index < 0 || p.Index >= c.Size {
		return fmt.Errorf("the checkpoint has %d records: %w", c.Size, ErrProof)
	}
	if err := tlog.CheckRecord(p.Hashes, c.Size, c.Root, p.Index, tlog.RecordHash(p.Leaf)); err != nil {
		return fmt.Errorf("the hashes don't lead from the record to the checkpoint: %w", ErrProof)
	}
	return nil
}

// Marshal writes the proof as text:
//
//	firmus record proof
//	index 4
//	leaf BASE64
//	hash BASE64          one line for each hash
//
//	the signed checkpoint
func (p Proof) Marshal() []byte {
	b := []byte(proofHead + "\nindex ")
	b = strconv.AppendInt(b, p.Index, 10)
	b = append(b, "\nleaf "...)
	b = base64.StdEncoding.AppendEncode(b, p.Leaf)
	for _, h := range p.Hashes {
		b = append(b, "\nhash "...)
		b = append(b, h.String()...)
	}
	b = append(b, "\n\n"...)
	return append(b, p.Checkpoint...)
}

// Unmarshal reads what Marshal wrote, and nothing else: text is the one text of its
// proof, apart from the checkpoint, which Verify reads. It verifies nothing. The
// error wraps ErrProof, and the Proof is zero then.
func Unmarshal(text []byte) (Proof, error) {
	bad := func(format string, args ...any) (Proof, error) {
		return Proof{}, fmt.Errorf("read a proof: %s: %w", fmt.Sprintf(format, args...), ErrProof)
	}
	if len(text) > maxProofMB<<20 {
		return bad("it is longer than %d MiB", maxProofMB)
	}
	head, checkpoint, ok := strings.Cut(string(text), "\n\n")
	lines := strings.Split(head, "\n")
	if !ok || lines[0] != proofHead {
		return bad("it doesn't begin with %q", proofHead)
	}
	if len(lines) < 3 || len(lines) > 3+maxHashes {
		return bad("%d lines before the checkpoint", len(lines))
	}
	p := Proof{Checkpoint: []byte(checkpoint)}
	number := strings.TrimPrefix(lines[1], "index ")
	n, _ := strconv.ParseInt(number, 10, 64) // an error leaves another number than it says
	if n < 0 || "index "+strconv.FormatInt(n, 10) != lines[1] {
		return bad("%q is not the line of its index", lines[1])
	}
	p.Index = n
	p.Leaf, _ = base64.StdEncoding.DecodeString(strings.TrimPrefix(lines[2], "leaf "))
	if "leaf "+base64.StdEncoding.EncodeToString(p.Leaf) != lines[2] {
		return bad("the third line isn't that of its record")
	}
	for _, line := range lines[3:] {
		b64, ok := strings.CutPrefix(line, "hash ")
		h, err := parseHash(b64)
		if !ok || err != nil {
			return bad("%q is not the line of a hash", line)
		}
		p.Hashes = append(p.Hashes, h)
	}
	return p, nil
}
