package bag

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"firmus/fixity"
	"firmus/fixity/beside"
	"firmus/fixity/digest"
	"firmus/manifest"
)

// tempPrefix begins the name of a bag that is being built.
const tempPrefix = ".firmus-bag-"

// Build makes the bag dest as Make does, of files from anywhere. They come in the
// order of their paths' bytes, each path once; an error that is yielded ends it.
func Build(ctx context.Context, files iter.Seq2[File, error], dest string, o MakeOptions) (m Made, err error) {
	defer func() {
		if err != nil {
			m, err = Made{}, fmt.Errorf("make bag %q: %w", dest, err)
		}
	}()
	if dest == "" {
		return m, fmt.Errorf("%w: name the new folder that it is to be", fixity.ErrRefused)
	}
	dest = filepath.Clean(dest)
	b := &building{o: o}
	if err := b.prepare(dest); err != nil {
		return m, err
	}
	parent := filepath.Dir(dest)
	if st, err := os.Stat(parent); errors.Is(err, fs.ErrNotExist) || err == nil && !st.IsDir() {
		return m, fmt.Errorf("%w: the folder in which it would lie isn't there: %s. Make that folder, or name another place", fixity.ErrRefused, parent)
	}
	beside.Clear(parent, tempPrefix)
	held, err := beside.Folder(parent, tempPrefix)
	if err != nil {
		return m, err
	}
	temp := held.Name()
	keep := false
	defer func() {
		_ = held.Close() // before it is removed: Windows removes nothing that is open
		if !keep {
			err = errors.Join(err, os.RemoveAll(temp))
		}
	}()
	if err := b.write(ctx, files, temp); err != nil {
		return m, err
	}
	if err := b.readBack(ctx, temp); err != nil {
		return m, err
	}
	if err := vacant(dest); err != nil {
		return m, err
	}
	if o.Whole != nil {
		if err := o.Whole(b.made); err != nil {
			return m, err
		}
	}
	if runtime.GOOS == "windows" { // what is held can't be renamed there
		held.Close()
	}
	if err := os.Rename(temp, dest); err != nil {
		return m, err
	}
	keep = true
	// On FAT where a folder begins stands beside its name.
	if err := errors.Join(syncFolder(dest), syncFolder(parent)); err != nil {
		return m, fmt.Errorf("the bag is whole and lies there, but flushing the folder it lies in: %w", err)
	}
	b.made.Warnings = b.warn.List()
	return b.made, nil
}

