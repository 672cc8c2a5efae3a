package cloud

import (
	"context"
	"fmt"
	"maps"

	"firmus/fixity"
)

// Fate says what became of a file that a listing doesn't show.
type Fate string

// Fates.
const (
	IsThere  Fate = "there"       // it is shown again
	IsBinned Fate = "in the bin"  // itself or a folder above it
	IsMoved  Fate = "moved"       // it lies elsewhere
	IsGone   Fate = "not visible" // deleted, or no longer shared: services don't tell which
	NotShown Fate = "not shown"   // two complete listings don't show it, and its id isn't known or wasn't asked for
)

// Lost is a file that a listing doesn't show.
type Lost struct {
	Path string // in the set
	ID   string // the service's id of it if it is known; Files gives it
}

// Found is what became of a Lost.
type Found struct {
	Lost
	Fate  Fate
	Seen  []fixity.Fact // with what the service says of it
	Where string        // moved, and in this set: its path now
	// Entry is what a listing shows there now: of IsThere at Path, of IsMoved at Where.
	Entry fixity.Entry
	Owner string // of the file, where that can still be seen
}

// Confirm makes another complete listing, and asks the service by id for those of
// lost that it doesn't show either, the first 200. Only what it finds IsGone,
// IsBinned, IsMoved or NotShown is missing. For a Lost without an id it takes the
// one that was at the path in the last listing that showed it, if this Store made
// one.
//
// What the new listing shows is what counts: of what IsThere it gives the Entry. If it
// shows much of what is said to be lost, the earlier listing is not to be believed.
//
// Errors are those of List. Two more wrap fixity.ErrIncomplete: a file is there by its
// id and the listing doesn't show it, or the two listings differ much. Then none of lost
// may be called missing.
func (f *Folder) Confirm(ctx context.Context, lost []Lost) ([]Found, error) {
	found, err := f.confirm(ctx, lost)
	if err != nil {
		return nil, fmt.Errorf("confirm %s of set %q: %w", fixity.Count(len(lost), "file"), f.set, err)
	}
	return found, nil
}

func (f *Folder) confirm(ctx context.Context, lost []Lost) ([]Found, error) {
	if err := f.s.hold(ctx); err != nil {
		return nil, err
	}
	defer f.s.release()
	before := f.s.cur
	l, err := f.s.relist(ctx)
	if err != nil {
		return nil, err
	}
	if before != nil { // it belongs to the same audit: the next one lists anew
		l.served = maps.Clone(before.served)
	}
	top, err := l.tree(ctx, f.set)
	if err != nil {
		return nil, err
	}
	all := make([]Found, len(lost))
	again := 0
	a := &asker{s: f.s, l: l, got: map[string]*Item{}}
	for i, x := range lost {
		if x.ID == "" {
			x.ID = f.s.known[f.set+"/"+x.Path]
		}
		all[i] = Found{Lost: x, Fate: NotShown, Seen: []fixity.Fact{{Is: fixity.NotShown, Count: 2}}}
		n := top.find(x.Path)
		if n != nil && n.item.Kind == Blob {
			all[i].Fate, all[i].Seen, all[i].Entry = IsThere, []fixity.Fact{{Is: fixity.StillThere}}, f.entry(x.Path, n)
			again++
			continue
		}
		if x.ID != "" {
			if err := f.ask(ctx, a, top, &all[i]); err != nil {
				return nil, err
			}
		}
		if n != nil {
			all[i].Seen = append([]fixity.Fact{{Is: fixity.Instead, Code: instead[n.item.Kind]}}, all[i].Seen...)
		}
	}
	if n := top.files(); again > fewAgain && again*100 > n {
		return nil, fmt.Errorf("%w: two listings differ: the second shows %d of %d files that the first did not show", fixity.ErrIncomplete, again, n)
	}
	return all, nil
}

// instead says what lies in the place of a file and has no bytes, as facts do.
var instead = map[Kind]string{Dir: "folder", Shortcut: "shortcut", Native: "document"}

