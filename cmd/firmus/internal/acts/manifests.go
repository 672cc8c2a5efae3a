package acts

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
	"firmus/manifest"
)

// manifestLimit is the largest manifest that is held in memory to be judged: some
// two million lines.
const manifestLimit = 256 << 20

// manifestName is the file that intake writes into each first-level folder.
var manifestName = manifest.Name(fixity.SHA256)

func manifestPath(folder string) string {
	if folder == "" {
		return manifestName
	}
	return folder + "/" + manifestName
}

// manifestText writes the manifest of a folder from the ledger.
func (e *Env) manifestText(ctx context.Context, store, set, folder string, w io.Writer) (lines int, warnings []manifest.Warning, err error) {
	out := manifest.NewWriter(w, fixity.SHA256)
	prefix := ""
	if folder != "" {
		prefix = folder + "/"
	}
	for after := ""; ; {
		var page []ledger.ManifestLine
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
			page, err = t.ManifestLines(store, set, folder, after, 1000)
			return err
		}); err != nil {
			return 0, nil, err
		}
		if len(page) == 0 {
			warnings, err = out.Finish()
			return out.Lines(), warnings, err
		}
		for _, l := range page {
			if err := out.Add(l.Path[len(prefix):], l.Digest); err != nil {
				return 0, nil, err
			}
			after = l.Path
		}
	}
}

// WriteManifest brings the manifest of a first-level folder in a store up to date.
// Order of the steps, and what a crash leaves: the intended digest is committed
// (the old text is still there and known as ours); the file is replaced whole
// (the new text is known by the intended digest); the digest is committed.
//
// A text that isn't ours and says something else than ours would is left where it
// is: ours then goes to the state folder, and the warning says so.
func (e *Env) WriteManifest(ctx context.Context, store, set, folder string) (warnings []string, err error) {
	where := fmt.Sprintf("manifest of %s in %s", describeFolder(set, folder), store)
	h := sha256.New()
	lines, warns, err := e.manifestText(ctx, store, set, folder, h)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", where, err)
	}
	if lines == 0 {
		return nil, nil
	}
	m := ledger.Manifest{Store: store, Set: set, Folder: folder, Intended: fixity.DigestOf(fixity.SHA256, h.Sum(nil)), Size: -1}
	for _, w := range warns {
		warnings = append(warnings, fmt.Sprintf("%s: %s", where, w))
	}
	root, err := e.Root(store, set, fixity.Bypassed)
	if err != nil {
		return warnings, err
	}
	if folder != "" {
		switch _, err := root.Stat(ctx, folder+"/bagit.txt"); {
		case err == nil:
			// A bag has manifests of its own, which may not list its tag files
			// (RFC 8493, section 2.1.3); they are files under care like its others.
			_, err := e.writeAside(ctx, m)
			return nil, err
		case !errors.Is(err, fixity.ErrVanished):
			return warnings, fmt.Errorf("%s: %w", where, err)
		}
	}
	same, foreign, err := e.lookAtManifest(ctx, root, m)
	if err != nil {
		return warnings, fmt.Errorf("%s: %w", where, err)
	}
	if foreign != "" {
		aside, err := e.writeAside(ctx, m)
		if err != nil {
			return warnings, fmt.Errorf("%s: %w", where, err)
		}
		return append(warnings, fmt.Sprintf("%s was changed by another hand and was left as it is (%s); the one by the ledger is in %s", where, foreign, aside)), nil
	}
	if !same {
		if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.IntendManifest(m) }); err != nil {
			return warnings, err
		}
		if err := root.Replace(ctx, manifestPath(folder), func(w io.Writer) error {
			_, _, err := e.manifestText(ctx, store, set, folder, w)
			return err
		}); err != nil {
			return warnings, fmt.Errorf("write the %s: %w", where, err)
		}
	} else if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.IntendManifest(m) }); err != nil {
		return warnings, err
	}
	if x, err := root.Stat(ctx, manifestPath(folder)); err == nil {
		m.Size, m.ModTime = x.Size, x.ModTime.UnixNano()
	}
	return warnings, e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if err := t.WroteManifest(m, lines, e.By); err != nil {
			return err
		}
		return t.Clear(store, set, fixity.OfManifest, fixity.Kind(fixity.Altered), manifestPath(folder), fixity.IntactAgain, e.By)
	})
}

func describeFolder(set, folder string) string {
	if folder == "" {
		return fmt.Sprintf("the root of %s", set)
	}
	return fmt.Sprintf("%s/%s", set, ledger.DisplayPath(folder))
}

// lookAtManifest says what lies where a manifest will be written: just that text;
// or a text that isn't ours and that ours would not replace without loss.
func (e *Env) lookAtManifest(ctx context.Context, root Root, m ledger.Manifest) (same bool, foreign string, err error) {
	old, err := root.ReadFile(ctx, manifestPath(m.Folder), manifestLimit)
	if errors.Is(err, fixity.ErrVanished) {
		return false, "", nil
	}
	if err != nil {
		return false, "", err
	}
	sum := sha256.Sum256(old)
	digest := fixity.DigestOf(fixity.SHA256, sum[:])
	if digest == m.Intended {
		return true, "", nil
	}
	var known ledger.Manifest
	err = e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		known, err = t.Manifest(m.Store, m.Set, m.Folder)
		return err
	})
	if err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return false, "", err
	}
	if err == nil && (known.Digest == digest || known.Intended == digest) {
		return false, "", nil // ours, of an earlier day
	}
	foreign, err = e.contradicts(ctx, m, old, true)
	return false, foreign, err
}

