package manifests

import (
	"context"
	"errors"
	"slices"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Check judges, by meaning, the manifests of an audited store that have
// changed since they were last looked at; all of them in a full audit. One that is
// gone, or that was never written, is owed from now on. What keeps one from being
// looked at is noted in m, and the others are looked at all the same.
func (e Acts) Check(ctx context.Context, u *stores.Used, a ledger.Audit, m *Made) error {
	writes := e.WritesInto(a.Store)
	for _, set := range a.Sets {
		var all []ledger.Manifest
		var folders []string
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
			if all, err = t.Manifests.Of(a.Store, set); err == nil && writes {
				folders, err = t.Manifests.Folders(a.Store, set)
			}
			return err
		}); err != nil {
			return err
		}
		root, err := u.Root(set, a.Cache)
		if err != nil {
			return err
		}
		var gone []string
		known := map[string]bool{}
		for _, x := range all {
			lacks, err := e.checkManifest(ctx, root, a, x)
			if err := m.note(ctx, set, x.Folder, a.Store, "looked at", err); err != nil {
				return err
			}
			if known[x.Folder] = true; lacks && slices.Contains(folders, x.Folder) {
				gone = append(gone, x.Folder)
			}
		}
		for _, folder := range folders {
			if known[folder] {
				continue
			}
			lacks, err := e.lacksManifest(ctx, root, folder)
			if err := m.note(ctx, set, folder, a.Store, "looked at", err); err != nil {
				return err
			}
			if lacks {
				gone = append(gone, folder)
			}
		}
		if len(gone) == 0 {
			continue
		}
		if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
			for _, folder := range gone {
				t.Manifests.Owe(a.Store, set, folder)
			}
			return nil
		}); err != nil {
			return err
		}
	}
	return nil
}

// lacksManifest says that a folder, which is no bag, has nothing of the name of a
// manifest.
func (e Acts) lacksManifest(ctx context.Context, root stores.Root, folder string) (bool, error) {
	_, err := root.Stat(ctx, manifestPath(folder))
	if !errors.Is(err, fixity.ErrVanished) {
		return false, err
	}
	bag, err := isBag(ctx, root, folder)
	return !bag, err
}

func (e Acts) checkManifest(ctx context.Context, root stores.Root, a ledger.Audit, m ledger.Manifest) (lacks bool, err error) {
	path := manifestPath(m.Folder)
	x, err := root.Stat(ctx, path)
	if errors.Is(err, fixity.ErrVanished) {
		return true, nil
	}
	if err != nil {
		return false, err
	}
	if !a.Full && x.Type == fixity.File && x.Size == m.Size && x.ModTime.UnixNano() == m.ModTime {
		return false, nil
	}
	sum, err := sumOf(ctx, root, x)
	if errors.Is(err, fixity.ErrUnreadable) {
		return false, e.reportManifest(ctx, a, m, fixity.Kind(fixity.Unreadable), fixity.Fact{Is: fixity.ListFails, Said: []string{err.Error()}})
	}
	if err != nil {
		return false, err
	}
	var said *fixity.Fact
	switch {
	case sum == m.Digest || sum == m.Intended:
	case x.Size > manifestLimit:
		said = tooLarge(x.Size)
	default:
		text, err := root.ReadFile(ctx, path, manifestLimit)
		if err != nil {
			return false, err
		}
		if said, err = e.contradicts(ctx, m, text, false); err != nil {
			return false, err
		}
	}
	if said != nil {
		return false, e.reportManifest(ctx, a, m, fixity.Kind(fixity.Altered), *said)
	}
	m.Size, m.ModTime = x.Size, x.ModTime.UnixNano()
	return false, e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if err := t.Manifests.Saw(m); err != nil {
			return err
		}
		for _, k := range []fixity.State{fixity.Altered, fixity.Unreadable} {
			if err := t.Findings.Clear(m.Store, m.Set, fixity.OfManifest, fixity.Kind(k), path, fixity.IntactAgain, e.By); err != nil {
				return err
			}
		}
		return nil
	})
}

func (e Acts) reportManifest(ctx context.Context, a ledger.Audit, m ledger.Manifest, kind fixity.Kind, why fixity.Fact) error {
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		return t.Findings.Found(fixity.Finding{Subject: fixity.OfManifest, Kind: kind, Urgency: fixity.Tidy, Store: m.Store, Set: m.Set,
			Path: manifestPath(m.Folder), Count: 1, Facts: fixity.Facts{Seen: []fixity.Fact{why}}, IntactIn: []string{}}, care.StepNone, a.ID, e.By)
	})
}
