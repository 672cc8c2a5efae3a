package cloud

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
)

// File is a file of a set with what the service says of it besides its Entry.
type File struct {
	Entry   fixity.Entry
	ID      string // the service's; for Lost.ID
	Owner   string // the account it belongs to; "" in a shared drive
	Version string
	Public  bool // whoever has its link, or that of a folder above it, may read it
}

// Owner is the account to which the configured folder belongs, by the newest
// listing, which is made if there is none; "" in a shared drive. Errors are those of
// List.
func (f *Folder) Owner(ctx context.Context) (string, error) {
	_, l, err := f.top(ctx, "")
	if err != nil {
		return "", fmt.Errorf("owner of set %q: %w", f.set, err)
	}
	return l.root.Owner, nil
}

// Files gives all files of the set by the bytes of their paths, from the newest
// listing, which is made if there is none. Litter is left out. The sequence ends
// with one error like List's unless everything was seen.
func (f *Folder) Files(ctx context.Context) iter.Seq2[File, error] {
	return func(yield func(File, error) bool) {
		for x, err := range f.Places(ctx) {
			if (err != nil || x.Entry.Type == fixity.File && !strings.HasSuffix(x.Entry.Path, "/")) && !yield(x, err) {
				return
			}
		}
	}
}

// Places is Files with all folders, each at its path with a slash at its end, before
// what lies in it.
func (f *Folder) Places(ctx context.Context) iter.Seq2[File, error] {
	return func(yield func(File, error) bool) {
		top, l, err := f.top(ctx, "")
		if err == nil {
			open := "" // the public folder that the walk is in, with its slash
			all := l.root.Public || top != nil && top.item.Public
			public := func(path string, n *node) bool {
				return all || n.item.Public || open != "" && strings.HasPrefix(path, open)
			}
			w := &walk{f: f, ctx: ctx, yield: func(path string, n *node) bool {
				e := f.entry(path, n)
				return e.Type != fixity.File || yield(File{e, n.item.ID, n.item.Owner, n.item.Version, public(path, n)}, nil)
			}}
			w.enter = func(path string, n *node) bool {
				is := public(path, n)
				if n.item.Public && (open == "" || !strings.HasPrefix(path, open)) {
					open = path
				}
				return yield(File{fixity.Entry{Path: path}, n.item.ID, n.item.Owner, "", is}, nil)
			}
			if err = w.in(top, "", true); err == errStopped {
				return
			}
			if err == nil {
				err = w.complete()
			}
		}
		if err != nil {
			yield(File{}, fmt.Errorf("files of set %q: %w", f.set, err))
		}
	}
}

// About says what a Note is about.
type About string

// What a Note can be about.
const (
	SameName   About = "same name"    // several things of one name lie in one folder
	OddName    About = "odd name"     // a name that can't be part of a path
	Binned     About = "in the bin"   // something of the set lies in the bin
	Account    About = "account"      // files belong to another account than the folder does, and go when it goes
	NoDigest   About = "no digest"    // files of which the service recorded no digest
	Weaker     About = "weaker"       // files that the service reports by a checksum of a few bytes, or by what may be none
	Forbidden  About = "forbidden"    // files whose owner doesn't allow reading them
	NoBytes    About = "no bytes"     // shortcuts and documents of the service's own: no copies of anything
	Archived   About = "archived"     // files in a storage class from which nothing is given out now
	InClass    About = "class"        // files in a storage class of the service's that isn't the usual one
	Locked     About = "locked"       // files that the service keeps from being deleted for some time
	Held       About = "held"         // files that it keeps so until somebody ends that
	OutOfSight About = "out of sight" // things whose folder can't be seen
)

// Note is something that a person may want to know of a listing and that is no
// finding.
type Note struct {
	About About
	Path  string    // of the one thing it is about, or of the first of several
	Count int       // of things it is about
	Owner string    // for Account
	Text  string    // in plain words, with paths in quotes and escaped
	ends  time.Time // of Locked: when the first of them ends
}

