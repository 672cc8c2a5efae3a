package manifests

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/beside"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
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
func (e Acts) manifestText(ctx context.Context, store, set, folder string, w io.Writer) (lines int, warnings []manifest.Warning, err error) {
	out := manifest.NewWriter(w, fixity.SHA256)
	prefix := ""
	if folder != "" {
		prefix = folder + "/"
	}
	for after := ""; ; {
		var page []ledger.ManifestLine
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
			page, err = t.Manifests.Lines(store, set, folder, after, 1000)
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

// writeManifest brings the manifest of a first-level folder in a store up to date and
// ends what was owed. wrote says that the file was written, in the folder or aside.
// Order of the steps, and what a crash leaves: the intended digest is committed
// (the old text is still there and known as ours); the file is replaced whole
// (the new text is known by the intended digest); the digest is committed, and in the
// same transaction nothing is owed any more.
//
// A text that isn't ours and says something else than ours would is left where it
// is: ours then goes to the state folder, and the warning says so.
func (e Acts) writeManifest(ctx context.Context, root stores.Root, o ledger.OwedManifest) (wrote bool, warnings []string, err error) {
	where := fmt.Sprintf("manifest of %s in %s", describeFolder(o.Set, o.Folder), o.Store)
	h := sha256.New()
	lines, warns, err := e.manifestText(ctx, o.Store, o.Set, o.Folder, h)
	if err != nil {
		return false, nil, err
	}
	paid := func(t *ledger.Tx) error { return t.Manifests.Paid(o) }
	if lines == 0 {
		// An old one is left: what it lists is under nobody's care, and may still lie there.
		return false, nil, e.Ledger.Tx(ctx, e.Now(), paid)
	}
	m := ledger.Manifest{Store: o.Store, Set: o.Set, Folder: o.Folder, Intended: fixity.DigestOf(fixity.SHA256, h.Sum(nil)), Size: -1}
	if bag, err := isBag(ctx, root, o.Folder); err != nil {
		return false, nil, err
	} else if bag {
		// A bag has manifests of its own, which may not list its tag files
		// (RFC 8493, section 2.1.3); they are files under care like its others.
		if _, err := e.writeAside(ctx, m); err != nil {
			return false, nil, err
		}
		return false, nil, e.Ledger.Tx(ctx, e.Now(), paid)
	}
	for _, w := range warns {
		warnings = append(warnings, fmt.Sprintf("%s: %s", where, w))
	}
	was, err := e.lookAtManifest(ctx, root, m)
	switch {
	case err != nil:
		return false, warnings, err
	case was.foreign != nil:
		aside, err := e.writeAside(ctx, m)
		if err != nil {
			return false, warnings, err
		}
		warnings = append(warnings, fmt.Sprintf("%s was changed by another hand and was left as it is (%s); the one by the ledger is in %s", where, report.Fact(*was.foreign), aside))
		return true, warnings, e.Ledger.Tx(ctx, e.Now(), paid)
	case was.same && was.known.Digest == m.Intended:
		if err := e.endAside(m); err != nil {
			return false, warnings, err
		}
		return false, warnings, e.Ledger.Tx(ctx, e.Now(), paid)
	}
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.Manifests.Intend(m) }); err != nil {
		return false, warnings, err
	}
	if !was.same {
		if err := root.Replace(ctx, manifestPath(o.Folder), func(w io.Writer) error {
			_, _, err := e.manifestText(ctx, o.Store, o.Set, o.Folder, w)
			return err
		}); err != nil {
			return false, warnings, err
		}
	}
	if was.gone && !was.known.Digest.IsZero() {
		warnings = append(warnings, fmt.Sprintf("%s was gone, and was written anew", where))
	}
	if err := e.endAside(m); err != nil {
		return false, warnings, err
	}
	if x, err := root.Stat(ctx, manifestPath(o.Folder)); err == nil {
		m.Size, m.ModTime = x.Size, x.ModTime.UnixNano()
	}
	return true, warnings, e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if err := t.Manifests.Wrote(m, lines, e.By); err != nil {
			return err
		}
		if err := t.Manifests.Paid(o); err != nil {
			return err
		}
		return t.Findings.Clear(o.Store, o.Set, fixity.OfManifest, fixity.Kind(fixity.Altered), manifestPath(o.Folder), fixity.IntactAgain, e.By)
	})
}

// isBag says that a first-level folder is a bag.
func isBag(ctx context.Context, root stores.Root, folder string) (bool, error) {
	if folder == "" {
		return false, nil
	}
	_, err := root.Stat(ctx, folder+"/bagit.txt")
	if errors.Is(err, fixity.ErrVanished) {
		return false, nil
	}
	return err == nil, err
}

func describeFolder(set, folder string) string {
	if folder == "" {
		return fmt.Sprintf("the folder of %s itself", set)
	}
	return fmt.Sprintf("%s/%s", set, ledger.DisplayPath(folder))
}

