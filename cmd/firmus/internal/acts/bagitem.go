package acts

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
	"firmus/fixity/spelling"
)

// ItemFile is a file of an item as it is handed on: its current version.
type ItemFile struct {
	ledger.File
	Current ledger.Version

	donors []ledger.Copy    // those of other files with the same bytes last
	others map[int64]string // what these files are called, by number
	passed []ledger.Copy    // donors that gave no bytes of the version
}

// Name is SET/PATH.
func (f ItemFile) Name() string { return f.Set + "/" + f.Path }

func (f ItemFile) shown() string { return f.Set + "/" + ledger.DisplayPath(f.Path) }

// ErrNoneIntact says that no intact copy is at hand: a finding, and no wrong order.
var ErrNoneIntact = errors.New("no intact copy is at hand")

// noneIntact is such an error; its text says it in its own words.
type noneIntact struct{ error }

func (noneIntact) Is(target error) bool { return target == ErrNoneIntact }

// ItemFiles are the files of an item under care, in the order of SET/PATH. The error wraps
// ErrNoneIntact, and names them, if no store is known to hold the current version of
// some: what leaves the house is whole, or doesn't leave. rules are those of now.
func (e Acts) ItemFiles(ctx context.Context, item string) (out []ItemFile, err error) {
	rules, err := e.RulesNow(ctx)
	if err != nil {
		return nil, err
	}
	var without []string
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		out, without = nil, nil
		fs, err := t.Files.OfItem(item)
		if err != nil {
			return err
		}
		fs = slices.DeleteFunc(fs, func(f ledger.File) bool { return !f.Retired.IsZero() })
		if len(fs) == 0 {
			items, err := t.Files.Items()
			if err != nil {
				return err
			}
			return fmt.Errorf("no file of item %q is under care%s: %w", item, spelling.Ask(item, items), fixity.ErrNotFound)
		}
		incidents, err := t.Incidents.InStores()
		if err != nil {
			return err
		}
		slices.SortFunc(fs, func(a, b ledger.File) int { return strings.Compare(a.Set+"/"+a.Path, b.Set+"/"+b.Path) })
		for _, f := range fs {
			x := ItemFile{File: f}
			if f.Version == 0 {
				without = append(without, x.shown()+" (the stores disagree about it: a person decides which version is right)")
				continue
			}
			if x.Current, err = t.Files.Version(f.ID, f.Version); err != nil {
				return err
			}
			copies, err := t.Copies.Of(f.ID)
			if err != nil {
				return err
			}
			found, err := FoundAt(t, f.ID)
			if err != nil {
				return err
			}
			same, err := t.Copies.SameBytes(f.ID, f.Version)
			if err != nil {
				return err
			}
			if x.others, err = t.Files.Names(same); err != nil {
				return err
			}
			x.donors = repair.Givers(repair.Case{Copies: copies, Same: same, Found: found, Current: f.Version, Rules: rules,
				Incident: func(store string) bool { return len(incidents[store]) > 0 }})
			if len(x.donors) == 0 {
				without = append(without, x.shown())
			}
			out = append(out, x)
		}
		return nil
	})
	if err == nil && len(without) > 0 {
		err = noneIntact{fmt.Errorf("no intact copy is known of %s: put right what can be, or retire it, before the item is handed on", strings.Join(without, ", "))}
	}
	return out, err
}

// FoundAt is, by store, where a file's misplaced copies lie.
func FoundAt(t *ledger.Tx, file int64) (map[string]string, error) {
	out := map[string]string{}
	fs, err := t.Findings.Of(file)
	for _, f := range fs {
		if f.Open() && f.FoundAt != "" {
			out[f.Store] = f.FoundAt
		}
	}
	return out, err
}

// Give writes the bytes of the n-th of an item's files into what begin gives, and says which
// time its file has: from the best copy, and from the next if that isn't the version any
// more or can't be read. If none gives them, the files after it are read, too, so that the
// error names all of which that is so; it wraps ErrNoneIntact if every copy was reached. What
// gave other bytes is due then: see ReadPassed.
func (e Acts) Give(ctx context.Context, fs []ItemFile, n int, begin func() (io.Writer, error)) (time.Time, error) {
	at, err := e.give(ctx, &fs[n], begin)
	var no *notGiven
	if !errors.As(err, &no) {
		return at, err
	}
	all := []string{no.why}
	for i := range fs[n+1:] {
		_, err := e.give(ctx, &fs[n+1+i], func() (io.Writer, error) { return io.Discard, nil })
		var more *notGiven
		switch {
		case errors.As(err, &more):
			all = append(all, more.why)
			no.away = no.away || more.away
		case err != nil:
			return at, err
		}
	}
	why := errors.New(strings.Join(all, "; "))
	if no.away {
		return at, fmt.Errorf("not every copy could be read: %w", why)
	}
	return at, noneIntact{fmt.Errorf("no intact copy could be read: %w", why)}
}

