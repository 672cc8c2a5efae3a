package stores

import (
	"context"
	"io"
	"io/fs"

	"firmus/fixity"
	"firmus/fixity/audit"
)

// Root is one set's root in a store.
type Root interface {
	audit.Store
	Marked
	Texts
	// Shards are the first-level folders, "" (the root's own files) first.
	Shards(ctx context.Context) ([]string, error)
}

// Marked is a root that says which store it belongs to.
type Marked interface {
	Identify(ctx context.Context) (fixity.Identity, error)
	Adopt(ctx context.Context, id fixity.Identity) error
	TakeOver(ctx context.Context, id fixity.Identity) error
}

// Texts are what Firmus itself writes into a root.
type Texts interface {
	ReadFile(ctx context.Context, path string, limit int64) ([]byte, error)
	Replace(ctx context.Context, path string, write func(io.Writer) error) error
	// ReplaceVerified reads the new file back, past the cache, before it gets its name.
	ReplaceVerified(ctx context.Context, path string, write func(io.Writer) error, verify func(fixity.Reader) error) error
	// Names, RenameOwn and RemoveOwn see nothing but folders of Firmus itself. The names in
	// the root, "", are those of such folders and files.
	Names(ctx context.Context, folder string) ([]string, error)
	RenameOwn(ctx context.Context, from, to string) error
	RemoveOwn(ctx context.Context, path string) error
}

// Swept is a root in which Firmus writes, and can clear away what it left.
type Swept interface {
	// Sweep removes new files of ours that never took their place. Nobody may be writing.
	// passed, if set, is told now and then while the store answers.
	Sweep(ctx context.Context, passed func()) (removed int, err error)
	// SweepOwn does so in one of our own folders, which Sweep leaves alone.
	SweepOwn(ctx context.Context, folder string, passed func()) (removed int, err error)
	// Restrict gives one of our own folders, and all in it, modes and a group (negative: as
	// it is). mk makes the folder if it isn't there.
	Restrict(ctx context.Context, folder string, file, dir fs.FileMode, group int, mk bool) error
}

// Mended is a root in which files are put back.
type Mended interface {
	PutBack(ctx context.Context, p fixity.PuttingBack, write func(io.Writer) error, verify func(fixity.Reader) error) (kept string, err error)
	Move(ctx context.Context, e fixity.Entry, to string) error
	// Free is the room on its volume in bytes, -1 if that isn't known.
	Free(ctx context.Context) (int64, error)
	// KeptFiles and RemoveKept are of what lay where files were put back. passed is as of Sweep.
	KeptFiles(ctx context.Context, mounts []string, passed func()) ([]fixity.Kept, error)
	RemoveKept(ctx context.Context, path string) error
}

// Lies is a root of which the system tells where it lies.
type Lies interface {
	Volume(ctx context.Context) (fixity.Lies, error)
}

// Mounting is a root of which the system tells which of its first-level folders lie on
// another volume than the root does.
type Mounting interface {
	Mounts(ctx context.Context, folders []string) (map[string]fixity.Lies, error)
}

// Identified is a folder of which the system tells files with several names.
type Identified interface {
	FileID(ctx context.Context, path string) (string, error)
}
