package manifest

import (
	"context"
	"fmt"
	"iter"
	"slices"

	"firmus/fixity"
)

// cursor goes through one list.
type cursor struct {
	list *list
	next func() (Line, error, bool)
	line Line
	ok   bool
	err  error
}

func (k *cursor) advance() {
	line, err, ok := k.next()
	if err != nil {
		k.err, k.ok = fmt.Errorf("read %q: %w", k.list.Name, err), false
		return
	}
	k.line, k.ok = line, ok
}

// take adds what the list says of path. A second line for it is one too many,
// unless its digest is by another algorithm.
func (k *cursor) take(path string, wants []want, twice func(l *list, first, again Line)) []want {
	from := len(wants)
	for ; k.ok && k.line.Path == path; k.advance() {
		same := slices.IndexFunc(wants[from:], func(w want) bool { return w.line.Digest.Algorithm == k.line.Digest.Algorithm })
		if same >= 0 {
			twice(k.list, wants[from+same].line, k.line)
			continue
		}
		wants = append(wants, want{k.list, k.line})
	}
	return wants
}

// merge goes through the folder's entries and all lists at once, in the order of
// the paths, and calls visit for each path with its entry, nil if there is none,
// and what the lists say of it. unseen is why the listing didn't see
// everything; err ended the merge.
func (c *check) merge(ctx context.Context, twice func(l *list, first, again Line),
	visit func(path string, e *fixity.Entry, wants []want) error) (unseen, err error) {
	cursors := make([]*cursor, len(c.lists))
	for i, l := range c.lists {
		next, stop := iter.Pull2(l.lines())
		defer stop()
		cursors[i] = &cursor{list: l, next: next}
		cursors[i].advance()
	}
	next, stop := iter.Pull2(entries(ctx, c.f, c.rules.Shards))
	defer stop()
	var e fixity.Entry
	more := true
	last := ""
	advance := func() {
		for more {
			var bad error
			e, bad, more = next()
			if bad == nil {
				return
			}
			if unseen == nil {
				unseen = incomplete(bad)
			}
		}
	}
	advance()
	for {
		path, any := "", false
		if more {
			path, any = e.Path, true
		}
		for _, k := range cursors {
			if k.err != nil {
				return unseen, k.err
			}
			if k.ok && (!any || k.line.Path < path) {
				path, any = k.line.Path, true
			}
		}
		if ctx.Err() != nil {
			return unseen, context.Cause(ctx)
		}
		if !any {
			return unseen, nil
		}
		var wants []want
		for _, k := range cursors {
			wants = k.take(path, wants, twice)
		}
		var here *fixity.Entry
		if more && e.Path == path {
			if path < last {
				return unseen, fmt.Errorf("%w: the listing isn't in order at %q", fixity.ErrIncomplete, path)
			}
			last = path
			at := e
			here = &at
			advance()
		}
		if err := visit(path, here, wants); err != nil {
			return unseen, err
		}
	}
}
