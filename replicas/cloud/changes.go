package cloud

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"firmus/fixity"
)

// What says what happened to a file.
type What string

// What a Warning can say.
const (
	WasAdded   What = "added"
	WasChanged What = "changed"    // its bytes were exchanged
	WasMoved   What = "moved"      // or renamed
	WasBinned  What = "in the bin" // itself or a folder above it
	WasRemoved What = "removed"    // deleted, moved out, or no longer shared
)

// Warning says what happened to a file or folder since a moment. It is no
// evidence: a log can't show that bytes have rotted, nor that a file is missing.
type Warning struct {
	Set   string // "" if no listing says where the item lies
	Path  string // where the last listing showed it; of something new: its folder's path and its name
	ID    string
	What  What
	Dir   bool
	Owner string
}

// Warnings are the warnings since a moment.
type Warnings struct {
	List []Warning
	// Unsure: more may have happened than List says, since no listing is at hand from
	// before it, or the log can't be followed from the old token.
	Unsure bool
	Token  string // for the next call
}

// errNoLog says that a service keeps no log.
var errNoLog = errors.New("the service keeps no log of changes")

// Changes says what happened in the folder since the moment of token, which an
// earlier call gave; with "" it gives the token of the last listing, which is made if
// there is none, and no warnings. It costs one call of the service where nothing
// happened. Paths are those of the last listing of this Store; what it doesn't show,
// and isn't put into one of its folders, is not warned of. Before the first listing
// only changed files are told, by their ids, and Warnings are Unsure; so they are, with
// a new token, when the service no longer knows the old one. After changes the folder is
// listed anew for whoever asks next.
//
// Errors are those of List; also with one of them the old token is still good.
// fixity.ErrRefused says that the service keeps no log.
func (s *Store) Changes(ctx context.Context, token string) (Warnings, error) {
	w, err := s.warnings(ctx, token)
	if err != nil {
		return Warnings{}, fmt.Errorf("changes in folder %q: %w", s.o.Folder, err)
	}
	return w, nil
}

func (s *Store) warnings(ctx context.Context, token string) (w Warnings, err error) {
	log, ok := s.service.(ChangeLog)
	if !ok {
		return w, fmt.Errorf("%w: %w", fixity.ErrRefused, errNoLog)
	}
	if err := s.hold(ctx); err != nil {
		return w, err
	}
	defer s.release()
	if token == "" {
		return s.beginLog(ctx, s.last)
	}
	l := s.last
	drive := ""
	if l != nil {
		drive = l.drive
	} else {
		root, err := s.root(ctx)
		if err != nil {
			return w, err
		}
		drive = root.Drive
	}
	changes, newest, err := s.changes(ctx, log, drive, token)
	if l == nil && drive != "" && classOf(err) == NotVisible {
		// The account is no member of the shared drive that the folder lies in.
		changes, newest, err = s.changes(ctx, log, "", token)
	}
	if classOf(err) == Refused {
		w, err = s.beginLog(ctx, nil)
		w.Unsure = err == nil
		return w, err
	}
	if err != nil {
		return w, err
	}
	w.Token, w.Unsure = newest, l == nil && len(changes) > 0
	if len(changes) > 0 {
		s.cur = nil // who looks at what is warned of wants to see it
	}
	for i := range changes {
		c := &changes[i]
		if l == nil {
			if !c.Gone && !c.Item.InBin && c.Item.Kind == Blob {
				w.List = append(w.List, Warning{ID: c.ID, What: WasChanged, Owner: c.Item.Owner})
			}
		} else if x, ok := l.warning(c); ok {
			w.List = append(w.List, x)
		}
	}
	return w, nil
}

// beginLog is the token of a listing; nil makes a new one.
func (s *Store) beginLog(ctx context.Context, l *listing) (Warnings, error) {
	if l == nil {
		var err error
		if l, err = s.relist(ctx); err != nil {
			return Warnings{}, err
		}
	}
	return Warnings{Token: l.token}, nil
}

// warning is what a change means for the tree of l, if it means anything.
func (l *listing) warning(c *Change) (Warning, bool) {
	was := l.items[c.ID]
	if was != nil && (was.InBin || !l.below(was)) {
		was = nil
	}
	in := !c.Gone && !c.Item.InBin && l.below(&c.Item)
	w := Warning{ID: c.ID}
	at := was
	switch {
	case was == nil && !in:
		return w, false
	case was == nil:
		at, w.What = &c.Item, WasAdded
	case !c.Gone && c.Item.InBin:
		w.What = WasBinned
	case !in:
		w.What = WasRemoved
	case c.Item.Parent != was.Parent || c.Item.Name != was.Name:
		w.What = WasMoved
	case c.Item.Kind != was.Kind || was.Kind == Blob && c.Item.pin() != was.pin():
		w.What = WasChanged
	default:
		return w, false // shared with someone else, starred …
	}
	w.Set, w.Path = l.place(at)
	w.Dir, w.Owner = at.Kind == Dir, at.Owner
	return w, !strings.HasPrefix(at.Name, ownPrefix)
}

// place is where an item lies: the name of the first folder below the root, and
// the path below that. It is put together from the names as they are.
func (l *listing) place(it *Item) (set, path string) {
	var names []string
	for it != nil && it.ID != l.root.ID && len(names) < 1000 {
		name := it.Name
		if !plain(name) {
			name = strange(name)
		}
		names = append([]string{name}, names...)
		it = l.items[it.Parent]
	}
	if len(names) == 0 {
		return "", ""
	}
	return names[0], strings.Join(names[1:], "/")
}

// changes are all changes since token, the newest of each item, and the token of
// the present.
func (s *Store) changes(ctx context.Context, log ChangeLog, drive, token string) (all []Change, newest string, err error) {
	at := map[string]int{}
	pages := newPager(logHolds)
	for {
		var p ChangePage
		if err := s.try(ctx, func(ctx context.Context) (err error) {
			p, err = log.Changes(ctx, drive, token)
			return err
		}); err != nil {
			return nil, "", err
		}
		for _, c := range p.Changes {
			if i, ok := at[c.ID]; ok {
				all[i] = c
				continue
			}
			at[c.ID] = len(all)
			all = append(all, c)
		}
		if p.Next == "" {
			return all, p.Newest, nil
		}
		if err := pages.next(p.Next, len(p.Changes)); err != nil {
			return nil, "", err
		}
		token = p.Next
	}
}