func vacant(dest string) error {
	switch _, err := os.Lstat(dest); {
	case err == nil:
		return fmt.Errorf("%w: something lies there already", fixity.ErrRefused)
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	return nil
}

type building struct {
	o       MakeOptions
	root    *os.Root
	made    Made
	warn    manifest.Warnings
	clashes manifest.Clashes
	dirs    map[string]bool // made below the bag, with slashes
	tags    map[string]digest.Sums
}

// prepare refuses what can't work before anything is written.
func (b *building) prepare(dest string) error {
	if len(b.o.Algorithms) == 0 {
		b.o.Algorithms = []fixity.Algorithm{fixity.SHA512}
	}
	b.o.Algorithms = slices.Compact(slices.Sorted(slices.Values(b.o.Algorithms)))
	for _, a := range b.o.Algorithms {
		if !a.Digest() {
			return fmt.Errorf("%w: digest algorithm %q is not known", fixity.ErrRefused, a)
		}
		if a == fixity.BLAKE3 {
			b.warn.Add(manifest.Warning{Reason: manifest.NotInRFC, File: manifest.Name(a)})
		}
	}
	if len(b.o.Info.Get(oxumLabel)) > 0 {
		return fmt.Errorf("%w: Payload-Oxum is worked out, not given", fixity.ErrRefused)
	}
	if err := WriteInfo(discard{}, b.o.Info); err != nil {
		return fmt.Errorf("%w: %w", fixity.ErrRefused, err)
	}
	for i, t := range b.o.Tags {
		if why := b.badTag(t.Path, b.o.Tags[:i]); why != "" {
			return fmt.Errorf("%w: tag file %q: %s", fixity.ErrRefused, t.Path, why)
		}
	}
	return vacant(dest)
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }

func (b *building) badTag(path string, others []TagFile) string {
	_, _, list := manifest.ParseName(path)
	_, _, tag := manifest.ParseTagName(path)
	switch {
	case list || tag || path == declarationName || path == infoName || path == fetchName:
		return "a file of this name is not for the caller to write"
	case path == payload || strings.HasPrefix(path, payload+"/"):
		return "it would lie in the payload"
	case slices.ContainsFunc(others, func(t TagFile) bool { return t.Path == path }):
		return "it is there twice"
	}
	return badName(path)
}

// badName says why no file in a bag may have this path, "" if it may.
func badName(path string) string {
	if !utf8.ValidString(path) {
		return "the name isn't UTF-8, so a manifest can't hold it. Rename the file, and make the bag again"
	}
	if !fs.ValidPath(path) || path == "." || strings.IndexByte(path, 0) >= 0 {
		return "it is no plain relative path"
	}
	for part := range strings.SplitSeq(path, "/") {
		if strings.HasPrefix(part, ".firmus") {
			return `names that begin with ".firmus" are this program's own`
		}
	}
	return ""
}

// odd warns of a name that other systems or programs can't cope with, and
// refuses one that another file's name equals after normalisation.
func (b *building) odd(path string) error {
	if why := badName(path); why != "" {
		return fmt.Errorf("%w: %q: %s", fixity.ErrRefused, path, why)
	}
	if other, form := b.clashes.Add(path); form {
		return fmt.Errorf("%w: the names %q and %q differ only in Unicode normalisation", fixity.ErrRefused, other, path)
	} else if other != "" {
		b.warn.Add(manifest.Warning{Reason: manifest.Clash, File: payload + "/" + path, Detail: "the other is " + payload + "/" + other})
	}
	if notOnWindows(path) {
		b.warn.Add(manifest.Warning{Reason: manifest.WindowsName, File: payload + "/" + path})
	}
	return nil
}

// notOnWindows says that Windows can't hold a file of this name (RFC 8493,
// section 6.1.2).
func notOnWindows(path string) bool {
	if why, _ := manifest.Leaves(path, "windows"); why != "" || len([]rune(path)) > 255-len(payload+"/") {
		return true
	}
	for part := range strings.SplitSeq(path, "/") {
		if strings.HasSuffix(part, ".") || strings.HasSuffix(part, " ") ||
			strings.ContainsAny(part, `<>:"\|?*`) || strings.ContainsFunc(part, func(r rune) bool { return r < ' ' }) {
			return true
		}
	}
	return false
}

// info is what bag-info.txt says in the end.
func (b *building) info() Info {
	info := slices.Clone(b.o.Info)
	if !b.o.Date.IsZero() && len(info.Get("Bagging-Date")) == 0 {
		info = append(info, Element{"Bagging-Date", b.o.Date.Format(time.DateOnly)})
	}
	return append(info, Element{oxumLabel, oxum{b.made.Bytes, int64(b.made.Files)}.String()})
}

// readBack verifies the bag at temp through a Folder of the caller's.
func (b *building) readBack(ctx context.Context, temp string) error {
	f, err := b.o.Open(temp)
	if err != nil {
		return err
	}
	o := Options{}
	if b.o.Progress != nil {
		o.Progress = func(path string, n int64) { b.o.Progress(ReadingBack, path, n) }
	}
	res, err := Verify(ctx, f, o)
	if err != nil {
		return fmt.Errorf("read back: %w", err)
	}
	if !res.Valid {
		var what []string
		for _, p := range res.Problems[:min(len(res.Problems), maxNamed)] {
			what = append(what, fmt.Sprintf("%s %q", p.Kind, p.Path))
		}
		return fmt.Errorf("%w: %s: %s", ErrNotAsWritten, fixity.Count(len(res.Problems), "problem"), strings.Join(what, ", "))
	}
	if want := b.made.Files + len(b.tags); res.Read != want {
		return fmt.Errorf("%w: %s read, not %d", ErrNotAsWritten, fixity.Counted(res.Read, "file", "was", "were"), want)
	}
	b.made.Cache = res.Cache
	return nil
}
