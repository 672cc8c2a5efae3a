package acts

import (
	"context"
	"errors"
	"fmt"
	"path"
	"path/filepath"
	"strconv"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// shelfName is the store of all discs where none of that kind is configured.
const shelfName = "shelf"

// opticalKind is the kind of store that is a shelf of discs.
const opticalKind = "optical"

// Shelf is the name of the store that discs belong to: the first one configured of the
// kind.
func (e *Env) Shelf() string {
	for _, s := range e.Rules.Stores {
		if s.Kind == opticalKind {
			return s.Name
		}
	}
	return shelfName
}

// noteShelf writes the shelf into the ledger, where it isn't configured too. Discs that
// were registered before it was go with it: two shelves would count as two places.
func (e *Env) noteShelf(t *ledger.Tx) error {
	name := e.Shelf()
	rule, _ := e.Rules.Store(name)
	if err := t.PutStore(ledger.Store{Name: name, Kind: opticalKind, Place: rule.Place}); err != nil {
		return err
	}
	if _, configured := e.Rules.Store(shelfName); configured || name == shelfName {
		return nil
	}
	return t.MoveShelf(shelfName, name, e.By)
}

// DiscOrder says what was burned on a disc.
type DiscOrder struct {
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

// AddDisc registers a disc: which version of which files was burned on it. Nothing is
// read. It is refused if the number is taken, or a file isn't under care.
func (e *Env) AddDisc(ctx context.Context, o DiscOrder) (ledger.Disc, error) {
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
		if err := e.noteShelf(t); err != nil {
			return err
		}
		d, err = t.AddDisc(d, files, e.By, o.Reason)
		return err
	})
	if err == nil {
		e.keepDiscs(ctx)
	}
	return d, err
}

// discOf makes a disc of an order, with the files of which versions were burned.
func (e *Env) discOf(ctx context.Context, o DiscOrder) (ledger.Disc, []ledger.DiscFile, []ledger.File, error) {
	d := ledger.Disc{Store: e.Shelf(), Kind: o.Kind, Box: o.Box, Blank: o.Blank, Burned: o.Burned, Label: o.Label, Part: o.Part, Control: o.Control}
	if o.Kind != ledger.AudioDisc && o.Kind != ledger.DataDisc {
		return d, nil, nil, fmt.Errorf("say what kind of disc %s is: audio or data: %w", o.Number, fixity.ErrRefused)
	}
	var all []ledger.Disc
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { all, err = t.Discs(); return err }); err != nil {
		return d, nil, nil, err
	}
	r, err := parseRef(o.Number, prefixOf(all))
	if err != nil {
		return d, nil, nil, err
	}
	d.Number, d.Twin = r.number, r.twin
	if d.Part == 0 {
		d.Part = r.part
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
	files, of, err := e.burnedFiles(ctx, o.Files)
	return d, files, of, err
}

// burnedFiles finds the versions of files that were burned, in their order.
func (e *Env) burnedFiles(ctx context.Context, args []string) (out []ledger.DiscFile, of []ledger.File, err error) {
	seen := map[int64]bool{}
	for _, arg := range args {
		fs, below, version, err := e.burnedAt(ctx, arg)
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
			if len(args) > 1 && below != "" && path.Base(f.Path) != name {
				name = path.Base(strings.TrimSuffix(below, "/")) + "/" + name
			}
			of = append(of, f)
			out = append(out, ledger.DiscFile{File: f.ID, Version: n, Name: name})
		}
	}
	return out, of, nil
}

