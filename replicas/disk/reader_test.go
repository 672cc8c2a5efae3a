//go:build unix

package disk_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"syscall"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/disk"
)

// info is what a medium says of a file.
type info struct {
	size int64
	time time.Time
}

func (i info) Name() string       { return "a.wav" }
func (i info) Size() int64        { return i.size }
func (i info) Mode() fs.FileMode  { return 0 }
func (i info) ModTime() time.Time { return i.time }
func (i info) IsDir() bool        { return false }
func (i info) Sys() any           { return nil }

// fake is a Reader of size zeros; at is asked before each read of the medium,
// with the range that would be read.
func fake(t *testing.T, size int64, at func(from, to int64) error) fixity.Reader {
	t.Helper()
	r, err := disk.NewReader(disk.FakeSource{
		ReadAt: func(p []byte, off int64) (int, error) {
			n := min(int64(len(p)), size-off)
			if err := at(off, off+n); err != nil {
				return 0, err
			}
			clear(p[:n])
			return int(n), nil
		},
		Stat:   func() (fs.FileInfo, error) { return info{size: size}, nil },
		Closed: func() {},
	})
	check(t, err)
	return r
}

// TestMediumErrorLosesOneBlock: around a place that can't be read all is had but
// the block it lies in, and the drive is asked in vain a few times only.
func TestMediumErrorLosesOneBlock(t *testing.T) {
	const size = 4 << 20
	for _, bad := range []int64{0, 1, 65535, 65536, 1 << 20, 1<<20 + 70_000, size - 1} {
		refused := 0
		r := fake(t, size, func(from, to int64) error {
			if from <= bad && bad < to {
				refused++
				return syscall.EIO
			}
			return nil
		})
		s, err := digest.Read(context.Background(), r)
		if !errors.Is(err, fixity.ErrUnreadable) || !errors.Is(err, syscall.EIO) {
			t.Errorf("bad at %d: %v", bad, err)
		}
		if want := bad &^ 65535; s.Size != want {
			t.Errorf("bad at %d: %d bytes before it, want %d", bad, s.Size, want)
		}
		if refused == 0 || refused > 6 {
			t.Errorf("bad at %d: the drive had to refuse %d times", bad, refused)
		}
	}
}

// TestOtherErrorsAreNotAskedAgain: only a bad place is narrowed down.
func TestOtherErrorsAreNotAskedAgain(t *testing.T) {
	asked := 0
	r := fake(t, 4<<20, func(_, _ int64) error { asked++; return syscall.ENODEV })
	if _, err := r.Read(make([]byte, 1<<20)); !errors.Is(err, fixity.ErrAway) || asked != 1 {
		t.Errorf("asked %d times: %v, want away at once", asked, err)
	}
}

// TestEndsEarly: fewer bytes than the size, of a file that didn't change, is
// the medium's fault and never the end of the file.
func TestEndsEarly(t *testing.T) {
	r, err := disk.NewReader(disk.FakeSource{
		ReadAt: func([]byte, int64) (int, error) { return 0, nil },
		Stat:   func() (fs.FileInfo, error) { return info{size: 10}, nil },
	})
	check(t, err)
	if _, err := io.ReadAll(r); !errors.Is(err, fixity.ErrUnreadable) {
		t.Errorf("%v, want unreadable", err)
	}
}

func TestChangesSeenAtTheEnd(t *testing.T) {
	start := time.Unix(1_000_000, 0)
	for name, then := range map[string]info{
		"longer":  {11, start},
		"shorter": {9, start},
		"written": {10, start.Add(1)},
	} {
		now := info{10, start}
		r, err := disk.NewReader(disk.FakeSource{
			ReadAt: func(p []byte, _ int64) (int, error) { now = then; return min(len(p), 10), nil },
			Stat:   func() (fs.FileInfo, error) { return now, nil },
		})
		check(t, err)
		b, err := io.ReadAll(r)
		if !errors.Is(err, fixity.ErrChanged) || len(b) != 10 {
			t.Errorf("%s: %d bytes, %v; want 10 and that it changed", name, len(b), err)
		}
	}
}

// TestCloseNeverWaits: a Reader on a dead mount can be closed, and what it holds
// is let go as soon as the system answers.
func TestCloseNeverWaits(t *testing.T) {
	reading, release, closed := make(chan struct{}), make(chan struct{}), make(chan struct{})
	r, err := disk.NewReader(disk.FakeSource{
		ReadAt: func([]byte, int64) (int, error) { close(reading); <-release; return 0, syscall.EIO },
		Stat:   func() (fs.FileInfo, error) { return info{size: 10}, nil },
		Closed: func() { close(closed) },
	})
	check(t, err)
	done := make(chan error)
	go func() {
		_, err := r.Read(make([]byte, 10))
		done <- err
	}()
	<-reading
	check(t, r.Close())
	select {
	case <-closed:
		t.Error("closed under a read")
	default:
	}
	close(release)
	<-done
	<-closed
	if err := r.Close(); !errors.Is(err, fs.ErrClosed) {
		t.Errorf("closed twice: %v", err)
	}
}

