package recovering

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// KeptFor is how long what lay in the place of a file that was put back is kept at
// least, from the end of its finding on.
const KeptFor = 30 * 24 * time.Hour

// KeptFile is what lay in the place of a file that was put back.
type KeptFile struct {
	Store   string    `json:"store"`
	Set     string    `json:"set"`
	Path    string    `json:"path"` // the whole path, as the system writes it
	Size    int64     `json:"size"`
	Written time.Time `json:"written"`
	Finding int64     `json:"finding,omitempty"`
	Since   time.Time `json:"since,omitzero"` // when its finding ended, or it was put back; zero: it hasn't ended
	Offered bool      `json:"may_be_removed"`

	at string
}

// Kept are the files that are kept in a store, and which of them may be removed: those
// whose finding ended 30 days ago or more.
func (a Acts) Kept(ctx context.Context, store string) (out []KeptFile, err error) {
	out = []KeptFile{}
	rule, ok := a.Rules.Store(store)
	if !ok {
		return nil, a.noStore(store)
	}
	if rule.Kind != archive.DiskKind {
		return out, nil // nothing is written there
	}
	err = a.UseBeside(ctx, store, func(ctx context.Context, u *stores.Used) error {
		for _, set := range rule.Sets {
			more, err := a.keptIn(ctx, u, set)
			if err != nil {
				return err
			}
			out = append(out, more...)
		}
		return nil
	})
	return out, err
}

func (a Acts) keptIn(ctx context.Context, u *stores.Used, set string) ([]KeptFile, error) {
	in, err := mendedRoot(u, set)
	if err != nil {
		return nil, err
	}
	var mounts []string
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) error {
		known, err := t.Stores.Mounts(u.Rule.Name, set)
		for folder := range known {
			mounts = append(mounts, folder)
		}
		return err
	}); err != nil {
		return nil, err
	}
	found, err := in.KeptFiles(ctx, mounts, nil)
	if err != nil {
		return nil, err
	}
	var out []KeptFile
	err = a.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, k := range found {
			x := KeptFile{Store: u.Rule.Name, Set: set, Path: a.Path(u.Rule.Name, set, k.Path), Size: k.Size, Written: k.Time.UTC(), at: k.Path}
			var err error
			if x.Finding, x.Since, err = sinceWhen(t, x); err != nil {
				return err
			}
			x.Offered = !x.Since.IsZero() && !a.Now().Before(x.Since.Add(KeptFor))
			out = append(out, x)
		}
		return nil
	})
	return out, err
}

// sinceWhen says of a kept file when its finding ended; of one in a folder that is named
// after a file when that was put back last. Zero: that isn't known, or still to come.
//
// The number of its folder may be another ledger's, that was lost. So the finding must be
// about a file of this name in this place, and a recovery for it in the record. While
// anything else about the file is open, what is kept may still be needed.
func sinceWhen(t *ledger.Tx, k KeptFile) (finding int64, since time.Time, err error) {
	folder := path.Base(path.Dir(k.at))
	number, byFile := strings.CutPrefix(folder, keptByFile)
	n, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return 0, time.Time{}, nil
	}
	file := n
	if !byFile {
		finding = n
		f, err := t.Findings.Get(n)
		if errors.Is(err, fixity.ErrNotFound) {
			return finding, time.Time{}, nil
		}
		if err != nil || f.Store != k.Store || f.Set != k.Set {
			return finding, time.Time{}, err
		}
		file, since = f.File, f.SettledAt
	}
	r, _, ok, err := t.Copies.RecoveryBegun(file, finding, k.Store, k.Set)
	if err != nil || !ok || !keptNameOf(path.Base(k.at), path.Base(r.At)) {
		return finding, time.Time{}, err
	}
	if byFile {
		if err := t.Log.Of(file, func(e ledger.Event) error {
			if e.Verb == fixity.Recovered && e.Store == k.Store && e.Set == k.Set {
				since = e.At
			}
			return nil
		}); err != nil {
			return finding, time.Time{}, err
		}
	}
	fs, err := t.Findings.Of(file)
	if err != nil || slices.ContainsFunc(fs, ledger.Finding.Open) {
		return finding, time.Time{}, err
	}
	return finding, since, nil
}

// keptNameOf says whether a kept file's name is made of another name, which may have been
// cut to a length.
func keptNameOf(kept, name string) bool {
	stem := ledger.DisplayPath(strings.TrimSuffix(kept, path.Ext(kept)))
	if strings.HasPrefix(stem, name) {
		return true
	}
	return len(kept) > 200 && len(stem) > 0 && strings.HasPrefix(name, stem[:min(len(stem), 200)])
}

// mended is a set's root in which files are put back.
type mended interface {
	stores.Root
	stores.Mended
}

func mendedRoot(u *stores.Used, set string) (mended, error) {
	root, err := u.Root(set, fixity.Bypassed)
	if err != nil {
		return nil, err
	}
	in, ok := root.(mended)
	if !ok {
		return nil, fmt.Errorf("nothing is ever written in store %s: %w", u.Rule.Name, fixity.ErrRefused)
	}
	return in, nil
}

// MarkOfKept stands for those of some kept files that may be removed, as they are listed.
func MarkOfKept(all []KeptFile) string {
	h := sha256.New()
	for _, k := range all {
		if k.Offered {
			fmt.Fprintf(h, "%q %q %d %d\n", k.Set, k.at, k.Size, k.Written.UnixNano())
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// Tidy removes the files that are kept in a store and may be removed, and gives them. saw is
// the mark of those that a person was shown: if they are others now, nothing is removed
// (fixity.ErrChangedMeanwhile); "": nobody was.
func (a Acts) Tidy(ctx context.Context, store, reason, saw string) (removed []KeptFile, err error) {
	all, err := a.Kept(ctx, store)
	if err != nil {
		return nil, err
	}
	if saw != "" && saw != MarkOfKept(all) {
		return nil, fmt.Errorf("other files may be removed now than were listed: %w", fixity.ErrChangedMeanwhile)
	}
	removed = []KeptFile{}
	err = a.Stores().Use(ctx, store, stores.Purpose{Wait: recoverWait}, func(ctx context.Context, u *stores.Used) error {
		for _, k := range all {
			if !k.Offered {
				continue
			}
			if !slices.Contains(u.Here, k.Set) {
				return fmt.Errorf("store %s, set %s: %w", store, k.Set, fixity.ErrAway)
			}
			in, err := mendedRoot(u, k.Set)
			if err != nil {
				return err
			}
			// The record first: it may say of a file that it was removed which a kill left there,
			// never of one that is gone nothing.
			if err := a.Ledger.Tx(ctx, a.Now(), func(t *ledger.Tx) error { t.Copies.KeptRemoved(store, k.Set, k.at, a.By, reason); return nil }); err != nil {
				return err
			}
			if err := in.RemoveKept(ctx, k.at); err != nil {
				return err
			}
			removed = append(removed, k)
		}
		return nil
	})
	return removed, err
}