// contradicts reads a manifest by meaning and says, in words, the first line that
// the ledger doesn't bear out: a digest that no version of the file has. strict
// also names what ours would not repeat: lines about files not under care, and
// lines that can't be read. "" is no such line.
func (e *Env) contradicts(ctx context.Context, m ledger.Manifest, text []byte, strict bool) (string, error) {
	said := ""
	err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for l, err := range manifest.Read(bytes.NewReader(text), manifest.ReadOptions{Algorithm: fixity.SHA256, Rule: manifest.FolderRule}) {
			if err != nil {
				if strict {
					said = err.Error()
					return nil
				}
				continue
			}
			found, right := false, false
			for _, r := range append([]manifest.Reading{l.Reading}, l.Others...) {
				p := r.Path
				if m.Folder != "" {
					p = m.Folder + "/" + p
				}
				ds, err := t.KnownDigests(m.Store, m.Set, p)
				if err != nil {
					return err
				}
				for _, d := range ds {
					found, right = true, right || d == l.Digest
				}
				if found {
					break
				}
			}
			switch {
			case found && !right:
				said = fmt.Sprintf("line %d gives a digest for %q that no version of it has", l.Number, ledger.DisplayPath(l.Path))
			case !found && strict:
				said = fmt.Sprintf("line %d names %q, which is not under care", l.Number, ledger.DisplayPath(l.Path))
			}
			if said != "" {
				return nil
			}
		}
		return nil
	})
	return said, err
}

// writeAside writes a manifest into the state folder instead.
func (e *Env) writeAside(ctx context.Context, m ledger.Manifest) (string, error) {
	dir := filepath.Join(e.Ledger.State(), "manifests", m.Store, m.Set, filepath.FromSlash(m.Folder))
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", err
	}
	f, err := os.CreateTemp(dir, ".firmus-*")
	if err != nil {
		return "", err
	}
	defer os.Remove(f.Name())
	_, _, err = e.manifestText(ctx, m.Store, m.Set, m.Folder, f)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return "", err
	}
	path := filepath.Join(dir, manifestName)
	return path, os.Rename(f.Name(), path)
}

// checkManifests judges, by meaning, the manifests of an audited store that have
// changed since they were last looked at; all of them in a full audit.
func (e *Env) checkManifests(ctx context.Context, a ledger.Audit) error {
	for _, set := range a.Sets {
		var all []ledger.Manifest
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
			all, err = t.Manifests(a.Store, set)
			return err
		}); err != nil {
			return err
		}
		root, err := e.Root(a.Store, set, a.Cache)
		if err != nil {
			return err
		}
		for _, m := range all {
			if err := e.checkManifest(ctx, root, a, m); err != nil {
				return fmt.Errorf("manifest of %s in %s: %w", describeFolder(set, m.Folder), a.Store, err)
			}
		}
	}
	return nil
}

func (e *Env) checkManifest(ctx context.Context, root Root, a ledger.Audit, m ledger.Manifest) error {
	path := manifestPath(m.Folder)
	x, err := root.Stat(ctx, path)
	if errors.Is(err, fixity.ErrVanished) {
		return nil // fewer lines than the ledger has is no finding
	}
	if err != nil {
		return err
	}
	if !a.Full && x.Size == m.Size && x.ModTime.UnixNano() == m.ModTime {
		return nil
	}
	text, err := root.ReadFile(ctx, path, manifestLimit)
	if errors.Is(err, fixity.ErrUnreadable) {
		return e.reportManifest(ctx, a, m, fixity.Kind(fixity.Unreadable), err.Error())
	}
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	said := ""
	if d := fixity.DigestOf(fixity.SHA256, sum[:]); d != m.Digest && d != m.Intended {
		if said, err = e.contradicts(ctx, m, text, false); err != nil {
			return err
		}
	}
	if said != "" {
		return e.reportManifest(ctx, a, m, fixity.Kind(fixity.Altered), said)
	}
	m.Size, m.ModTime = x.Size, x.ModTime.UnixNano()
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if err := t.SawManifest(m); err != nil {
			return err
		}
		for _, k := range []fixity.State{fixity.Altered, fixity.Unreadable} {
			if err := t.Clear(m.Store, m.Set, fixity.OfManifest, fixity.Kind(k), path, fixity.IntactAgain, e.By); err != nil {
				return err
			}
		}
		return nil
	})
}

func (e *Env) reportManifest(ctx context.Context, a ledger.Audit, m ledger.Manifest, kind fixity.Kind, detail string) error {
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		return t.Report(fixity.Finding{Subject: fixity.OfManifest, Kind: kind, Urgency: fixity.Tidy, Store: m.Store, Set: m.Set,
			Path: manifestPath(m.Folder), Count: 1, Detail: detail, IntactIn: []string{}}, policy.StepNone, a.ID, e.By)
	})
}