func (e *Env) hasVersion(ctx context.Context, f ledger.File, n int64) error {
	return e.Ledger.View(ctx, func(t *ledger.Tx) error {
		vs, err := t.Versions(f.ID)
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
// on the disc, and version is 0 unless the argument says which.
func (e *Env) burnedAt(ctx context.Context, arg string) (fs []ledger.File, below string, version int64, err error) {
	look := func(arg string) error {
		set, p, ok := e.inSet(arg)
		if !ok {
			return fmt.Errorf("%q is neither SET/PATH nor a path below a set's root: %w", arg, fixity.ErrRefused)
		}
		err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
			fs, err = t.FilesUnder(set, p)
			return err
		})
		if err != nil {
			return err
		}
		if len(fs) == 0 {
			return fmt.Errorf("no file is under care at %q (take it in first: firmus intake): %w", arg, fixity.ErrNotFound)
		}
		below = ""
		if len(fs) == 1 && fs[0].Path == p {
			below = p[:len(p)-len(path.Base(p))]
		} else if p != "" {
			below = p + "/"
		}
		return nil
	}
	err = look(arg)
	if err == nil {
		return fs, below, 0, nil
	}
	at := strings.LastIndexByte(arg, '@')
	if at < 0 {
		return nil, "", 0, err
	}
	n, numErr := strconv.ParseInt(arg[at+1:], 10, 64)
	if numErr != nil || n < 1 || look(arg[:at]) != nil {
		return nil, "", 0, err
	}
	return fs, below, n, nil
}

// inSet says in which set a path lies, and where: SET/PATH, or a path on this computer
// below one of the set's roots.
func (e *Env) inSet(arg string) (set, p string, ok bool) {
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
		if !e.listable(s.Kind) || s.Kind == cloudKind {
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

// RetireDisc takes a disc off the shelf by a person's order.
func (e *Env) RetireDisc(ctx context.Context, number, reason string) (ledger.Disc, error) {
	if reason == "" {
		return ledger.Disc{}, fmt.Errorf("retiring needs a reason (--reason): %w", fixity.ErrRefused)
	}
	var d ledger.Disc
	err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) (err error) {
		if d, err = findDisc(t, number); err != nil {
			return err
		}
		return t.RetireDisc(d, e.By, reason)
	})
	if err == nil {
		e.keepDiscs(ctx)
	}
	return d, err
}

// DiscDecide is a decision for all discs that are changed as one of them is.
type DiscDecide struct {
	Number  string
	AnyGain bool // whatever the gain is
	Discs   int  // how many that is now, typed by the person; 0: not typed
	Reason  string
}

// DecideDiscs accepts what was changed on the way for a whole class: the discs that
// were burned with the same levelling, those checked later too.
func (e *Env) DecideDiscs(ctx context.Context, o DiscDecide) (ledger.DiscDecision, []ledger.Disc, error) {
	if o.Reason == "" {
		return ledger.DiscDecision{}, nil, fmt.Errorf("a decision needs a reason (--reason \"burned with levelling\"): %w", fixity.ErrRefused)
	}
	var dec ledger.DiscDecision
	var covered []ledger.Disc
	err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		d, err := findDisc(t, o.Number)
		if err != nil {
			return err
		}
		c, err := t.LastDiscCheck(d.ID)
		if errors.Is(err, fixity.ErrNotFound) || err == nil && c.Verdict != fixity.DiscChanged {
			return fmt.Errorf("disc %s was not found to be changed on the way: there is nothing to decide for its class: %w", d.Name(), fixity.ErrRefused)
		}
		if err != nil {
			return err
		}
		switch {
		case !c.Levelled:
			return fmt.Errorf("disc %s isn't what was burned but for its level: more was changed, or its last check doesn't say (firmus disc check %s). A decision for a class is of a level alone; settle what is open of this disc, or burn it anew: %w", d.Name(), d.Name(), fixity.ErrRefused)
		case !c.Changed && !o.AnyGain:
			return fmt.Errorf("the files on disc %s were burned at several levels. To decide for discs whatever their levels are: --any-gain: %w", d.Name(), fixity.ErrRefused)
		}
		dec = ledger.DiscDecision{Verdict: c.Verdict, Reason: o.Reason, By: e.By}
		dec.Class.AnyGain, dec.Class.Gain, dec.Class.Within = o.AnyGain, c.Gain, policy.SameGain
		if covered, err = t.CoveredDiscs(dec); err != nil {
			return err
		}
		if len(covered) > bulk && o.Discs != len(covered) {
			return fmt.Errorf("these are %d discs at once. Look at some of them first; to decide for all type their number: --discs %d: %w", len(covered), len(covered), fixity.ErrRefused)
		}
		dec, err = t.DecideDiscs(dec)
		return err
	})
	return dec, covered, err
}
