package disk_test

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/disk"

	"golang.org/x/sys/unix"
)

// needPart skips the test where a part of the world lacks, and fails it where all
// are said to be there.
func needPart(t *testing.T, err error, what string) {
	t.Helper()
	if err == nil {
		return
	}
	if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
		t.Fatalf("%s: %v", what, err)
	}
	t.Skipf("%s: %v", what, err)
}

func run(name string, args ...string) error {
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w: %s", name, err, bytes.TrimSpace(out))
	}
	return nil
}

// image is a file system in a file, mounted.
type image struct {
	file, at string
	mounted  bool
}

// newImage makes one of size bytes by mkfs, a command to which the image's path
// is added.
func newImage(t *testing.T, size int64, mkfs ...string) *image {
	t.Helper()
	if os.Geteuid() != 0 {
		needPart(t, errors.New("only root may mount"), "loop device")
	}
	dir := t.TempDir()
	m := &image{file: filepath.Join(dir, "image"), at: filepath.Join(dir, "at")}
	check(t, os.WriteFile(m.file, nil, 0o666))
	check(t, os.Truncate(m.file, size))
	check(t, os.Mkdir(m.at, 0o777))
	needPart(t, run(mkfs[0], append(mkfs[1:], m.file)...), "file system")
	needPart(t, m.mount(), "loop device")
	t.Cleanup(func() {
		if err := m.unmount(); err != nil {
			t.Error(err)
		}
	})
	return m
}

func (m *image) mount() error {
	err := run("mount", "-o", "loop", m.file, m.at)
	m.mounted = err == nil
	return err
}

func (m *image) unmount(flags ...string) error {
	if !m.mounted {
		return nil
	}
	err := run("umount", append(flags, m.at)...)
	m.mounted = err != nil
	return err
}

// pattern is 64 KiB that a search of an image finds, distinct for each seed.
func pattern(seed byte) []byte {
	b := make([]byte, 64<<10)
	rand.NewChaCha8([32]byte{seed}).Read(b)
	return b
}

// put writes a file and makes it last.
func (m *image) put(t *testing.T, name string, data []byte) {
	t.Helper()
	path := filepath.Join(m.at, name)
	check(t, os.MkdirAll(filepath.Dir(path), 0o777))
	f, err := os.Create(path)
	check(t, err)
	_, err = f.Write(data)
	check(t, errors.Join(err, f.Sync(), f.Close()))
}

// turn changes one byte of the image where what lies, behind the file system's
// back: as a drive does that rots. It must be found once at least.
func (m *image) turn(t *testing.T, what []byte, offset int) {
	t.Helper()
	syscall.Sync()
	f, err := os.OpenFile(m.file, os.O_RDWR, 0)
	check(t, err)
	defer f.Close()
	all, err := io.ReadAll(f)
	check(t, err)
	found := 0
	for from := 0; ; {
		i := bytes.Index(all[from:], what)
		if i < 0 {
			break
		}
		from += i
		_, err := f.WriteAt([]byte{what[offset] ^ 0x20}, int64(from+offset))
		check(t, err)
		from += len(what)
		found++
	}
	check(t, f.Sync())
	if found == 0 {
		t.Fatalf("%s... is not in the image", hex.EncodeToString(what[:min(len(what), 8)]))
	}
}

// pages is how many pages of the file at path are in the page cache.
func pages(t *testing.T, path string) uint64 {
	t.Helper()
	f, err := os.Open(path)
	check(t, err)
	defer f.Close()
	var st unix.Cachestat_t
	needPart(t, unix.Cachestat(uint(f.Fd()), &unix.CachestatRange{}, &st, 0), "cachestat, Linux 6.5")
	return st.Cache
}

