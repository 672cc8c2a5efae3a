package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"firmus/fixity/ledger/mlog"
)

// Key signs checkpoints. It lies in the state folder, not in the ledger, so that
// who can change the ledger can't sign for it. If it is lost a new one is made;
// old checkpoints can then be compared but their signature can't be checked.
type Key struct {
	signer   note.Signer
	verifier note.Verifier
	Public   string // the verifier's key, to give to others
	New      bool   // made just now
}

const keyFile = "record.key"

// Key reads the signing key, or makes one.
func (l *Ledger) Key() (Key, error) {
	if err := l.Here(); err != nil {
		return Key{}, fmt.Errorf("key of the record: %w", err)
	}
	path := filepath.Join(l.o.State, keyFile)
	text, err := os.ReadFile(path)
	made := false
	if errors.Is(err, fs.ErrNotExist) {
		if text, err = l.makeKey(path); err == nil {
			made = true
		}
	}
	if err != nil {
		return Key{}, fmt.Errorf("key of the record: %w", err)
	}
	private, public, _ := strings.Cut(strings.TrimSpace(string(text)), "\n")
	s, err := note.NewSigner(private)
	if err != nil {
		return Key{}, fmt.Errorf("key of the record %s: %w", path, err)
	}
	v, err := note.NewVerifier(public)
	if err != nil {
		return Key{}, fmt.Errorf("key of the record %s: %w", path, err)
	}
	if v.Name() != l.origin {
		return l.setAsideKey(path, v.Name())
	}
	return Key{s, v, public, made}, nil
}

// setAsideKey keeps the key of another record under another name and makes one for
// this: the state folder has outlived its ledger, or the ledger took over the
// record of a lost one.
func (l *Ledger) setAsideKey(path, of string) (Key, error) {
	id := of[strings.LastIndexByte(of, '/')+1:]
	if err := os.Rename(path, filepath.Join(filepath.Dir(path), "record-"+id+".key")); err != nil {
		return Key{}, fmt.Errorf("key of another record: %w", err)
	}
	// It may have been this record's once, and been set aside by a ledger in between.
	kept := filepath.Join(filepath.Dir(path), "record-"+strings.TrimPrefix(l.origin, "firmus/")+".key")
	if err := os.Rename(kept, path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return Key{}, fmt.Errorf("key of the record: %w", err)
	}
	return l.Key()
}

// makeKey writes the key whole or not at all; a second process that makes one at
// the same time loses to the first (a link never replaces).
func (l *Ledger) makeKey(path string) ([]byte, error) {
	private, public, err := mlog.NewKey(l.origin)
	if err != nil {
		return nil, err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".firmus-key-*")
	if err != nil {
		return nil, err
	}
	defer os.Remove(f.Name())
	_, err = f.WriteString(private + "\n" + public + "\n")
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return nil, err
	}
	if err := os.Link(f.Name(), path); err != nil && !errors.Is(err, fs.ErrExist) {
		// Some file systems have no links; a rename is whole as well.
		if err := os.Rename(f.Name(), path); err != nil {
			return nil, err
		}
	}
	return os.ReadFile(path)
}

// open checks a checkpoint's signature; with a key that is new it can't have been
// signed by it, so only its text is read.
func (k Key) open(checkpoint []byte) (mlog.Checkpoint, error) {
	if k.New {
		return mlog.Parse(checkpoint)
	}
	return mlog.Open(checkpoint, note.VerifierList(k.verifier))
}