// Notes says what is noteworthy in the newest listing, which is made if there is
// none. Things of one sort are one note, but for names and the bin: at most 100
// notes each. Errors are those of List.
func (f *Folder) Notes(ctx context.Context) ([]Note, error) {
	top, l, err := f.top(ctx, "")
	if err != nil {
		return nil, fmt.Errorf("notes on set %q: %w", f.set, err)
	}
	n := &notes{f: f, l: l, count: map[About]int{}, sorts: map[Note]*Note{}}
	n.folder(top, "")
	n.outside()
	for _, x := range n.sorts {
		n.list = append(n.list, *x)
	}
	slices.SortFunc(n.list, func(a, b Note) int {
		return cmp.Or(cmp.Compare(a.About, b.About), cmp.Compare(a.Path, b.Path), cmp.Compare(a.Owner, b.Owner), cmp.Compare(a.Text, b.Text))
	})
	for i := range n.list {
		n.list[i].word()
	}
	return n.list, nil
}

// most is how many notes of one sort there are.
const most = 100

type notes struct {
	f     *Folder
	l     *listing
	list  []Note
	count map[About]int
	sorts map[Note]*Note // by About and Owner
}

// one notes a thing by itself.
func (n *notes) one(a About, path, text string) {
	if n.count[a]++; n.count[a] <= most {
		n.list = append(n.list, Note{About: a, Path: path, Count: 1, Text: text})
	}
}

// sort notes a thing with others of its sort. Paths come in order, so the first
// is the one that is named.
func (n *notes) sort(a About, owner, path string) *Note {
	key := Note{About: a, Owner: owner}
	x := n.sorts[key]
	if x == nil {
		x = &Note{About: a, Owner: owner, Path: path}
		n.sorts[key] = x
	}
	x.Count++
	return x
}

func (n *notes) folder(at *node, prefix string) {
	for _, it := range n.l.kids[at.item.ID] {
		if it.Binned {
			what := "a file"
			if it.Kind == Dir {
				what = "a folder with all that is in it"
			}
			n.one(Binned, prefix+it.Name, fmt.Sprintf("%q, %s: %s", prefix+it.Name, what, binNote(it)))
		}
	}
	for _, k := range at.kids {
		path := prefix + k.name
		if n.f.litter(path, k.item.Kind == Dir) {
			continue
		}
		switch {
		case !plain(k.item.Name):
			n.one(OddName, path, fmt.Sprintf("%q is no name that a disk could hold; it is shown as %q", k.item.Name, path))
		case k.name != k.item.Name:
			n.one(SameName, path, fmt.Sprintf("%q is there more than once; the other one is shown as %q", prefix+k.item.Name, path))
		}
		switch k.item.Kind {
		case Dir:
			n.folder(k, path+"/")
			continue
		case Shortcut, Native:
			n.sort(NoBytes, "", path)
			continue
		}
		if k.item.Owner != n.l.root.Owner { // whose the folder is, Check says
			n.sort(Account, k.item.Owner, path)
		}
		switch {
		case k.item.Sum.IsZero() && k.item.Basis == fixity.ByParts:
			n.sort(NoDigest, "of parts", path)
		case k.item.Sum.IsZero():
			n.sort(NoDigest, "", path)
		case k.item.Basis != "", !k.item.Sum.Algorithm.Digest():
			n.sort(Weaker, string(k.item.By()), path)
		}
		if k.item.Lock != "" && k.item.LockEnd.After(n.l.at) {
			if x := n.sort(Locked, k.item.Lock, path); x.ends.IsZero() || k.item.LockEnd.Before(x.ends) {
				x.ends = k.item.LockEnd
			}
		}
		if k.item.Hold {
			n.sort(Held, "", path)
		}
		if k.item.Class != "" && k.item.NoBytes {
			n.sort(Archived, k.item.Class, path)
		} else if k.item.Class != "" {
			n.sort(InClass, k.item.Class, path)
		} else if k.item.NoBytes {
			n.sort(Forbidden, "", path)
		}
	}
}