// notGiven says that no copy gave a file's bytes.
type notGiven struct {
	why  string
	away bool // one could not be reached
}

func (n *notGiven) Error() string { return n.why }

func (e Acts) give(ctx context.Context, f *ItemFile, begin func() (io.Writer, error)) (at time.Time, err error) {
	no := &notGiven{}
	var whys []string
	for _, d := range f.donors {
		rotten := false
		var own error // of writing: no other copy helps
		err := e.UseBeside(ctx, d.Store, func(ctx context.Context, u *stores.Used) error {
			src, err := OpenCopy(ctx, u, d)
			if err != nil {
				rotten = errors.Is(err, fixity.ErrVanished) || errors.Is(err, fixity.ErrChanged)
				return err
			}
			defer src.Close()
			w, err := begin()
			if err != nil {
				own = err
				return err
			}
			sums, err := digest.Options{Algorithms: []fixity.Algorithm{fixity.BLAKE3}, Tee: Noting{w, &own}}.Read(ctx, src)
			switch got, _ := sums.Get(fixity.BLAKE3); {
			case err != nil:
				rotten = errors.Is(err, fixity.ErrUnreadable) || errors.Is(err, fixity.ErrChanged)
				return err
			case got != f.Current.BLAKE3:
				rotten = true
				return errors.New("it doesn't have the checksum of the version any more")
			}
			switch {
			case d.File != f.ID: // another file's time says nothing of this one
				e.Sayf("%s: no copy of it could be used. Its bytes were taken from %s in %s, which has the same checksum", f.shown(), f.others[d.File], d.Store)
			case d.ModTime != 0:
				at = time.Unix(0, d.ModTime)
			}
			return nil
		})
		switch {
		case err == nil:
			return at, nil
		case own != nil:
			return at, own
		case context.Cause(ctx) != nil:
			return at, context.Cause(ctx)
		}
		whys = append(whys, fmt.Sprintf("%s: %v", d.Store, err))
		if no.away = no.away || archive.StoreOnly(err); rotten {
			e.Sayf("%s was not used: %v", e.PlaceOf(d), err)
			f.passed = append(f.passed, d)
			if err := e.ReadSoon(ctx, d); err != nil {
				return at, err
			}
		}
	}
	no.why = fmt.Sprintf("%s (%s)", f.shown(), strings.Join(whys, ", "))
	return at, no
}

// ReadPassed has the copies read again, at once, that gave other bytes than an item's: the
// reading for a bag isn't the one that judges them. It gives the findings that are open about
// them then, and the stores in which one of them could not be read yet.
func (e Acts) ReadPassed(ctx context.Context, fs []ItemFile) (found []ledger.Finding, unread []string, err error) {
	if !slices.ContainsFunc(fs, func(f ItemFile) bool { return len(f.passed) > 0 }) {
		return nil, nil, nil
	}
	if err := e.FollowUp(ctx, fixity.Bypassed); err != nil {
		return nil, nil, err
	}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, f := range fs {
			for _, d := range f.passed {
				all, err := t.Findings.Of(d.File)
				if err != nil {
					return err
				}
				i := slices.IndexFunc(all, func(x ledger.Finding) bool {
					return x.Open() && x.Store == d.Store && x.Carrier == d.Carrier && x.Kind != fixity.Unfinished
				})
				switch {
				case i >= 0 && d.State != fixity.Misplaced:
					found = append(found, all[i])
				case !slices.Contains(unread, d.Store):
					unread = append(unread, d.Store)
				}
			}
		}
		return nil
	})
	return found, unread, err
}

// ReadSoon makes a copy that isn't what it was due at once: its own finding follows from the
// readings that judge it. What lies elsewhere than it should is read by the next audit.
func (e Acts) ReadSoon(ctx context.Context, c ledger.Copy) error {
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if c.State == fixity.Misplaced {
			return t.Strays.ReadSoon(c.Store, c.Set, c.At)
		}
		_, _, err := t.Copies.Touched(c.Store, c.Set, c.At, true)
		return err
	})
}

// HandedOver records that a bag of an item was made.
func (e Acts) HandedOver(ctx context.Context, h ledger.HandOver) error {
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { t.Files.HandedOver(h, e.By); return nil })
}

// Noting keeps the error of a writer.
type Noting struct {
	io.Writer
	Err *error
}

func (n Noting) Write(p []byte) (int, error) {
	w, err := n.Writer.Write(p)
	if err != nil {
		*n.Err = err
	}
	return w, err
}

// Restricted says that a recording of an item isn't for everybody.
func (e Acts) Restricted(ctx context.Context, item string) (is bool, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		r, err := t.Register.Restricted()
		if err != nil || r.None() {
			return err
		}
		fs, err := t.Files.OfItem(item)
		is = slices.ContainsFunc(fs, func(f ledger.File) bool { return f.Retired.IsZero() && r.File(f.Set, f.Path) })
		return err
	})
	return is, err
}
