package acts

import (
	"context"
	"slices"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// ListedDisc is a disc with what is known of it.
type ListedDisc struct {
	Disc   ledger.Disc
	Files  []ListedFile
	Checks int
	Last   *ledger.DiscCheck // nil: never read
	First  *ledger.DiscCheck // the first in the last one's drive at its speed, to compare tries with; nil if there is none before it
	Open   []ledger.Finding
}

// ListedFile is what was burned of a file.
type ListedFile struct {
	Set, Path string
	Version   int64
	Current   bool // it is the file's version now
	Retired   bool
	Name      string
	SHA256    fixity.Digest
}

// Discs are the discs on the shelf: control discs first, as they are to be read first,
// then in the order of their numbers.
func (e *Env) Discs(ctx context.Context) ([]ListedDisc, error) {
	var out []ListedDisc
	err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Discs()
		if err != nil {
			return err
		}
		for _, d := range all {
			x, err := listed(t, d)
			if err != nil {
				return err
			}
			out = append(out, x)
		}
		return nil
	})
	slices.SortStableFunc(out, func(a, b ListedDisc) int { return b2i(b.Disc.Control) - b2i(a.Disc.Control) })
	return out, err
}

func listed(t *ledger.Tx, d ledger.Disc) (ListedDisc, error) {
	x := ListedDisc{Disc: d}
	fs, err := t.DiscFiles(d.ID)
	if err != nil {
		return x, err
	}
	for _, f := range fs {
		file, err := t.File(f.File)
		if err != nil {
			return x, err
		}
		l := ListedFile{Set: file.Set, Path: file.Path, Version: f.Version, Current: file.Version == f.Version, Retired: !file.Retired.IsZero(), Name: f.Name}
		vs, err := t.Versions(f.File)
		if err != nil {
			return x, err
		}
		for _, v := range vs {
			if v.N == f.Version {
				l.SHA256 = v.SHA256
			}
		}
		x.Files = append(x.Files, l)
	}
	checks, err := t.DiscChecks(d.ID)
	if err != nil {
		return x, err
	}
	if x.Checks = len(checks); x.Checks > 0 {
		last := checks[len(checks)-1]
		x.Last = &last
		for _, c := range checks[:len(checks)-1] {
			if c.Drive == last.Drive && c.Speed == last.Speed && c.Sectors == last.Sectors {
				x.First = &c
				break
			}
		}
	}
	x.Open, err = t.FindingsOnDisc(d.ID)
	return x, err
}
