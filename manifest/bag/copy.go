package bag

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/manifest"
)

// write writes the whole bag into the folder temp and flushes it.
func (b *building) write(ctx context.Context, files iter.Seq2[File, error], temp string) (err error) {
	if b.root, err = os.OpenRoot(temp); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.root.Close()) }()
	b.dirs, b.tags = map[string]bool{}, map[string]digest.Sums{}
	if err := b.folder(payload); err != nil {
		return err
	}
	if err := b.payload(ctx, files); err != nil {
		return err
	}
	var info strings.Builder
	if err := WriteInfo(&info, b.info()); err != nil {
		return err
	}
	tags := append([]TagFile{{declarationName, []byte(current.String())}, {infoName, []byte(info.String())}}, b.o.Tags...)
	for _, t := range tags {
		if err := b.tag(t.Path, func(w io.Writer) error {
			_, err := w.Write(t.Text)
			return err
		}); err != nil {
			return err
		}
	}
	if err := b.tagManifests(); err != nil {
		return err
	}
	// The deepest first, so that no folder is on the medium without what it holds.
	dirs := slices.Sorted(maps.Keys(b.dirs))
	slices.Reverse(dirs)
	for _, d := range dirs {
		if err := syncFolder(filepath.Join(temp, filepath.FromSlash(d))); err != nil {
			return err
		}
	}
	return syncFolder(temp)
}

// payload copies the files and writes their manifests.
func (b *building) payload(ctx context.Context, files iter.Seq2[File, error]) error {
	sums := map[fixity.Algorithm]*tagWriter{}
	lists := map[fixity.Algorithm]*manifest.Writer{}
	defer func() {
		for _, w := range sums {
			w.f.Close() // closed already, except after an error
		}
	}()
	for _, a := range b.o.Algorithms {
		w, err := b.create(manifest.Name(a))
		if err != nil {
			return err
		}
		sums[a], lists[a] = w, manifest.NewWriter(w, a)
	}
	for f, err := range files {
		if err != nil {
			return err
		}
		if err := b.odd(f.Path); err != nil {
			return err
		}
		got, err := b.copy(ctx, f)
		if err != nil {
			return fmt.Errorf("copy %q: %w", f.Path, err)
		}
		for _, a := range b.o.Algorithms {
			d, _ := got.Get(a)
			if err := lists[a].Add(payload+"/"+f.Path, d); err != nil {
				return err
			}
		}
		b.made.Files++
		b.made.Bytes += got.Size
	}
	for _, a := range b.o.Algorithms {
		names, err := lists[a].Finish()
		if err != nil {
			return err
		}
		for _, w := range names {
			b.warn.Add(w)
		}
		if err := b.finish(manifest.Name(a), sums[a]); err != nil {
			return err
		}
	}
	return nil
}

// copy copies one file of the payload and flushes it.
func (b *building) copy(ctx context.Context, f File) (sums digest.Sums, err error) {
	path := payload + "/" + f.Path
	if err := b.folder(parentOf(path)); err != nil {
		return sums, err
	}
	w, err := b.root.OpenFile(filepath.FromSlash(path), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return sums, err
	}
	keeps := f.ModTime
	defer func() {
		if c := w.Close(); err == nil {
			err = c
		}
		if err == nil && !keeps.IsZero() {
			err = b.root.Chtimes(filepath.FromSlash(path), time.Time{}, keeps)
		}
	}()
	if f.Fill != nil {
		sums, keeps, err = b.fill(ctx, f, path, w)
	} else {
		sums, err = b.take(ctx, f, path, w)
	}
	if err != nil {
		return sums, err
	}
	for _, want := range f.Want {
		if got, ok := sums.Get(want.Algorithm); ok && got != want {
			return sums, fmt.Errorf("%w: it doesn't have the digest that it should", ErrNotAsWritten)
		}
	}
	if f.Fill == nil && len(f.Want) == 0 {
		if err := manifest.Again(ctx, f.Open, sums, b.o.Algorithms[0], b.progress(Comparing, path)); err != nil {
			return sums, err
		}
	}
	return sums, w.Sync()
}

func (b *building) progress(s Step, path string) func(int64) {
	if b.o.Progress == nil {
		return nil
	}
	return func(n int64) { b.o.Progress(s, path, n) }
}

