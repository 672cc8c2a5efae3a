// Package registering keeps the list of discs: which version of which files was burned on
// each, what a person decided about them, and the sheets to burn them by.
package registering

import (
	"context"
	"fmt"
	"path"
	"path/filepath"
	"strconv"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Desk is where discs are registered.
type Desk struct{ *archive.Archive }

// Shelf is the name of the store that discs belong to.
func (e Desk) Shelf() string { return e.Rules.Discs() }

// earlierUnnamed was care.UnnamedDiscs in ledgers of schema 17 and before.
const earlierUnnamed = "shelf"

// NoteShelf writes the store of the discs into the ledger, where it isn't configured
// too. Discs that were registered before it was go with it: two stores would count as
// two places.
func (e Desk) NoteShelf(t *ledger.Tx) error {
	name := e.Shelf()
	rule, _ := e.Rules.Store(name)
	if err := t.Stores.Put(ledger.Store{Name: name, Kind: archive.OpticalKind, Place: rule.Place}); err != nil {
		return err
	}
	for _, earlier := range []string{care.UnnamedDiscs, earlierUnnamed} {
		if _, configured := e.Rules.Store(earlier); configured || name == earlier {
			continue
		}
		if err := t.Discs.MoveStore(earlier, name, e.By); err != nil {
			return err
		}
	}
	return nil
}

// Order says what was burned on a disc.
type Order struct {
	Number  string
	Twin    string // "" if the number has its letter, or there is none
	Part    int
	Kind    string // ledger.AudioDisc or ledger.DataDisc
	Box     string
	Blank   string   // brand
	Burned  string   // when, as precisely as it is known
	Label   string   // what else is written on it
	Control bool     // it is read first, to look at the drive
	Files   []string // in track order, or a folder: SET/PATH, perhaps with @VERSION, or a path on this computer below a set's root. None: nobody knows
	Reason  string
}

// Add registers a disc: which version of which files was burned on it. Nothing is
// read. It is refused if the number is taken, or a file isn't under care.
func (e Desk) Add(ctx context.Context, o Order) (ledger.Disc, error) {
	d, files, of, err := e.discOf(ctx, o)
	if err != nil {
		return d, err
	}
	err = e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		for _, f := range of {
			if err := t.StillFile(f); err != nil {
				return err
			}
		}
		if err := e.NoteShelf(t); err != nil {
			return err
		}
		d, err = t.Discs.Add(d, files, e.By, o.Reason)
		return err
	})
	if err == nil {
		backups.Of(e.Archive).KeepList(ctx)
	}
	return d, err
}

// discOf makes a disc of an order, with the files of which versions were burned.
func (e Desk) discOf(ctx context.Context, o Order) (ledger.Disc, []ledger.DiscFile, []ledger.File, error) {
	d := ledger.Disc{Store: e.Shelf(), Kind: o.Kind, Box: o.Box, Blank: o.Blank, Burned: o.Burned, Label: o.Label, Part: o.Part, Control: o.Control}
	if o.Kind != ledger.AudioDisc && o.Kind != ledger.DataDisc {
		return d, nil, nil, fmt.Errorf("say what kind of disc %s is: audio or data: %w", o.Number, fixity.ErrRefused)
	}
	all, err := e.All(ctx)
	if err != nil {
		return d, nil, nil, err
	}
	r, err := discs.New(o.Number, all)
	if err != nil {
		return d, nil, nil, err
	}
	d.Number, d.Twin = r.Number, r.Twin
	if d.Part == 0 {
		d.Part = r.Part
	}
	switch twin := strings.ToUpper(strings.TrimSpace(o.Twin)); {
	case twin == "":
	case len(twin) != 1 || twin[0] < 'A' || twin[0] > 'Z':
		return d, nil, nil, fmt.Errorf("a twin is a letter, such as A or B, not %q: %w", o.Twin, fixity.ErrRefused)
	case d.Twin != "" && d.Twin != twin:
		return d, nil, nil, fmt.Errorf("%s says twin %s, and --twin says %s: %w", o.Number, d.Twin, twin, fixity.ErrRefused)
	default:
		d.Twin = twin
	}
	for _, x := range all { // "Ferry A" may be a number, and a twin of "Ferry"
		if strings.EqualFold(x.Name(), d.Name()) && (x.Number != d.Number || x.Twin != d.Twin || x.Part != d.Part) {
			return d, nil, nil, fmt.Errorf("a disc that is called %s is registered: %w", d.Name(), fixity.ErrRefused)
		}
	}
	files, of, err := e.burnedFiles(ctx, o.Files)
	return d, files, of, err
}