// TestReadsTheDriveNotTheCache changes a byte on the drive under a file that the
// page cache holds. Past the cache the change is seen; through it it needn't be.
func TestReadsTheDriveNotTheCache(t *testing.T) {
	m := newImage(t, 16<<20, "mkfs.ext4", "-q", "-F")
	want := bytes.Repeat(pattern(1), 3)
	m.put(t, "QV-0107/a.wav", want)
	path := filepath.Join(m.at, "QV-0107/a.wav")
	cached := func() []byte {
		b, err := os.ReadFile(path)
		check(t, err)
		return b
	}
	if !bytes.Equal(cached(), want) { // from now on the cache holds it
		t.Fatal("what was written isn't what is read")
	}
	m.turn(t, pattern(1), 40_000)
	if !bytes.Equal(cached(), want) {
		t.Fatal("the page cache holds the change already: nothing can be shown")
	}
	changed := bytes.Clone(want)
	for i := range 3 {
		changed[i<<16+40_000] ^= 0x20
	}

	read := func(c fixity.Cache) []byte {
		t.Helper()
		d, err := disk.Open(m.at, disk.Options{Cache: c})
		check(t, err)
		e, err := d.Stat(context.Background(), "QV-0107/a.wav")
		check(t, err)
		r, err := d.Open(context.Background(), e, 0)
		check(t, err)
		defer r.Close()
		b, err := io.ReadAll(r)
		check(t, err)
		if r.Cache() != c {
			t.Errorf("the cache was %s, asked for %s", r.Cache(), c)
		}
		return b
	}
	held := pages(t, path)
	if held == 0 {
		t.Fatal("no page is cached")
	}
	if got := read(fixity.Allowed); !bytes.Equal(got, want) {
		t.Error("allowed: not what the cache holds")
	}
	if got := read(fixity.Bypassed); !bytes.Equal(got, changed) {
		t.Error("bypassed: the change on the drive wasn't seen")
	}
	// Neither threw out what somebody else had in the cache.
	if now := pages(t, path); now != held || !bytes.Equal(cached(), want) {
		t.Errorf("%d pages are cached, %d were", now, held)
	}
	if got := read(fixity.Dropped); !bytes.Equal(got, changed) {
		t.Error("dropped: the change on the drive wasn't seen")
	}
	if now := pages(t, path); now != 0 {
		t.Errorf("dropped: %d pages are left in the cache", now)
	}
	if got := read(fixity.Bypassed); !bytes.Equal(got, changed) || pages(t, path) != 0 {
		t.Errorf("bypassed: %d pages got into the cache", pages(t, path))
	}
}

// TestFilesWithoutDirectReads: a file kept in its inode is read through the page
// cache even with O_DIRECT; then the cache is emptied of it first, and said so.
func TestFilesWithoutDirectReads(t *testing.T) {
	m := newImage(t, 16<<20, "mkfs.ext4", "-q", "-F", "-O", "inline_data", "-I", "256")
	m.put(t, "tiny.txt", []byte("a few bytes"))
	d, err := disk.Open(m.at, disk.Options{})
	check(t, err)
	r, err := d.Open(context.Background(), fixity.Entry{Path: "tiny.txt"}, 0)
	check(t, err)
	defer r.Close()
	b, err := io.ReadAll(r)
	check(t, err)
	if string(b) != "a few bytes" || r.Cache() == fixity.Bypassed {
		t.Errorf("%q, cache %s", b, r.Cache())
	}
}

// TestUnreadableOnDrive has a file system that keeps checksums of its files, and
// refuses bytes that don't match: a real input/output error.
func TestUnreadableOnDrive(t *testing.T) {
	_, err := exec.LookPath("mkfs.btrfs")
	needPart(t, err, "btrfs-progs")
	m := newImage(t, 128<<20, "mkfs.btrfs", "-q", "-f", "-m", "single")
	data := append(append(pattern(2), pattern(3)...), pattern(4)...)
	m.put(t, "a.wav", data)
	m.turn(t, pattern(3), 12_345)
	check(t, m.unmount())
	check(t, m.mount())
	for _, c := range []fixity.Cache{fixity.Bypassed, fixity.Dropped, fixity.Allowed} {
		d, err := disk.Open(m.at, disk.Options{Cache: c})
		check(t, err)
		e, err := d.Stat(context.Background(), "a.wav")
		check(t, err)
		r, err := d.Open(context.Background(), e, 0)
		check(t, err)
		s, err := digest.Read(context.Background(), r)
		if !errors.Is(err, fixity.ErrUnreadable) || !errors.Is(err, syscall.EIO) || !strings.Contains(err.Error(), fmt.Sprintf("at %d:", s.Size)) {
			t.Errorf("%s: after %d bytes %v, want unreadable there", c, s.Size, err)
		}
		// All whole blocks before it, perhaps the whole sectors too, and nothing that is wrong.
		sum, err := digest.NewSum()
		check(t, err)
		sum.Write(data[:min(s.Size, 64<<10+12_345)])
		if s.Size < 64<<10 || !slices.Equal(s.Blocks, sum.Sums().Blocks) {
			t.Errorf("%s: %d bytes before it, or others than were written", c, s.Size)
		}
		check(t, r.Close())
		rest, err := d.Open(context.Background(), e, 128<<10)
		check(t, err)
		if b, err := io.ReadAll(rest); err != nil || !bytes.Equal(b, pattern(4)) {
			t.Errorf("%s: what lies behind it: %d bytes, %v", c, len(b), err)
		}
		check(t, rest.Close())
	}
}

