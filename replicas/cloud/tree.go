package cloud

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"firmus/fixity"
)

// ownPrefix begins the names of markers and backups of ours, which a program that
// keeps the cloud in step with a disk has carried up.
const ownPrefix = ".firmus"

// node is an item at its place in a set.
type node struct {
	item *Item
	name string  // as it stands in paths
	kids []*node // of a Dir, in the order of their keys
}

// key orders nodes so that the paths below them come out in byte order.
func (n *node) key() string {
	if n.item.Kind == Dir {
		return n.name + "/"
	}
	return n.name
}

// Expected is what is known of a place in a set before a listing is made.
type Expected struct {
	ID   string          // the service's, of what lay there last; "" if that isn't known
	Sums []fixity.Digest // that what lies there should have
}

// tree is a set's root. Sets are made as they are asked for, with the Store's
// lock held.
func (l *listing) tree(ctx context.Context, set string) (*node, error) {
	if n := l.sets[set]; n != nil {
		return n, nil
	}
	var found []*Item
	files := 0
	for _, it := range l.kids[l.root.ID] {
		switch {
		case it.Name != set || it.InBin:
		case it.Kind == Dir:
			found = append(found, it)
		default:
			files++
		}
	}
	switch {
	case len(found) == 0 && files > 0:
		return nil, fmt.Errorf("%w: %q in the folder %q is no folder", fixity.ErrAway, set, l.root.Name)
	case len(found) == 0:
		return nil, fmt.Errorf("%w: the folder %q has no sub-folder named %q", fixity.ErrAway, l.root.Name, set)
	case len(found) > 1:
		return nil, fmt.Errorf("%w: the folder %q has %d sub-folders named %q: rename or remove all but one", fixity.ErrAway, l.root.Name, len(found), set)
	}
	n := &node{item: found[0], name: set}
	if err := l.grow(ctx, set, n, ""); err != nil {
		return nil, err
	}
	l.sets[set] = n
	return n, nil
}

// grow puts below n, the folder at prefix, what lies in it.
func (l *listing) grow(ctx context.Context, set string, n *node, prefix string) error {
	items := slices.DeleteFunc(slices.Clone(l.kids[n.item.ID]), func(it *Item) bool {
		return it.InBin || strings.HasPrefix(it.Name, ownPrefix)
	})
	claims, err := l.claims(ctx, set, prefix, items)
	if err != nil {
		return err
	}
	slices.SortFunc(items, func(a, b *Item) int { return cmp.Or(cmp.Compare(claims[a], claims[b]), elder(a, b)) })
	taken := make(map[string]bool, len(items))
	n.kids = make([]*node, 0, len(items))
	for _, it := range items {
		name := it.Name
		if !plain(name) || taken[name] {
			name = strange(name) + " [id:" + strange(it.ID) + "]"
			for taken[name] {
				name += "+"
			}
		}
		taken[name] = true
		kid := &node{item: it, name: name}
		n.kids = append(n.kids, kid)
		if it.Kind == Dir {
			if err := l.grow(ctx, set, kid, prefix+name+"/"); err != nil {
				return err
			}
		}
	}
	slices.SortFunc(n.kids, func(a, b *node) int { return cmp.Compare(a.key(), b.key()) })
	return nil
}

// claims ranks things that have one name in the folder at prefix: who moves into a
// folder doesn't take the place of what is known to lie there. First comes what the
// service called by the same id before, then what has a digest that is right there, then
// all others. What has its name alone isn't asked for.
func (l *listing) claims(ctx context.Context, set, prefix string, items []*Item) (map[*Item]int, error) {
	named := make(map[string]int, len(items))
	for _, it := range items {
		named[it.Name]++
	}
	if l.known == nil || len(named) == len(items) {
		return nil, nil
	}
	claims := map[*Item]int{}
	for _, it := range items {
		if named[it.Name] < 2 || !plain(it.Name) {
			continue
		}
		path := prefix + it.Name
		if it.Kind == Dir {
			path += "/"
		}
		p, err := l.known(ctx, set, path)
		if err != nil {
			return nil, fmt.Errorf("what is known of %q: %w", path, err)
		}
		switch {
		case p.ID == it.ID:
			claims[it] = -2
		case it.Kind == Blob && !it.Sum.IsZero() && slices.Contains(p.Sums, it.Sum):
			claims[it] = -1
		}
	}
	return claims, nil
}

// elder orders things of one name by who keeps it, where nothing is known of its place:
// what has bytes, then what came first. Nothing in it can change later, so a path
// doesn't go from one to another.
func elder(a, b *Item) int {
	return cmp.Or(cmp.Compare(rank(a.Kind), rank(b.Kind)), a.Created.Compare(b.Created), cmp.Compare(a.ID, b.ID))
}

func rank(k Kind) int {
	if k == Blob || k == Dir {
		return 0
	}
	return 1
}

// plain says that a name can stand in a path as it is.
func plain(name string) bool {
	return name != "" && name != "." && name != ".." && !strings.ContainsAny(name, "/\x00")
}

// strange is a name that isn't plain, made so that it is one part of a path.
func strange(name string) string {
	if name == "." || name == ".." {
		return strings.ReplaceAll(name, ".", "%2E")
	}
	return strings.NewReplacer("%", "%25", "/", "%2F", "\x00", "%00").Replace(name)
}

// find is what lies at path below n, nil if nothing does.
func (n *node) find(path string) *node {
	for name := range strings.SplitSeq(path, "/") {
		n = n.kid(name)
		if n == nil {
			return nil
		}
	}
	return n
}

func (n *node) kid(name string) *node {
	for _, key := range []string{name, name + "/"} {
		i, ok := slices.BinarySearchFunc(n.kids, key, func(k *node, key string) int { return cmp.Compare(k.key(), key) })
		if ok && n.kids[i].name == name {
			return n.kids[i]
		}
	}
	return nil
}
