package cloud

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
)

// listing is what a complete listing of the folder showed. It doesn't change
// after it was made, but for served.
type listing struct {
	at     time.Time
	root   Item
	drive  string           // the shared drive that was listed; "" where the account is no member of one
	items  map[string]*Item // all that was shown, by id
	kids   map[string][]*Item
	token  string           // moment of the change log up to which it is good; "" without one
	sets   map[string]*node // the trees that were asked for, by the set's name
	served map[string]bool
	known  func(ctx context.Context, set, path string) (Expected, error) // Options.Place
}

// The times that a listing is begun again when the service rejects a page token,
// and that lost ids are asked for.
const (
	maxRestarts = 2
	maxAsked    = 200
)

// relist makes a new listing; the Store's lock is held. An error wraps
// fixity.ErrIncomplete, unless ctx ended.
func (s *Store) relist(ctx context.Context) (*listing, error) {
	before := s.last
	s.cur = nil
	l, err := s.listOnce(ctx, before)
	if err == nil && before != nil {
		l, err = s.confirmed(ctx, before, l)
	}
	if err != nil {
		if ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		return nil, fmt.Errorf("%w: %w", fixity.ErrIncomplete, err)
	}
	if before != nil {
		s.remember(before, l)
	}
	s.cur, s.last = l, l
	return l, nil
}

// listOnce makes one listing. What it shares with before, it shares in memory.
func (s *Store) listOnce(ctx context.Context, before *listing) (*listing, error) {
	root, err := s.root(ctx)
	if err != nil {
		return nil, err
	}
	l := &listing{at: s.o.Now(), root: root, items: map[string]*Item{}, sets: map[string]*node{}, served: map[string]bool{}, known: s.o.Place}
	w := &sweep{s: s, l: l, words: map[string]string{}, listed: map[string]bool{}, batch: s.o.Batch}
	if before != nil {
		w.before = before.items
	}
	if l.drive = root.Drive; l.drive != "" {
		if err = w.all(ctx); classOf(err) == NotVisible {
			// The folder was shared with the account, the drive it lies in wasn't.
			l.drive = ""
			clear(l.items)
		}
	}
	if l.drive == "" {
		err = w.all(ctx)
	}
	if err != nil {
		return nil, err
	}
	// Who loses access halfway gets no error but empty answers.
	if l.root, err = s.root(ctx); err != nil {
		return nil, err
	}
	l.index()
	return l, nil
}

// index sorts the items by the folder they lie in.
func (l *listing) index() {
	l.kids = map[string][]*Item{}
	for _, it := range l.items {
		if it.Parent != "" && it.ID != l.root.ID {
			l.kids[it.Parent] = append(l.kids[it.Parent], it)
		}
	}
}

// sweep is a listing being made.
type sweep struct {
	s      *Store
	l      *listing
	before map[string]*Item
	words  map[string]string // strings that many items have
	listed map[string]bool   // folders that were asked for
	batch  int
}

// all lists everything, with what changed meanwhile.
func (w *sweep) all(ctx context.Context) error {
	log, logged := w.s.service.(ChangeLog)
	if logged {
		// The token is taken first: what moves from a page to come to one that has
		// been shown would else be on neither.
		if err := w.s.try(ctx, func(ctx context.Context) (err error) {
			w.l.token, err = log.Now(ctx, w.l.drive)
			return err
		}); err != nil {
			return fmt.Errorf("change log: %w", err)
		}
	}
	var err error
	if w.l.drive != "" {
		_, err = w.query(ctx, Query{Drive: w.l.drive})
	} else {
		err = w.below(ctx, []string{w.l.root.ID})
	}
	if err == nil && logged {
		err = w.replay(ctx, log)
	}
	return err
}

// below lists everything below folders, breadth first, many to a call.
func (w *sweep) below(ctx context.Context, folders []string) error {
	for len(folders) > 0 {
		n := min(w.batch, len(folders))
		part := folders[:n:n]
		got, err := w.query(ctx, Query{Parents: part})
		if classOf(err) == Refused && n > 1 {
			w.batch = (n + 1) / 2 // how many a service takes in one call isn't written anywhere
			continue
		}
		if err != nil {
			return err
		}
		folders = folders[n:]
		for _, id := range part {
			w.listed[id] = true
		}
		for _, it := range got {
			if it.Kind == Dir && !it.InBin && !it.Closed && !w.listed[it.ID] {
				folders = append(folders, it.ID)
			}
		}
	}
	return nil
}

// query puts all that q asks for into the listing and gives it, or nothing.
func (w *sweep) query(ctx context.Context, q Query) ([]*Item, error) {
	what := "list all at once"
	if len(q.Parents) > 0 {
		what = fmt.Sprintf("list %d folders", len(q.Parents))
	}
	for restarts := 0; ; restarts++ {
		got, err := w.pages(ctx, q)
		if err == nil {
			for _, it := range got {
				w.l.items[it.ID] = it
			}
			return got, nil
		}
		var tok *tokenError
		if !errors.As(err, &tok) {
			return nil, fmt.Errorf("%s: %w", what, err)
		}
		if restarts == maxRestarts {
			return nil, fmt.Errorf("%s: page tokens were rejected %d times: %v", what, restarts+1, tok.err)
		}
	}
}