// take copies what the file's Open gives.
func (b *building) take(ctx context.Context, f File, path string, w io.Writer) (digest.Sums, error) {
	r, err := f.Open(ctx)
	if err != nil {
		return digest.Sums{}, err
	}
	defer r.Close()
	return digest.Options{Algorithms: b.o.Algorithms, Tee: w, Progress: b.progress(Copying, path)}.Read(ctx, r)
}

// fill has the file's Fill write it, and keeps the digests of what it wrote last.
func (b *building) fill(ctx context.Context, f File, path string, w *os.File) (digest.Sums, time.Time, error) {
	var last *tagWriter
	at, err := f.Fill(ctx, func() (io.Writer, error) {
		if _, err := w.Seek(0, io.SeekStart); err != nil {
			return nil, err
		}
		if err := w.Truncate(0); err != nil {
			return nil, err
		}
		sum, err := digest.NewSum(b.o.Algorithms...)
		if err != nil {
			return nil, err
		}
		last = &tagWriter{w, sum}
		tell := b.progress(Copying, path)
		if tell == nil {
			return last, nil
		}
		return telling{last, tell}, nil
	})
	if err != nil {
		return digest.Sums{}, at, err
	}
	if last == nil {
		return digest.Sums{}, at, fmt.Errorf("%w: nothing was written", ErrNotAsWritten)
	}
	return last.sum.Sums(), at, nil
}

// telling tells how many bytes were written.
type telling struct {
	io.Writer
	tell func(int64)
}

func (t telling) Write(p []byte) (int, error) {
	n, err := t.Writer.Write(p)
	t.tell(int64(n))
	return n, err
}

// tagWriter writes a tag file and takes its digests.
type tagWriter struct {
	f   *os.File
	sum *digest.Sum
}

func (w *tagWriter) Write(p []byte) (int, error) {
	n, err := w.f.Write(p)
	w.sum.Write(p[:n])
	return n, err
}

func (b *building) create(path string) (*tagWriter, error) {
	if err := b.folder(parentOf(path)); err != nil {
		return nil, err
	}
	sum, err := digest.NewSum(b.o.Algorithms...)
	if err != nil {
		return nil, err
	}
	f, err := b.root.OpenFile(filepath.FromSlash(path), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, err
	}
	return &tagWriter{f, sum}, nil
}

// finish flushes a tag file and keeps its digests for the tag manifests.
func (b *building) finish(path string, w *tagWriter) error {
	b.tags[path] = w.sum.Sums()
	return errors.Join(w.f.Sync(), w.f.Close())
}

func (b *building) tag(path string, write func(io.Writer) error) error {
	w, err := b.create(path)
	if err != nil {
		return err
	}
	if err := write(w); err != nil {
		w.f.Close()
		return fmt.Errorf("write %q: %w", path, err)
	}
	return b.finish(path, w)
}

// tagManifests lists all tag files written so far, by each algorithm.
func (b *building) tagManifests() error {
	sums := b.tags
	b.tags = map[string]digest.Sums{}
	for _, a := range b.o.Algorithms {
		err := b.tag(manifest.TagName(a), func(w io.Writer) error {
			m := manifest.NewWriter(w, a)
			for _, path := range slices.Sorted(maps.Keys(sums)) {
				d, _ := sums[path].Get(a)
				if err := m.Add(path, d); err != nil {
					return err
				}
			}
			_, err := m.Finish()
			return err
		})
		if err != nil {
			return err
		}
		b.made.Manifest = manifest.TagName(a)
		b.made.Digest, _ = b.tags[b.made.Manifest].Get(a)
	}
	b.tags = sums
	return nil
}

// folder makes the folder at path below the bag and those on the way to it.
func (b *building) folder(path string) error {
	if path == "" || b.dirs[path] {
		return nil
	}
	if err := b.folder(parentOf(path)); err != nil {
		return err
	}
	if err := b.root.Mkdir(filepath.FromSlash(path), 0o777); err != nil {
		return err
	}
	b.dirs[path] = true
	return nil
}

func parentOf(path string) string { return path[:max(strings.LastIndexByte(path, '/'), 0)] }

// syncFolder flushes the names in a folder to the medium where the system and the
// file system have a way to: Windows hasn't, and some shares refuse it as invalid.
func syncFolder(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = f.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, errors.ErrUnsupported) {
		err = nil
	}
	return errors.Join(err, f.Close())
}
