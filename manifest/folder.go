package manifest

import (
	"context"
	"iter"
	"slices"
	"strings"

	"firmus/fixity"
)

// Folder is what is read: a folder on some medium.
type Folder interface {
	// Shards gives the parts that List is called with: "" for what lies directly
	// in the folder, and the name of each folder in it, also of an empty one.
	Shards(ctx context.Context) ([]string, error)
	// List gives the entries of one shard by the bytes of their paths. Unless it
	// saw everything it ends with an error; nothing is called missing then.
	List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error]
	// Open gives the bytes of an entry that List showed, from offset on. It never
	// gives others: where the entry is no longer what was listed it fails. An
	// error that wraps fixity.ErrUnreadable says that the medium won't give them.
	Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error)
}

// ownPrefix begins the names of this program's own files, which no list names.
const ownPrefix = ".firmus"

func own(path string) bool {
	return strings.HasPrefix(path[strings.LastIndexByte(path, '/')+1:], ownPrefix)
}

// entries yields what lies in the shards by the bytes of the paths. Errors are
// yielded where they come; the shards behind one that failed still follow.
func entries(ctx context.Context, f Folder, shards []string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		folders := slices.DeleteFunc(slices.Clone(shards), func(s string) bool { return s == "" })
		slices.SortFunc(folders, func(a, b string) int { return strings.Compare(a+"/", b+"/") })
		var head fixity.Entry
		var headErr error
		ok := false
		advance := func() {}
		if len(folders) < len(shards) {
			next, stop := iter.Pull2(f.List(ctx, ""))
			defer stop()
			advance = func() { head, headErr, ok = next() }
			advance()
		}
		// flush yields what lies directly in the folder and comes before limit.
		flush := func(limit string, all bool) bool {
			for ok && (all || headErr != nil || head.Path < limit) {
				if !yield(head, headErr) {
					return false
				}
				advance()
			}
			return true
		}
		for _, s := range folders {
			for e, err := range f.List(ctx, s) {
				if err == nil && !flush(e.Path, false) || !yield(e, err) {
					return
				}
			}
		}
		flush("", true)
	}
}

// Entries yields all that lies in f by the bytes of the paths. An error that is
// yielded says that not all was seen; what else could be seen still follows.
func Entries(ctx context.Context, f Folder) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		shards, err := f.Shards(ctx)
		if err != nil {
			yield(fixity.Entry{}, err)
			return
		}
		for e, err := range entries(ctx, f, shards) {
			if !yield(e, err) {
				return
			}
		}
	}
}
