package manifest

import (
	"context"
	"io"
	"iter"

	"firmus/fixity"
)

// Options say how Verify and Compute go about it. The zero value is fine.
type Options struct {
	// Progress, if set, is told each file and the bytes of it that were just read.
	Progress func(path string, bytes int64)
	// System is Go's name of the system whose rules for paths hold; "" is this one.
	System string
	// Root says that only files directly in the folder are covered (Compute only).
	Root bool
	// Known says that a file's digest is known from elsewhere, such as an older
	// manifest, so that it needs no second reading (Compute only); may be nil.
	Known func(path string, d fixity.Digest) bool
}

// Verify compares the folder f with its manifests: all manifest-<alg>.txt that
// lie directly in it. A file that none of them names is unexpected, except below
// a folder that has a manifest of its own; that manifest isn't verified, which a
// warning says; if no file was read, such folders are unexpected. A manifest that is a
// link, a special file or a placeholder is a problem. Other links, special files and
// placeholders that no manifest names are told in warnings.
//
// Errors are those of Check. The Result holds what was found in spite of one,
// and is neither valid nor complete then.
func Verify(ctx context.Context, f Folder, o Options) (Result, error) {
	var res Result
	var warn Warnings
	err := verify(ctx, f, o, &res, &warn)
	res.Warnings = warn.List()
	res.Conclude(err == nil)
	return res, err
}

func verify(ctx context.Context, f Folder, o Options, res *Result, warn *Warnings) error {
	shards, err := f.Shards(ctx)
	if err != nil {
		return err
	}
	var lists []List
	found := false
	for e, err := range f.List(ctx, "") {
		if err != nil {
			return incomplete(err)
		}
		a, exact, ok := ParseName(e.Path)
		if !ok {
			continue
		}
		if e.Type == fixity.LeftOut {
			continue
		}
		found = true
		if e.Type != fixity.File {
			kind, _ := kindOf(e.Type)
			res.unread = true
			res.Problems = append(res.Problems, Problem{Kind: kind, Path: e.Path, Lists: []string{e.Path}, Detail: "it has the name of a manifest and was not opened, so what it lists isn't known"})
			continue
		}
		if a == "" {
			res.Problems = append(res.Problems, Problem{Kind: Unknown, Path: e.Path, Lists: []string{e.Path}})
			continue
		}
		if !exact {
			warn.Add(Warning{Reason: ListName, File: e.Path, Detail: Name(a)})
		}
		if a == fixity.BLAKE3 {
			warn.Add(Warning{Reason: NotInRFC, File: e.Path})
		}
		lists = append(lists, List{Name: e.Path, Algorithm: a, Lines: linesOf(ctx, f, e, a, warn)})
	}
	if !found {
		res.Problems = append(res.Problems, Problem{Kind: NoManifest})
	}
	if len(lists) == 0 {
		return nil
	}
	return Check(ctx, f, lists, Rules{
		Shards:       shards,
		OwnManifests: true,
		System:       o.System,
		Progress:     o.Progress,
		Ours: func(path string) bool {
			_, _, ok := ParseName(path)
			return ok
		},
	}, res, warn)
}

// linesOf reads the folder manifest e, each time anew; warnings are told once.
func linesOf(ctx context.Context, f Folder, e fixity.Entry, a fixity.Algorithm, warn *Warnings) func() iter.Seq2[Line, error] {
	told := false
	return func() iter.Seq2[Line, error] {
		o := ReadOptions{Algorithm: a, Rule: FolderRule}
		if !told {
			o.Warn = func(why Reason, line int) { warn.Add(Warning{Reason: why, File: e.Path, Line: line}) }
		}
		told = true
		return func(yield func(Line, error) bool) {
			r, err := f.Open(ctx, e, 0)
			if err != nil {
				yield(Line{}, err)
				return
			}
			defer r.Close()
			for l, err := range Read(io.Reader(r), o) {
				if !yield(l, err) {
					return
				}
			}
		}
	}
}