// tokenError says that a page token was rejected: the pages before it are to be
// discarded too.
type tokenError struct{ err error }

func (e *tokenError) Error() string { return e.err.Error() }

// pages are the items of all pages of q. One that is on two pages, since things
// moved meanwhile, is given twice, the newer last.
func (w *sweep) pages(ctx context.Context, q Query) ([]*Item, error) {
	var all []*Item
	pages := newPager(holds * max(len(q.Parents), 1))
	for token := ""; ; {
		p, err := w.s.page(ctx, q, token)
		switch {
		case classOf(err) == Refused && token != "":
			return nil, &tokenError{err}
		case err != nil:
			return nil, err
		case p.Partial:
			return nil, errors.New("the service says that it did not look everywhere")
		}
		for i := range p.Items {
			all = append(all, w.keep(p.Items[i]))
		}
		if p.Next == "" {
			return all, nil
		}
		if err := pages.next(p.Next, len(p.Items)); err != nil {
			return nil, err
		}
		token = p.Next
	}
}

// keep is the item as it is kept: shared with the listing before if it is the same.
func (w *sweep) keep(it Item) *Item {
	if old := w.before[it.ID]; old != nil && *old == it {
		return old
	}
	for _, s := range []*string{&it.Parent, &it.Drive, &it.Owner} {
		if k, ok := w.words[*s]; ok {
			*s = k
		} else {
			w.words[*s] = *s
		}
	}
	return &it
}

// replay puts in what changed while the listing was made.
func (w *sweep) replay(ctx context.Context, log ChangeLog) error {
	changes, newest, err := w.s.changes(ctx, log, w.l.drive, w.l.token)
	if err != nil {
		return fmt.Errorf("what changed meanwhile: %w", err)
	}
	for _, c := range changes {
		switch {
		case c.Gone:
			delete(w.l.items, c.ID)
		// The log is of all that the account sees. Elsewhere only folders count: they
		// may be on the way to something that lies here now.
		case w.l.drive != "" || w.l.items[c.ID] != nil || w.listed[c.Item.Parent]:
			w.l.items[c.ID] = w.keep(c.Item)
		}
	}
	w.l.token = newest
	if w.l.drive != "" || len(changes) == 0 {
		return nil
	}
	// Folders that were moved here have contents that no query asked for.
	var more []string
	for _, it := range w.l.items {
		if it.Kind == Dir && !it.InBin && !it.Closed && !w.listed[it.ID] && w.listed[it.Parent] {
			more = append(more, it.ID)
		}
	}
	return w.below(ctx, more)
}

// confirmed is l, or a second listing, after asking for what before showed and l
// doesn't. It fails if something is there and isn't shown: then nothing may be
// called missing.
func (s *Store) confirmed(ctx context.Context, before, l *listing) (*listing, error) {
	if len(before.lost(l)) == 0 {
		return l, nil
	}
	l, err := s.listOnce(ctx, before)
	if err != nil {
		return nil, err
	}
	a := asker{s: s, l: l, got: map[string]*Item{}}
	for _, id := range before.lost(l) { // the second may have other holes than the first
		there, err := a.there(ctx, id)
		if err != nil {
			return nil, err
		}
		if there {
			return nil, fmt.Errorf("file %q (id %s) is there, and two listings did not show it", before.items[id].Name, id)
		}
	}
	return l, nil
}

// lost are the files that l showed and a later listing doesn't.
func (l *listing) lost(later *listing) (ids []string) {
	for id, it := range l.items {
		if later.items[id] == nil && it.Kind == Blob && !it.InBin && l.below(it) {
			ids = append(ids, id)
		}
	}
	return ids
}

// asker asks for things by their ids, at most maxAsked times.
type asker struct {
	s     *Store
	l     *listing
	got   map[string]*Item // nil: it can't be seen
	asked int
}

// there says whether the item id lies below the root, though the listing may not
// show it, nor the folders above it. Beyond maxAsked it says no.
func (a *asker) there(ctx context.Context, id string) (bool, error) {
	for depth := 0; depth < 1000; depth++ {
		it, ok := a.got[id]
		if listed := a.l.items[id]; listed != nil {
			it = listed
		} else if !ok {
			if a.asked++; a.asked > maxAsked {
				return false, nil
			}
			x, err := a.s.get(ctx, id)
			switch {
			case err == nil:
				it = &x
			case classOf(err) != NotVisible:
				return false, err
			}
			a.got[id] = it
		}
		if it == nil || it.InBin {
			return false, nil
		}
		if it.Parent == a.l.root.ID {
			return true, nil
		}
		if id = it.Parent; id == "" {
			return false, nil
		}
	}
	return false, nil
}

// below says whether an item lies somewhere below the listing's root.
func (l *listing) below(it *Item) bool {
	for depth := 0; it != nil && depth < 1000; depth++ {
		if it.Parent == l.root.ID {
			return true
		}
		it = l.items[it.Parent]
	}
	return false
}

func (s *Store) get(ctx context.Context, id string) (it Item, err error) {
	err = s.try(ctx, func(ctx context.Context) (err error) {
		it, err = s.service.Get(ctx, id)
		return err
	})
	return it, err
}
