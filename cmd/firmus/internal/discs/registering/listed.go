package registering

import (
	"context"
	"slices"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Listed is a disc with what is known of it.
type Listed struct {
	Disc   ledger.Disc
	Files  []ListedFile
	Checks int
	Last   *ledger.DiscCheck // nil: never read
	First  *ledger.DiscCheck // the first in the last one's drive at its speed, to compare tries with; nil if there is none before it
	Open   []ledger.Finding
	Due    string // why it should be read now; "" it needn't, or wasn't asked
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

// List gives all discs: control discs first, as they are to be read first,
// then in the order of their numbers.
func (e Desk) List(ctx context.Context) ([]Listed, error) {
	var all []ledger.Disc
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { all, err = t.Discs.All(); return err }); err != nil {
		return nil, err
	}
	out, err := e.Known(ctx, all)
	return slices.Concat(only(out, true), only(out, false)), err
}

// Known are some discs, with what is known of each.
func (e Desk) Known(ctx context.Context, ds []ledger.Disc) (out []Listed, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, d := range ds {
			x, err := listed(t, d)
			if err != nil {
				return err
			}
			out = append(out, x)
		}
		return nil
	})
	return out, err
}

func listed(t *ledger.Tx, d ledger.Disc) (Listed, error) {
	x := Listed{Disc: d}
	fs, err := t.Discs.FilesOn(d.ID)
	if err != nil {
		return x, err
	}
	for _, f := range fs {
		file, err := t.Files.Get(f.File)
		if err != nil {
			return x, err
		}
		l := ListedFile{Set: file.Set, Path: file.Path, Version: f.Version, Current: file.Version == f.Version, Retired: !file.Retired.IsZero(), Name: f.Name}
		vs, err := t.Files.Versions(f.File)
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
	checks, err := t.Discs.Checks(d.ID)
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
	x.Open, err = t.Findings.OnDisc(d.ID)
	return x, err
}

// only are the control discs, or the others.
func only(ds []Listed, control bool) []Listed {
	return slices.DeleteFunc(slices.Clone(ds), func(d Listed) bool { return d.Disc.Control != control })
}

// Worn says that a disc's tries have grown within one drive and speed, though not
// so that it is a finding yet.
func (d Listed) Worn() bool {
	first, last := d.First, d.Last
	return first != nil && last != nil && last.Drive != "" && last.Retried > 2*first.Retried && !care.FewRetries(last.Retried, last.Sectors)
}
