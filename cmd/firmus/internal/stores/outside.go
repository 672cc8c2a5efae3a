package stores

import (
	"context"
	"iter"

	"firmus/fixity"
	"firmus/fixity/audit"
)

// Folder is one that belongs to no store, such as a recorder's stick.
type Folder interface {
	audit.Store
	// Shards are the first-level folders, "" (the folder's own files) first.
	Shards(ctx context.Context) ([]string, error)
}

// Outside gives a folder each call to which is waited for no longer than a store may be
// silent: then it is fixity.ErrAway. name is its folder's path.
func (s Stores) Outside(f Folder, name string) Folder {
	return &way{s: s, store: name, in: outside{f: f}}
}

// outside is a folder as a way's root. A way asks it for what a Folder has, and nothing else
// is shown of it.
type outside struct {
	Root
	f Folder
}

func (o outside) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return o.f.List(ctx, shard)
}

func (o outside) Stat(ctx context.Context, path string) (fixity.Entry, error) {
	return o.f.Stat(ctx, path)
}

func (o outside) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	return o.f.Open(ctx, e, offset)
}

func (o outside) Shards(ctx context.Context) ([]string, error) { return o.f.Shards(ctx) }

// FileID is "" where the system doesn't tell.
func (o outside) FileID(ctx context.Context, path string) (string, error) {
	if in, ok := o.f.(Identified); ok {
		return in.FileID(ctx, path)
	}
	return "", nil
}