func TestErrorsAreSorted(t *testing.T) {
	for want, numbers := range map[error][]error{
		fixity.ErrVanished:   {syscall.ENOENT, syscall.ENOTDIR},
		fixity.ErrDenied:     {syscall.EACCES, syscall.EPERM, syscall.EROFS},
		fixity.ErrUnreadable: {syscall.EIO, syscall.EILSEQ, syscall.ETIMEDOUT},
		fixity.ErrInUse:      {syscall.EBUSY, syscall.ETXTBSY, syscall.EAGAIN},
		fixity.ErrAway:       {syscall.ESTALE, syscall.ENOTCONN, syscall.EHOSTDOWN, syscall.ENODEV, syscall.ENXIO, syscall.ESHUTDOWN},
	} {
		for _, number := range numbers {
			got := disk.MapErr(&fs.PathError{Op: "read", Path: "x", Err: number})
			if !errors.Is(got, want) || !errors.Is(got, number) {
				t.Errorf("%v: %v, want %v", number, got, want)
			}
			for _, other := range []error{fixity.ErrVanished, fixity.ErrDenied, fixity.ErrUnreadable, fixity.ErrInUse, fixity.ErrAway} {
				if other != want && errors.Is(got, other) {
					t.Errorf("%v: %v is %v too", number, got, other)
				}
			}
		}
	}
	for _, number := range []error{syscall.ENOSPC, syscall.ELOOP, syscall.EINVAL} {
		for _, err := range []error{number, &fs.PathError{Op: "open", Path: "x", Err: number}, &os.LinkError{Op: "rename", Old: "x", New: "y", Err: number}} {
			if got := disk.MapErr(err); got != number {
				t.Errorf("%v became %v", err, got)
			}
		}
	}
}

// TestHangingCallsWaitInLine: a call that hangs is given up when its context
// ends, and the next doesn't join it in the system but waits.
func TestHangingCallsWaitInLine(t *testing.T) {
	d := open(t, disk.Options{}, nil)
	why := errors.New("60 seconds without an answer")
	ctx, cancel := context.WithCancelCause(context.Background())
	release, inside := make(chan struct{}), make(chan struct{})
	done := make(chan error)
	go func() { done <- d.Call(ctx, func() error { close(inside); <-release; return nil }) }()
	<-inside
	cancel(why)
	if err := <-done; !errors.Is(err, why) {
		t.Errorf("%v, want the cause of the context", err)
	}

	short, stop := context.WithTimeoutCause(context.Background(), 20*time.Millisecond, why)
	defer stop()
	if _, err := d.Identify(short); !errors.Is(err, why) {
		t.Errorf("a call behind it: %v, want the cause of its context", err)
	}
	entered := false
	go func() {
		done <- d.Call(context.Background(), func() error { entered = true; return nil })
	}()
	select {
	case <-done:
		t.Error("a second call was made while one hung")
	case <-time.After(20 * time.Millisecond):
	}
	close(release)
	if err := <-done; err != nil || !entered {
		t.Errorf("after the hanging call ended: %v", err)
	}
	if _, err := d.Identify(context.Background()); err != nil {
		t.Error(err)
	}
}

// TestPins: what is compared before a byte is given.
func TestPins(t *testing.T) {
	ctx := context.Background()
	d := open(t, disk.Options{}, map[string]string{"a.wav": "12345"})
	seen, err := d.Stat(ctx, "a.wav")
	check(t, err)
	later := seen.ModTime.Add(time.Second)
	for _, c := range []struct {
		name string
		e    fixity.Entry
		err  error
	}{
		{"as listed", seen, nil},
		{"nothing but the path", fixity.Entry{Path: "a.wav"}, nil},
		{"nothing but the path, another size", fixity.Entry{Path: "a.wav", Size: 9}, nil},
		{"size and time", fixity.Entry{Path: "a.wav", Size: 5, ModTime: seen.ModTime}, nil},
		{"another size", fixity.Entry{Path: "a.wav", Size: 6, ModTime: seen.ModTime}, fixity.ErrChanged},
		{"another time", fixity.Entry{Path: "a.wav", Size: 5, ModTime: later}, fixity.ErrChanged},
		{"another inode", fixity.Entry{Path: "a.wav", Size: 5, ModTime: seen.ModTime, Pin: fixity.Pin{Inode: seen.Pin.Inode + 1}}, fixity.ErrChanged},
		{"another change time", fixity.Entry{Path: "a.wav", Size: 5, ModTime: seen.ModTime, Pin: fixity.Pin{Change: 1}}, fixity.ErrChanged},
		{"a link", fixity.Entry{Path: "a.wav", Type: fixity.Link}, fixity.ErrRefused},
		{"online only", fixity.Entry{Path: "a.wav", Type: fixity.Online}, fixity.ErrRefused},
		{"left out", fixity.Entry{Path: "a.wav", Type: fixity.LeftOut}, fixity.ErrRefused},
		{"above the root", fixity.Entry{Path: "../a.wav"}, fs.ErrInvalid},
		{"absolute", fixity.Entry{Path: "/a.wav"}, fs.ErrInvalid},
		{"no path", fixity.Entry{}, fs.ErrInvalid},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := d.Open(ctx, c.e, 0)
			if err == nil {
				defer r.Close()
				b, rerr := io.ReadAll(r)
				if rerr != nil || !bytes.Equal(b, []byte("12345")) {
					t.Errorf("%q, %v", b, rerr)
				}
			}
			if c.err == nil && err != nil || !errors.Is(err, c.err) {
				t.Errorf("%v, want %v", err, c.err)
			}
		})
	}
}