// lying is what lies where a manifest will be written.
type lying struct {
	known   ledger.Manifest // what the ledger knows of it
	gone    bool            // nothing does
	same    bool            // just the text that is to be written
	foreign *fixity.Fact    // why ours would not replace it without loss; nil if it would
}

func (e Acts) lookAtManifest(ctx context.Context, root stores.Root, m ledger.Manifest) (l lying, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		l.known, err = t.Manifests.Get(m.Store, m.Set, m.Folder)
		return err
	})
	if err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return l, err
	}
	path := manifestPath(m.Folder)
	x, err := root.Stat(ctx, path)
	if errors.Is(err, fixity.ErrVanished) {
		l.gone = true
		return l, nil
	}
	if err != nil {
		return l, err
	}
	digest, err := sumOf(ctx, root, x)
	if err != nil {
		return l, err
	}
	l.same = digest == m.Intended
	if l.same || l.known.Digest == digest || l.known.Intended == digest {
		return l, nil // ours, perhaps of an earlier day
	}
	if x.Size > manifestLimit {
		l.foreign = tooLarge(x.Size)
		return l, nil
	}
	text, err := root.ReadFile(ctx, path, manifestLimit)
	if err == nil {
		l.foreign, err = e.contradicts(ctx, m, text, true)
	}
	return l, err
}

func tooLarge(size int64) *fixity.Fact { return &fixity.Fact{Is: fixity.ListLarge, Bytes: size} }

// sumOf reads all of what lies at a manifest's name, however large it is.
func sumOf(ctx context.Context, root stores.Root, x fixity.Entry) (fixity.Digest, error) {
	if x.Type != fixity.File {
		return fixity.Digest{}, fmt.Errorf("what lies at %q is no file of bytes; take it away: %w", x.Path, fixity.ErrRefused)
	}
	r, err := root.Open(ctx, x, 0)
	if err != nil {
		return fixity.Digest{}, err
	}
	defer r.Close()
	sums, err := digest.Read(ctx, r, fixity.SHA256)
	if err != nil {
		return fixity.Digest{}, err
	}
	d, _ := sums.Get(fixity.SHA256)
	return d, nil
}

// contradicts reads a manifest by meaning and gives the first line that the ledger
// doesn't bear out: a digest that no version of the file has. strict also gives what ours
// would not repeat: lines about files not under care, and lines that can't be read. nil is
// no such line.
func (e Acts) contradicts(ctx context.Context, m ledger.Manifest, text []byte, strict bool) (said *fixity.Fact, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for l, err := range manifest.Read(bytes.NewReader(text), manifest.ReadOptions{Algorithm: fixity.SHA256, Rule: manifest.FolderRule}) {
			if err != nil {
				if strict {
					said = &fixity.Fact{Is: fixity.ListFails, Said: []string{err.Error()}}
					return nil
				}
				continue
			}
			found, right := false, false
			for _, r := range append([]manifest.Interpretation{l.Interpretation}, l.Others...) {
				p := r.Path
				if m.Folder != "" {
					p = m.Folder + "/" + p
				}
				ds, err := t.Manifests.KnownDigests(m.Store, m.Set, p)
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
				said = &fixity.Fact{Is: fixity.LineWrong, Count: int64(l.Number), Places: []fixity.Path{fixity.Path(l.Path)}}
			case !found && strict:
				said = &fixity.Fact{Is: fixity.LineForeign, Count: int64(l.Number), Places: []fixity.Path{fixity.Path(l.Path)}}
			}
			if said != nil {
				return nil
			}
		}
		return nil
	})
	return said, err
}

// asideFor is the folder of the state folder in which a manifest lies that can't lie in its own.
func (e Acts) asideFor(m ledger.Manifest) string {
	return filepath.Join(e.Ledger.State(), "manifests", m.Store, m.Set, filepath.FromSlash(m.Folder))
}

// endAside removes what writeAside wrote when the manifest couldn't lie in its own folder, with
// the folders that are empty then: now it lies there.
func (e Acts) endAside(m ledger.Manifest) error {
	dir := e.asideFor(m)
	err := os.Remove(filepath.Join(dir, manifestName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for ; err == nil && dir != e.Ledger.State(); dir = filepath.Dir(dir) {
		if os.Remove(dir) != nil {
			break // others lie there
		}
	}
	return err
}

// writeAside writes a manifest into the state folder instead.
func (e Acts) writeAside(ctx context.Context, m ledger.Manifest) (string, error) {
	dir := e.asideFor(m)
	if err := private.MkdirAll(dir); err != nil {
		return "", err
	}
	beside.Clear(dir, ".firmus-")
	f, err := private.CreateTemp(dir, ".firmus-")
	if err != nil {
		return "", err
	}
	defer os.Remove(f.Name())
	defer f.Close()
	_, _, err = e.manifestText(ctx, m.Store, m.Set, m.Folder, f)
	if err = errors.Join(err, beside.Written(f)); err != nil {
		return "", err
	}
	path := filepath.Join(dir, manifestName)
	if err := os.Rename(f.Name(), path); err != nil {
		return "", err
	}
	return path, private.Flush(dir)
}