// TestDamagedFolder: a folder that the file system can't read makes a listing
// incomplete; what is in the others is shown.
func TestDamagedFolder(t *testing.T) {
	m := newImage(t, 16<<20, "mkfs.ext4", "-q", "-F", "-O", "metadata_csum")
	m.put(t, "QV-0107/a/rotten-1a2b3c4d5e6f.wav", []byte("1"))
	m.put(t, "QV-0107/b/sound.wav", []byte("2"))
	check(t, m.unmount())
	m.turn(t, []byte("rotten-1a2b3c4d5e6f.wav"), 5)
	check(t, m.mount())
	d, err := disk.Open(m.at, disk.Options{})
	check(t, err)
	paths, err := list(d, "QV-0107")
	if !errors.Is(err, fixity.ErrIncomplete) || errors.Is(err, fixity.ErrAway) || !strings.Contains(err.Error(), `"QV-0107/a/"`) {
		t.Errorf("%v, want incomplete for QV-0107/a/", err)
	}
	if want := []string{"QV-0107/b/sound.wav"}; !slices.Equal(paths, want) {
		t.Errorf("shown: %q, want %q", paths, want)
	}
}

// TestUnmountedDuringWalk: the folder to mount on is still there, and is not the store.
func TestUnmountedDuringWalk(t *testing.T) {
	m := newImage(t, 16<<20, "mkfs.ext4", "-q", "-F")
	m.put(t, "QV-0107/a.wav", []byte("1"))
	m.put(t, "QV-0107/b.wav", []byte("2"))
	d, err := disk.Open(m.at, disk.Options{Store: "shelf", Marker: true})
	check(t, err)
	check(t, d.Adopt(context.Background(), masters))
	id, err := d.Identify(context.Background())
	if err != nil || id.Store != masters.Store || id.Empty {
		t.Errorf("%+v, %v", id, err)
	}
	dev, err := d.Device(context.Background())
	check(t, err)
	here, err := open(t, disk.Options{}, nil).Device(context.Background())
	check(t, err)
	if dev.ID == "" || dev == here {
		t.Errorf("devices %+v and %+v", dev, here)
	}
	var last error
	n := 0
	for _, err := range d.List(context.Background(), "QV-0107") {
		if last = err; err == nil {
			if n++; n == 1 {
				check(t, m.unmount("-l"))
			}
		}
	}
	if n == 0 || !errors.Is(last, fixity.ErrAway) || !errors.Is(last, fixity.ErrIncomplete) {
		t.Errorf("%d entries, then %v; want away and incomplete", n, last)
	}
	if id, err = d.Identify(context.Background()); err != nil || id.Marked() || !id.Empty {
		t.Errorf("unmounted: %+v, %v; want an empty folder without a marker", id, err)
	}
}

// TestReplaceOnFullMedium: at each fill the old file stays, until the new one fits.
func TestReplaceOnFullMedium(t *testing.T) {
	if os.Geteuid() != 0 {
		needPart(t, errors.New("only root may mount"), "tmpfs")
	}
	root := filepath.Join(t.TempDir(), "root")
	check(t, os.Mkdir(root, 0o777))
	needPart(t, run("mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", root), "tmpfs")
	t.Cleanup(func() { check(t, run("umount", root)) })
	d, err := disk.Open(root, disk.Options{})
	check(t, err)
	put(t, filepath.Join(root, "a.wav"), oldText)
	big := pattern(5)
	write := func(w io.Writer) error {
		for range 2 {
			if _, err := w.Write(big); err != nil {
				return err
			}
		}
		return nil
	}
	full := 0
	for fill := 256; fill >= 0; fill -= 16 {
		f, err := os.Create(filepath.Join(root, "fill"))
		check(t, err)
		f.Write(make([]byte, fill<<10)) // as much as fits
		check(t, f.Close())
		err = d.Replace(context.Background(), "a.wav", write)
		if got := content(t, d, "a.wav"); err == nil && got != string(big)+string(big) || err != nil && got != oldText {
			t.Errorf("%d KiB filled: %d bytes, %v", fill, len(got), err)
		}
		if left := leftovers(t, d); left != nil {
			t.Errorf("%d KiB filled: left %q", fill, left)
		}
		if err == nil {
			break
		}
		if !errors.Is(err, syscall.ENOSPC) {
			t.Errorf("%d KiB filled: %v, want a full medium", fill, err)
		}
		full++
		check(t, os.Remove(filepath.Join(root, "fill")))
	}
	if full < 3 || content(t, d, "a.wav") == oldText {
		t.Errorf("%d times full, and never replaced or always", full)
	}
	// The medium is memory: nothing is claimed of the cache.
	r, err := d.Open(context.Background(), fixity.Entry{Path: "a.wav"}, 0)
	check(t, err)
	defer r.Close()
	if r.Cache() != fixity.Unknown {
		t.Errorf("tmpfs: cache %s", r.Cache())
	}
}
