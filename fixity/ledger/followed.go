package ledger

import (
	"errors"
	"slices"

	"firmus/fixity"
	"firmus/fixity/care"
)

// followed looks whether a reading shows that a store has followed two renames of which one
// gave a file the name that another had before: under its former name a file's copy gave the
// bytes of the file that has this name now. What was read is that file's copy from now on. The
// other lies where that copy lay, if this is its own new place, and is awaited there if not.
// It returns the reading of the file whose copy it is.
func (t Audits) followed(s fixity.Shard, x fixity.Result, by string) (fixity.Result, error) {
	if x.Outcome != fixity.ReadDiffers {
		return x, nil
	}
	was, err := t.Copies.At(s.Store, s.Set, x.Path)
	if errors.Is(err, fixity.ErrNotFound) || err == nil && was.File != x.File {
		return x, nil // an act has dealt with it meanwhile
	}
	if err != nil {
		return x, err
	}
	f, err := t.Files.Get(x.File)
	if err != nil || t.Copies.inPlace(s.Store, was.At, f) {
		return x, err
	}
	g, err := t.Files.At(s.Set, was.At)
	if errors.Is(err, fixity.ErrNotFound) || err == nil && (g.ID == f.ID || g.Version == 0) {
		return x, nil
	}
	if err != nil {
		return x, err
	}
	if v, err := t.Files.Version(g.ID, g.Version); err != nil || !slices.Contains(x.Sums, v.BLAKE3) {
		return x, err
	}
	copies, err := t.Copies.Of(g.ID)
	if err != nil {
		return x, err
	}
	for _, old := range copies {
		if old.Store != s.Store || old.Carrier != 0 {
			continue
		}
		var gone care.Evidence = care.Displaced{To: f.Path}
		if old.Lies() && t.Copies.inPlace(s.Store, old.At, f) {
			gone = care.PlaceChanged{At: old.At, Size: old.Size, ModTime: old.ModTime}
		}
		other, _ := care.After(was, gone, t.Copies.careRules(f, s.Store))
		came, _ := care.After(old, care.PlaceChanged{At: was.At, Size: x.Size, ModTime: x.ModTime}, t.Copies.careRules(g, s.Store))
		if err := errors.Join(t.Copies.drop(was), t.Copies.drop(old)); err != nil {
			return x, err
		}
		if err := errors.Join(t.Copies.Put(Copy{}, came), t.Copies.Put(Copy{}, other)); err != nil {
			return x, err
		}
		if err := t.Findings.Rejudge(f.ID, s.Audit, by, "", nil); err != nil {
			return x, err
		}
		return fixity.Result{Path: x.Path, File: g.ID, Size: x.Size, ModTime: x.ModTime, InodeAt: x.InodeAt, Cache: x.Cache, At: x.At, Sums: x.Sums,
			Outcome: fixity.ReadIntact, Version: g.Version}, nil
	}
	return x, nil
}

// mayHaveFollowed says of a copy that isn't shown under its file's former name that it may lie
// in its new place, over another renamed file's copy there: that is read before anything is
// said (followed).
func (t Audits) mayHaveFollowed(was Copy, f File) (bool, error) {
	if t.Copies.inPlace(was.Store, was.At, f) {
		return false, nil
	}
	there, err := t.Copies.At(was.Store, was.Set, f.Path)
	if errors.Is(err, fixity.ErrNotFound) || err == nil && (there.File == f.ID || !there.Lies() || !there.DueNow()) {
		return false, nil
	}
	return err == nil, err
}
