package cloud

import (
	"cmp"
	"context"
	"errors"
	"fmt"

	"firmus/fixity"
)

// Check says what is wrong with the store, in plain words: its credential, the
// clock, the folder, and whether there is one sub-folder for each of sets. Nothing
// is changed, and what lies in the sub-folders isn't listed. An answer without a grave problem says
// that the store can be audited now. The error is only that of ctx.
func (s *Store) Check(ctx context.Context, sets ...string) ([]Problem, error) {
	var all []Problem
	if c, ok := s.service.(Checker); ok {
		all = c.Check(ctx)
	}
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	for _, p := range all {
		if p.Grave {
			return all, nil // whatever else is asked fails for the same reason
		}
	}
	more, err := s.checkFolder(ctx, sets)
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	all = append(all, more...)
	if err != nil {
		all = append(all, s.problemOf(err))
	}
	return all, nil
}

func (s *Store) checkFolder(ctx context.Context, sets []string) (all []Problem, err error) {
	root, err := s.root(ctx)
	if err != nil {
		return nil, err
	}
	kids, err := s.direct(ctx, root, root.ID, nil)
	if err != nil {
		return nil, err
	}
	l := &listing{root: root, kids: kids, sets: map[string]*node{}}
	for _, set := range sets {
		if _, err := l.tree(ctx, set); err != nil {
			all = append(all, s.problemOf(err))
		}
	}
	if log, ok := s.service.(ChangeLog); ok && root.Drive != "" {
		err := s.try(ctx, func(ctx context.Context) error {
			_, err := log.Now(ctx, root.Drive)
			return err
		})
		if classOf(err) == NotVisible {
			all = append(all, Problem{
				Text: fmt.Sprintf("the folder %q lies in a shared drive that this account is no member of", root.Name),
				Do:   "make the account a member of the drive, as a viewer: then it is listed faster, and nothing in it can be hidden",
			})
		} else if err != nil {
			return all, err
		}
	}
	if root.Owner != "" {
		all = append(all, Problem{
			Text: fmt.Sprintf("the folder %q belongs to the account %q: all that is in it goes when the account goes", root.Name, root.Owner),
			Do:   "keep it in a shared drive, if the archive has one",
		})
	}
	return all, nil
}

// problemOf puts an error into words.
func (s *Store) problemOf(err error) Problem {
	p := Problem{Grave: true, Text: err.Error()}
	switch {
	case errors.Is(err, ErrBlind):
		p.Do = "see to the credential: until then nothing of this store can be audited"
	case classOf(err) == NotVisible:
		p.Do = "see that the configuration names the right folder, and that the account of the credential may read it"
		if a, ok := s.service.(Adviser); ok {
			p.Do = cmp.Or(a.Advice(err), p.Do)
		}
	case errors.Is(err, ErrTomorrow):
		p.Do = "wait until tomorrow"
	case errors.Is(err, ErrLater):
		p.Do = "look whether this computer reaches the net, and try again"
	case errors.Is(err, fixity.ErrAway):
		p.Do = "see that the configuration names the right folder, and that it has one sub-folder for each set, with the set's name"
	}
	return p
}
