package disk

import (
	"io/fs"
	"os"
	"sync/atomic"
	"syscall"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

// behind is how far dropping what was read from the page cache lags, in bytes.
const behind = 8 << 20

// linuxSource reads in one of three ways. It begins with O_DIRECT if that is
// wanted and can be had; else it throws the file out of the page cache first and
// leaves nothing of it there (Dropped); or it reads as anyone does (Allowed).
type linuxSource struct {
	f      *os.File
	fd     int // valid until close; a Read and close never overlap
	fs     fileSystem
	direct bool
	way    atomic.Pointer[fixity.Cache]

	dontCache bool  // RWF_DONTCACHE still to be tried
	buffered  bool  // something was read through the page cache
	dropped   int64 // what lies before is out of the page cache again
	aligned   aligned
}

func openSource(parent *os.Root, name string, want fixity.Cache) (source, error) {
	// O_NONBLOCK: should a FIFO have taken the name, don't wait for its writer; and
	// a lease or lock makes an error instead of a wait.
	const flags = os.O_RDONLY | unix.O_NONBLOCK | unix.O_NOCTTY
	s := &linuxSource{}
	s.aligned.pread = s.fetch
	var err error
	if want == fixity.Bypassed {
		if s.f, err = parent.OpenFile(name, flags|unix.O_DIRECT, 0); err == nil {
			s.direct = true
		} else if e := plain(err); e != error(unix.EINVAL) && e != error(unix.EOPNOTSUPP) {
			return nil, err
		}
	}
	if s.f == nil {
		if s.f, err = parent.OpenFile(name, flags, 0); err != nil {
			return nil, err
		}
	}
	s.fd = int(s.f.Fd())
	s.fs = fileSystemOf(s.fd)
	switch {
	case want == fixity.Allowed:
		s.set(fixity.Allowed)
	case s.direct && (s.fs.unknown() || s.fs.direct(s.fd)):
		s.set(s.fs.claim(fixity.Bypassed))
	default:
		if err := s.drop(); err != nil {
			s.f.Close()
			return nil, err
		}
	}
	return s, nil
}

func (s *linuxSource) set(c fixity.Cache)         { s.way.Store(&c) }
func (s *linuxSource) cache() fixity.Cache        { return *s.way.Load() }
func (s *linuxSource) stat() (fs.FileInfo, error) { return s.f.Stat() }
func (s *linuxSource) close() error {
	if s.buffered {
		_ = s.advise(0) // as in read
	}
	return s.f.Close()
}

// drop ends direct I/O and throws what is cached of the file out.
func (s *linuxSource) drop() error {
	if s.direct {
		s.direct = false
		if err := endDirect(s.fd); err != nil {
			return err
		}
	}
	s.dontCache = true
	// Pages not yet written can't be dropped. An error here is one of the medium
	// or of someone's writing; the read itself will show it.
	_ = unix.Fsync(s.fd)
	way := fixity.Dropped
	if s.advise(0) != nil || cached(s.fd) > 0 {
		way = fixity.Unknown
	}
	s.set(s.fs.claim(way))
	return nil
}

// advise drops the file from the page cache up to the byte to; 0 is its end.
func (s *linuxSource) advise(to int64) error {
	return unix.Fadvise(s.fd, 0, to, unix.FADV_DONTNEED)
}

func (s *linuxSource) read(p []byte, off int64) (int, error) {
	if s.cache() == fixity.Allowed {
		return s.pread(p, off)
	}
	return s.aligned.read(p, off)
}

// fetch reads what is aligned from the drive.
func (s *linuxSource) fetch(p []byte, off int64) (int, error) {
	if s.direct {
		n, err := s.pread(p, off)
		if err != error(unix.EINVAL) {
			return n, err
		}
		if err := s.drop(); err != nil { // opens, but doesn't read: it happens
			return 0, err
		}
	}
	if s.dontCache {
		n, err := again(func() (int, error) { return unix.Preadv2(s.fd, [][]byte{p}, off, unix.RWF_DONTCACHE) })
		if err == nil {
			return n, nil
		}
		if err != error(unix.EOPNOTSUPP) && err != error(unix.EINVAL) && err != error(unix.ENOSYS) {
			return 0, err
		}
		s.dontCache = false
	}
	s.buffered = true
	n, err := s.pread(p, off)
	if end := off + int64(n); end-s.dropped >= behind {
		s.dropped = end
		_ = s.advise(end) // leaves more in the cache than it should; no harm to the read
	}
	return n, err
}

func (s *linuxSource) pread(p []byte, off int64) (int, error) {
	return again(func() (int, error) { return unix.Pread(s.fd, p, off) })
}

func again(f func() (int, error)) (int, error) {
	for {
		n, err := f()
		if err != error(syscall.EINTR) {
			return max(n, 0), err
		}
	}
}

func endDirect(fd int) error {
	flags, err := unix.FcntlInt(uintptr(fd), unix.F_GETFL, 0)
	if err != nil {
		return err
	}
	_, err = unix.FcntlInt(uintptr(fd), unix.F_SETFL, flags&^unix.O_DIRECT)
	return err
}

// cached is how many pages of the file the page cache holds, 0 if the kernel
// (before 6.5) can't say.
func cached(fd int) uint64 {
	var st unix.Cachestat_t
	if unix.Cachestat(uint(fd), &unix.CachestatRange{}, &st, 0) != nil {
		return 0
	}
	return st.Cache
}
