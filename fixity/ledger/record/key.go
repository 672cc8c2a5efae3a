package record

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"firmus/fixity"
	"firmus/fixity/beside"
	"firmus/fixity/ledger/mlog"
	"firmus/fixity/ledger/private"
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

// ReadKey reads the signing key of the record of a name from the state folder, or makes one.
func ReadKey(state, origin string) (Key, error) {
	path := filepath.Join(state, keyFile)
	text, err := os.ReadFile(path)
	made := false
	if errors.Is(err, fs.ErrNotExist) {
		if text, err = makeKey(path, origin); err == nil {
			made = true
		}
	}
	if err != nil {
		return Key{}, fmt.Errorf("key of the record: %w", err)
	}
	secret, public, _ := strings.Cut(strings.TrimSpace(string(text)), "\n")
	s, err := note.NewSigner(secret)
	if err != nil {
		return Key{}, fmt.Errorf("key of the record %s: %w", path, err)
	}
	v, err := note.NewVerifier(public)
	if err != nil {
		return Key{}, fmt.Errorf("key of the record %s: %w", path, err)
	}
	if v.Name() != origin {
		return setAsideKey(path, v.Name(), origin)
	}
	return Key{s, v, public, made}, nil
}

// setAsideKey keeps the key of another record under another name and makes one for
// this: the state folder has outlived its ledger, or the ledger took over the
// record of a lost one.
func setAsideKey(path, of, origin string) (Key, error) {
	id := of[strings.LastIndexByte(of, '/')+1:]
	if err := os.Rename(path, filepath.Join(filepath.Dir(path), "record-"+id+".key")); err != nil {
		return Key{}, fmt.Errorf("key of another record: %w", err)
	}
	// It may have been this record's once, and been set aside by a ledger in between.
	kept := filepath.Join(filepath.Dir(path), "record-"+strings.TrimPrefix(origin, originPrefix)+".key")
	if err := os.Rename(kept, path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return Key{}, fmt.Errorf("key of the record: %w", err)
	}
	return ReadKey(filepath.Dir(path), origin)
}

// makeKey writes the key whole or not at all; a second process that makes one at
// the same time loses to the first (a link never replaces).
func makeKey(path, origin string) ([]byte, error) {
	secret, public, err := mlog.NewKey(origin)
	if err != nil {
		return nil, err
	}
	f, err := private.CreateTemp(filepath.Dir(path), ".firmus-key-")
	if err != nil {
		return nil, err
	}
	defer os.Remove(f.Name())
	defer f.Close()
	_, err = f.WriteString(secret + "\n" + public + "\n")
	if err = errors.Join(err, beside.Written(f)); err != nil {
		return nil, err
	}
	if err := os.Link(f.Name(), path); err != nil && !errors.Is(err, fs.ErrExist) {
		// Some file systems have no links; a rename is whole as well.
		if err := os.Rename(f.Name(), path); err != nil {
			return nil, err
		}
	}
	if err := private.Flush(filepath.Dir(path)); err != nil {
		return nil, err
	}
	return os.ReadFile(path)
}

// Knows says whether the record names a key.
func (t Log) Knows(k Key) (bool, error) {
	var n int64
	err := t.row(`SELECT count(*) FROM record_key WHERE public = $1`, []any{k.Public}, &n)
	return n > 0, err
}

// NoteKey records that a key signs from now on, if the record doesn't say so yet.
func (t *Tx) NoteKey(k Key) error {
	if known, err := t.Knows(k); err != nil || known {
		return err
	}
	size, err := t.Count()
	if err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.KeyMade, By: t.by, Data: map[string]any{"key": k.Public}})
	return t.putKey(k.Public, size)
}

func (t Log) putKey(public string, event int64) error {
	_, err := t.exec(`INSERT INTO record_key (public, event) VALUES ($1, $2) ON CONFLICT (public) DO UPDATE SET event = $2`, public, event)
	return err
}

// key is the public half of a key that the event names as this record's; "" if it
// names none.
func (e Event) key() string {
	if e.Verb != fixity.LedgerBegun && e.Verb != fixity.KeyMade {
		return ""
	}
	public, _ := e.Told()["key"].(string)
	return public
}

// verifyKeys holds the table of keys against the events that name them.
func (t Log) verifyKeys(want map[string]int64) error {
	n := 0
	if err := t.rows(`SELECT public, event FROM record_key`, nil, func(r *sql.Rows) error {
		var public string
		var event int64
		err := r.Scan(&public, &event)
		if seq, ok := want[public]; err == nil && (!ok || seq != event) {
			err = fmt.Errorf("record_key: the record names no key %s, or in another event: %w", public, ErrRewritten)
		}
		n++
		return err
	}); err != nil {
		return err
	}
	if n != len(want) {
		return fmt.Errorf("record_key: the record names %d keys, and %d are kept: %w", len(want), n, ErrRewritten)
	}
	return nil
}

// keys are the public halves of the keys that signed checkpoints, as the record itself
// says in the events that the table points at.
func (t Log) keys() (out []note.Verifier, err error) {
	var leaves [][]byte
	if err := t.rows(`SELECT e.leaf FROM record_key k JOIN event e ON e.seq = k.event ORDER BY k.event`, nil, func(r *sql.Rows) error {
		var leaf []byte
		err := r.Scan(&leaf)
		leaves = append(leaves, leaf)
		return err
	}); err != nil {
		return nil, err
	}
	for _, leaf := range leaves {
		var e Event
		if err := json.Unmarshal(leaf, &e); err != nil {
			return nil, fmt.Errorf("event of a key: %w: %w", ErrRewritten, err)
		}
		e.leaf = leaf
		if v, err := note.NewVerifier(e.key()); err == nil {
			out = append(out, v)
		}
	}
	return out, nil
}

// open checks a checkpoint's signature: by the key, or by one of those that signed this
// record before. Only where none but a key that was made just now is known its text is
// all that can be read.
func (k Key) open(checkpoint []byte, earlier []note.Verifier) (mlog.Checkpoint, error) {
	known := []note.Verifier{k.verifier}
	others := false
	for _, v := range earlier {
		if v.KeyHash() != k.verifier.KeyHash() {
			known, others = append(known, v), true
		}
	}
	if k.New && !others {
		return mlog.Parse(checkpoint)
	}
	return mlog.Open(checkpoint, note.VerifierList(known...))
}