// fewAgain is how many files may come back between two listings, however small the set
// is. More than that, and more than one in a hundred, is a listing that had holes.
const fewAgain = 10

// files counts the files below n.
func (n *node) files() (count int) {
	for _, k := range n.kids {
		if k.item.Kind == Blob {
			count++
		}
		count += k.files()
	}
	return count
}

// ask finds out by its id what became of x.
func (f *Folder) ask(ctx context.Context, a *asker, top *node, x *Found) error {
	there, err := a.there(ctx, x.ID)
	if err != nil {
		return err
	}
	l, it := a.l, a.l.items[x.ID]
	if it == nil {
		var asked bool
		if it, asked = a.got[x.ID]; !asked {
			return nil // beyond the number that is asked for
		}
		if there {
			return fmt.Errorf("%w: %q (id %s) is there, and the listing does not show it", fixity.ErrIncomplete, x.Path, x.ID)
		}
	}
	if it == nil {
		x.Fate, x.Seen = IsGone, []fixity.Fact{{Is: fixity.NotVisible}}
		return nil
	}
	x.Owner = it.Owner
	set, path := l.place(it)
	switch {
	case it.InBin:
		x.Fate, x.Seen = IsBinned, []fixity.Fact{inBin(it)}
	case !there:
		x.Fate, x.Seen = IsMoved, []fixity.Fact{{Is: fixity.MovedTo, Said: []string{it.Name}}}
	case set == f.set:
		x.Fate, x.Where = IsMoved, top.pathOf(it.ID, path)
		x.Seen = []fixity.Fact{{Is: fixity.MovedTo, Set: set, Places: []fixity.Path{fixity.Path(x.Where)}}}
		if n := top.find(x.Where); n != nil && n.item.ID == it.ID {
			x.Entry = f.entry(x.Where, n)
		}
	default:
		x.Fate, x.Seen = IsMoved, []fixity.Fact{{Is: fixity.MovedTo, Set: set, Places: []fixity.Path{fixity.Path(path)}}}
	}
	return nil
}

// pathOf is the path of the item id below n, guess if it isn't there.
func (n *node) pathOf(id, guess string) string {
	if k := n.find(guess); k != nil && k.item.ID == id {
		return guess
	}
	var look func(n *node, prefix string) string
	look = func(n *node, prefix string) string {
		for _, k := range n.kids {
			if k.item.ID == id {
				return prefix + k.name
			}
			if p := look(k, prefix+k.name+"/"); p != "" {
				return p
			}
		}
		return ""
	}
	if p := look(n, ""); p != "" {
		return p
	}
	return guess
}

// maxKnown bounds how many places of lost files are remembered.
const maxKnown = 10_000

// remember notes what lay at places where l doesn't show it any more, so that
// Confirm can ask for it by its id.
func (s *Store) remember(before, l *listing) {
	if s.known == nil {
		s.known = map[string]string{}
	}
	var look func(n *node, at string, moved bool)
	look = func(n *node, at string, moved bool) {
		it := l.items[n.item.ID]
		moved = moved || it == nil || it.Parent != n.item.Parent || it.Name != n.item.Name || it.InBin
		switch {
		case n.item.Kind == Blob && moved && len(s.known) < maxKnown:
			s.known[at] = n.item.ID
		case n.item.Kind == Blob && !moved:
			delete(s.known, at)
		}
		for _, k := range n.kids {
			look(k, at+"/"+k.name, moved)
		}
	}
	for set, top := range before.sets {
		look(top, set, false)
	}
}

// binned is what errors and notes say of that.
const binned = "it lies in the service's bin"

// inBin is what the service says of an item that lies in the bin, and of how long it will.
func inBin(it *Item) fixity.Fact {
	x := fixity.Fact{Is: fixity.InBin, Count: int64(it.BinDays), Until: it.GoneAt.UTC()}
	switch {
	case it.Kept:
		x.Code = "version" // of before is kept where it lay
	case !it.Binned:
		x.Code = "folder" // above it was put there
	}
	if !it.BinAt.IsZero() {
		x.At = fixity.Instants(it.BinAt)
	}
	return x
}