// burnedFiles finds the versions of files that were burned, in their order.
func (e Desk) burnedFiles(ctx context.Context, args []string) (out []ledger.DiscFile, of []ledger.File, err error) {
	seen := map[int64]bool{}
	for _, arg := range args {
		fs, below, folder, version, err := e.burnedAt(ctx, arg)
		if err != nil {
			return nil, nil, err
		}
		for _, f := range fs {
			if seen[f.ID] {
				return nil, nil, fmt.Errorf("%s/%s is named twice: %w", f.Set, ledger.DisplayPath(f.Path), fixity.ErrRefused)
			}
			seen[f.ID] = true
			n := version
			if n == 0 {
				n = f.Version
			}
			if n == 0 {
				return nil, nil, fmt.Errorf("of %s/%s no version has authority: decide which is right before a disc of it is registered: %w", f.Set, ledger.DisplayPath(f.Path), fixity.ErrRefused)
			}
			if err := e.hasVersion(ctx, f, n); err != nil {
				return nil, nil, err
			}
			name := strings.TrimPrefix(f.Path, below)
			if len(args) > 1 { // beside others the folder itself is burned
				name = folder + name
			}
			of = append(of, f)
			out = append(out, ledger.DiscFile{File: f.ID, Version: n, Name: name})
		}
	}
	return out, of, nil
}

func (e Desk) hasVersion(ctx context.Context, f ledger.File, n int64) error {
	return e.Ledger.View(ctx, func(t *ledger.Tx) error {
		vs, err := t.Files.Versions(f.ID)
		if err != nil {
			return err
		}
		for _, v := range vs {
			if v.N == n {
				return nil
			}
		}
		return fmt.Errorf("%s/%s has no version %d: %w", f.Set, ledger.DisplayPath(f.Path), n, fixity.ErrRefused)
	})
}

// burnedAt are the files that one argument names; below is what of their paths is not
// on the disc, folder the name of the folder that they are all of, with its slash ("": a
// file, or a whole set), and version is 0 unless the argument says which.
func (e Desk) burnedAt(ctx context.Context, arg string) (fs []ledger.File, below, folder string, version int64, err error) {
	look := func(arg string) error {
		set, p, ok := e.inSet(arg)
		if !ok {
			return fmt.Errorf("%q is neither SET/PATH nor a path below a set's folder: %w", arg, fixity.ErrRefused)
		}
		err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
			fs, err = t.Files.Under(set, p)
			return err
		})
		if err != nil {
			return err
		}
		if len(fs) == 0 {
			return fmt.Errorf("no file is under care at %q (take it in first: firmus intake): %w", arg, fixity.ErrNotFound)
		}
		below, folder = "", ""
		if len(fs) == 1 && fs[0].Path == p {
			below = p[:len(p)-len(path.Base(p))]
		} else if p != "" {
			below, folder = p+"/", path.Base(p)+"/"
		}
		return nil
	}
	err = look(arg)
	if err == nil {
		return fs, below, folder, 0, nil
	}
	at := strings.LastIndexByte(arg, '@')
	if at < 0 {
		return nil, "", "", 0, err
	}
	n, numErr := strconv.ParseInt(arg[at+1:], 10, 64)
	if numErr != nil || n < 1 || look(arg[:at]) != nil {
		return nil, "", "", 0, err
	}
	return fs, below, folder, n, nil
}

// inSet says in which set a path lies, and where: SET/PATH, or a path on this computer
// below one of the set's roots.
func (e Desk) inSet(arg string) (set, p string, ok bool) {
	clean := path.Clean(filepath.ToSlash(arg))
	name, rest, _ := strings.Cut(clean, "/")
	if _, ok := e.Rules.Set(name); ok {
		return name, rest, true
	}
	abs, err := filepath.Abs(arg)
	if err != nil {
		return "", "", false
	}
	for _, s := range e.Rules.Stores {
		if s.Kind != "disk" {
			continue
		}
		for _, set := range s.Sets {
			rel, err := filepath.Rel(e.Where(s.Name, set), abs)
			if err != nil || rel == ".." || strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
				continue
			}
			if rel == "." {
				rel = ""
			}
			return set, filepath.ToSlash(rel), true
		}
	}
	return "", "", false
}

// Retire ends the use of a disc by a person's order.
func (e Desk) Retire(ctx context.Context, number, reason string) (ledger.Disc, error) {
	if reason == "" {
		return ledger.Disc{}, fmt.Errorf("retiring needs a reason (--reason): %w", fixity.ErrRefused)
	}
	var d ledger.Disc
	err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) (err error) {
		if d, err = find(t, number); err != nil {
			return err
		}
		return t.Discs.Retire(d, e.By, reason)
	})
	if err == nil {
		backups.Of(e.Archive).KeepList(ctx)
	}
	return d, err
}

// All are the discs on the list, in the order of their numbers.
func (e Desk) All(ctx context.Context) (all []ledger.Disc, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error { all, err = t.Discs.All(); return err })
	return all, err
}

// find finds the registered disc that a person names.
func find(t *ledger.Tx, typed string) (ledger.Disc, error) {
	all, err := t.Discs.All()
	if err != nil {
		return ledger.Disc{}, err
	}
	return discs.Find(typed, all)
}