// outside counts what lies in folders that the listing doesn't show.
func (n *notes) outside() {
	for _, it := range n.l.items {
		if !it.InBin && it.ID != n.l.root.ID && it.ID != it.Drive && it.Parent != n.l.root.ID && it.Parent != it.Drive && n.l.items[it.Parent] == nil {
			n.sort(OutOfSight, "", "")
		}
	}
}

// word puts a note of a sort into words.
func (x *Note) word() {
	if x.Text != "" {
		return
	}
	files := fmt.Sprintf("%s, the first of them %q,", fixity.Count(x.Count, "file"), x.Path)
	is, belong := "are", "belong"
	if x.Count == 1 {
		files, is, belong = fmt.Sprintf("%q", x.Path), "is", "belongs"
	}
	switch x.About {
	case Account:
		x.Text = fmt.Sprintf("%s %s to the account %q, not to the folder's own: what it owns goes when it is closed", files, belong, x.Owner)
	case NoDigest:
		x.Text = fmt.Sprintf("%s %s without a digest of the service's own: only reading shows anything", files, is)
		if x.Owner != "" {
			x.Text = fmt.Sprintf("%s came up in parts of unknown sizes, and the service has no checksum of the whole: only reading shows anything", files)
		}
	case Forbidden:
		x.Text = fmt.Sprintf("%s %s not to be read by this account", files, is)
	case Weaker:
		x.Text = fmt.Sprintf("%s %s reported by %s", files, is, fixity.Means("basis", x.Owner))
		if b := fixity.Basis(x.Owner); b.Weak() {
			x.Text = fmt.Sprintf("%s %s reported by %s: that it agrees is a report, that it doesn't is none", files, is, weakly[b])
		}
	case Archived:
		x.Text = fmt.Sprintf("%s %s in the service's archive class %s and can't be read now: somebody has to have them restored there first", files, lie(x.Count), x.Owner)
		if x.Count == 1 {
			x.Text = strings.Replace(x.Text, "them", "it", 1)
		}
	case InClass:
		x.Text = fmt.Sprintf("%s %s in the service's class %s", files, lie(x.Count), x.Owner)
	case Locked:
		x.Text = fmt.Sprintf("%s %s locked in the service (Object Lock, %s): no version there can be deleted before %s", files, is, x.Owner, x.ends.Format("2 Jan 2006"))
	case Held:
		x.Text = fmt.Sprintf("%s %s under a legal hold in the service: no version there can be deleted until somebody ends the hold", files, is)
	case NoBytes:
		x.Text = fmt.Sprintf("%s %s shortcuts or documents of the service's own: no copies of anything", files, is)
	case OutOfSight:
		x.Text = fmt.Sprintf("%d things lie in folders that this account can't see", x.Count)
	}
}

// weakly are reports that may be of something else than the bytes.
var weakly = map[fixity.Basis]string{fixity.ByETag: "what may be an MD5", fixity.ByTagParts: "what may be made of the MD5s of their parts", fixity.ByUploader: fixity.Means("basis", string(fixity.ByUploader))}

// lie is that word for so many things.
func lie(n int) string {
	if n == 1 {
		return "lies"
	}
	return "lie"
}

// binNote says of an item in the bin since when it lies there and until when it can be had
// back, as far as the service says so.
func binNote(it *Item) string {
	s := binned
	switch {
	case !it.BinAt.IsZero():
		s += " since " + it.BinAt.UTC().Format("2 Jan 2006 15:04 UTC")
	case it.BinDays > 0:
		s += fmt.Sprintf("; the service does not say since when, and deletes what has lain there for %s", fixity.Count(it.BinDays, "day"))
	default:
		s += "; the service does not say since when"
	}
	if !it.GoneAt.IsZero() {
		s += ", and by the service's own rule is deleted on " + it.GoneAt.UTC().Format("2 Jan 2006")
	}
	return s
}
