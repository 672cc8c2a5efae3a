//go:build amd64 || arm64

// Package calls answers the calls that a program makes of the kernel about files, as a bad
// drive would: the k-th fails, or all from then on, or never comes back; a read gives other
// bytes, or fewer; the program is killed before it; something else happens first, such as that
// another drive is put in. Nothing of the program is changed for it.
//
// The program installs a filter of its own calls as it starts (Listen), and the test that
// started it answers each one (Run): seccomp_unotify(2), Linux 5.19 or later. What the program
// does in memory that it mapped is no call: SQLite's index of its log is of that kind.
// It is for tests only.
package calls

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Env in the environment says as which file the program has the socket on which it hands its
// listener over. Who finds it calls Listen with its value.
const Env = "FIRMUS_TEST_CALLS"

// Call is one call about a file below the folder that is watched, before it is done.
type Call struct {
	N     int    // calls before this one
	Name  string // such as "pwrite64"
	Path  string // from the folder, with slashes; of two names the first
	Other string // the second name; may be ""
	// Room: it may take room on the drive. Changes: it changes a file or a name.
	Room, Changes bool
	Read          bool // it gives bytes of a file
}

func (c Call) String() string { return strings.TrimSpace(c.Name + " " + c.Path + " " + c.Other) }

// Under says that the call is about something in a folder.
func (c Call) Under(folder string) bool {
	in := func(p string) bool { return p == folder || strings.HasPrefix(p, folder+"/") }
	return in(c.Path) || in(c.Other)
}

// Answer is what becomes of a call. The zero value lets it be done.
type Answer struct {
	Do    func() // is done first; nothing of the program's goes on meanwhile that asks for a file
	Err   syscall.Errno
	Kill  bool
	Hangs bool // it doesn't come back while the program lives
	// Change alters bytes that a read gave; off is that of p[0] in the file.
	Change func(p []byte, off int64)
	Most   int // the most that a read or write is let do, in bytes; 0 is no limit
}

// kinds are the calls that are asked about: which arguments name what, and what they do.
type kind struct {
	name          string
	fd, path      int // arguments: a file, a name from that file; -1 is none
	fd2, path2    int
	room, changes bool
	read          bool
}

var kinds = map[int]kind{
	unix.SYS_OPENAT:          {name: "openat", fd: 0, path: 1, fd2: -1, path2: -1},
	unix.SYS_OPENAT2:         {name: "openat2", fd: 0, path: 1, fd2: -1, path2: -1},
	unix.SYS_READ:            {name: "read", path: -1, fd2: -1, path2: -1, read: true},
	unix.SYS_PREAD64:         {name: "pread64", path: -1, fd2: -1, path2: -1, read: true},
	unix.SYS_GETDENTS64:      {name: "getdents64", path: -1, fd2: -1, path2: -1},
	unix.SYS_STATX:           {name: "statx", path: 1, fd2: -1, path2: -1},
	unix.SYS_NEWFSTATAT:      {name: "newfstatat", path: 1, fd2: -1, path2: -1},
	unix.SYS_FSTAT:           {name: "fstat", path: -1, fd2: -1, path2: -1},
	unix.SYS_WRITE:           {name: "write", path: -1, fd2: -1, path2: -1, room: true, changes: true},
	unix.SYS_PWRITE64:        {name: "pwrite64", path: -1, fd2: -1, path2: -1, room: true, changes: true},
	unix.SYS_COPY_FILE_RANGE: {name: "copy_file_range", path: -1, fd: 2, fd2: 0, path2: -1, room: true, changes: true},
	unix.SYS_FALLOCATE:       {name: "fallocate", path: -1, fd2: -1, path2: -1, room: true, changes: true},
	unix.SYS_FTRUNCATE:       {name: "ftruncate", path: -1, fd2: -1, path2: -1, changes: true},
	unix.SYS_FSYNC:           {name: "fsync", path: -1, fd2: -1, path2: -1, room: true, changes: true},
	unix.SYS_FDATASYNC:       {name: "fdatasync", path: -1, fd2: -1, path2: -1, room: true, changes: true},
	unix.SYS_FCHMOD:          {name: "fchmod", path: -1, fd2: -1, path2: -1, changes: true},
	unix.SYS_FCHMODAT:        {name: "fchmodat", path: 1, fd2: -1, path2: -1, changes: true},
	unix.SYS_UTIMENSAT:       {name: "utimensat", path: 1, fd2: -1, path2: -1, changes: true},
	unix.SYS_MKDIRAT:         {name: "mkdirat", path: 1, fd2: -1, path2: -1, room: true, changes: true},
	unix.SYS_UNLINKAT:        {name: "unlinkat", path: 1, fd2: -1, path2: -1, changes: true},
	unix.SYS_LINKAT:          {name: "linkat", path: 1, fd2: 2, path2: 3, room: true, changes: true},
	unix.SYS_RENAMEAT:        {name: "renameat", path: 1, fd2: 2, path2: 3, room: true, changes: true},
	unix.SYS_RENAMEAT2:       {name: "renameat2", path: 1, fd2: 2, path2: 3, room: true, changes: true},
	unix.SYS_FLOCK:           {name: "flock", path: -1, fd2: -1, path2: -1},
}

// here is the fd argument of a call that has none: names are from the working folder.
const here = 15

// filter lets all calls pass but those of kinds.
func filter() []unix.SockFilter {
	arch := uint32(unix.AUDIT_ARCH_X86_64)
	if runtime.GOARCH == "arm64" {
		arch = unix.AUDIT_ARCH_AARCH64
	}
	nrs := slices.Sorted(maps.Keys(kinds))
	f := []unix.SockFilter{
		{Code: unix.BPF_LD | unix.BPF_W | unix.BPF_ABS, K: 4},
		{Code: unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K, K: arch, Jt: 1},
		{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_ALLOW},
		{Code: unix.BPF_LD | unix.BPF_W | unix.BPF_ABS, K: 0},
	}
	for i, nr := range nrs {
		f = append(f, unix.SockFilter{Code: unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K, K: uint32(nr), Jt: uint8(len(nrs) - i)})
	}
	return append(f, unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_ALLOW},
		unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_USER_NOTIF})
}

// Listen has the kernel ask about each of this process's calls from now on, by the socket that
// Env names. It panics if that can't be.
func Listen(socket string) {
	fd, err := strconv.Atoi(socket)
	if err == nil {
		err = unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
	}
	if err != nil {
		panic(err)
	}
	f := filter()
	prog := unix.SockFprog{Len: uint16(len(f)), Filter: &f[0]}
	listener, _, errno := syscall.RawSyscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER,
		unix.SECCOMP_FILTER_FLAG_NEW_LISTENER|unix.SECCOMP_FILTER_FLAG_TSYNC|unix.SECCOMP_FILTER_FLAG_TSYNC_ESRCH|unix.SECCOMP_FILTER_FLAG_WAIT_KILLABLE_RECV,
		uintptr(unsafe.Pointer(&prog)))
	runtime.KeepAlive(f)
	if errno != 0 {
		panic(fmt.Errorf("seccomp: %w", errno))
	}
	if err := unix.Sendmsg(fd, []byte{1}, unix.UnixRights(int(listener)), nil, 0); err != nil {
		panic(err)
	}
	_ = unix.Close(int(listener))
	_ = unix.Close(fd)
}

// The layout of struct seccomp_notif and seccomp_notif_resp (seccomp_unotify(2)).
type asked struct {
	id    uint64
	pid   uint32
	flags uint32
	nr    int32
	arch  uint32
	at    uint64
	args  [6]uint64
}

type answered struct {
	id    uint64
	val   int64
	errno int32
	flags uint32
}

// Run runs a program that calls Listen, answers its calls about what lies below a folder (its
// true path) as fault says, and returns what its Wait does. fault is asked about one call at a
// time. If the program couldn't be listened to, the error matches ErrNoListener.
func Run(cmd *exec.Cmd, dir string, fault func(Call) Answer) error {
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return err
	}
	ours, theirs := pair[0], os.NewFile(uintptr(pair[1]), "socket")
	defer unix.Close(ours)
	cmd.ExtraFiles = append(cmd.ExtraFiles, theirs)
	cmd.Env = append(cmd.Env, fmt.Sprint(Env, "=", 2+len(cmd.ExtraFiles)))
	err = cmd.Start()
	_ = theirs.Close()
	if err != nil {
		return err
	}
	listener, err := receive(ours)
	if err != nil {
		_ = cmd.Process.Kill()
		return errors.Join(fmt.Errorf("%w: %w", ErrNoListener, err), cmd.Wait())
	}
	defer unix.Close(listener)
	served := make(chan error, 1)
	ended := make(chan struct{})
	go func() {
		served <- (&server{listener: listener, pid: cmd.Process.Pid, dir: dir, fault: fault, kill: cmd.Process.Kill}).serve(ended)
	}()
	err = cmd.Wait()
	close(ended)
	return errors.Join(err, <-served)
}

// ErrNoListener says that the kernel, or what runs above it, doesn't let calls be answered.
var ErrNoListener = errors.New("the program's calls can't be answered here")

func receive(socket int) (int, error) {
	b, oob := make([]byte, 1), make([]byte, unix.CmsgSpace(4))
	n, oobn, _, _, err := unix.Recvmsg(socket, b, oob, unix.MSG_CMSG_CLOEXEC)
	if err != nil || n == 0 {
		return 0, errors.Join(err, io.ErrUnexpectedEOF)
	}
	ms, err := unix.ParseSocketControlMessage(oob[:oobn])
	if err != nil || len(ms) != 1 {
		return 0, errors.Join(err, errors.New("no listener came"))
	}
	fds, err := unix.ParseUnixRights(&ms[0])
	if err != nil {
		return 0, err
	}
	return fds[0], nil
}

type server struct {
	listener, pid int
	dir           string
	n             int
	fault         func(Call) Answer
	kill          func() error
	mem           *os.File
}

// serve answers until the program has ended.
func (s *server) serve(ended <-chan struct{}) error {
	var err error
	if s.mem, err = os.OpenFile(fmt.Sprintf("/proc/%d/mem", s.pid), os.O_RDWR, 0); err != nil {
		return errors.Join(err, s.kill())
	}
	defer s.mem.Close()
	for {
		p := []unix.PollFd{{Fd: int32(s.listener), Events: unix.POLLIN}}
		if _, err := unix.Poll(p, 1000); err != nil && err != unix.EINTR {
			return err
		}
		select {
		case <-ended:
			return nil
		default:
		}
		if p[0].Revents&unix.POLLIN == 0 {
			if p[0].Revents != 0 {
				<-ended
			}
			continue
		}
		var a asked
		if err := s.ioctl(unix.SECCOMP_IOCTL_NOTIF_RECV, unsafe.Pointer(&a)); err != nil {
			continue // it has ended meanwhile, or was interrupted
		}
		s.answer(a)
	}
}

func (s *server) ioctl(what uintptr, p unsafe.Pointer) error {
	if _, _, errno := syscall.Syscall(syscall.SYS_IOCTL, uintptr(s.listener), what, uintptr(p)); errno != 0 {
		return errno
	}
	return nil
}

// answer asks what becomes of a call, and has it so.
func (s *server) answer(a asked) {
	out := answered{id: a.id, flags: unix.SECCOMP_USER_NOTIF_FLAG_CONTINUE}
	if c, ok := s.call(a); ok {
		c.N = s.n
		s.n++
		x := s.fault(c)
		if x.Do != nil {
			x.Do()
		}
		switch {
		case x.Kill:
			_ = s.kill()
			return
		case x.Hangs:
			return
		case x.Err != 0:
			out.errno, out.flags = -int32(x.Err), 0
		case x.Change != nil || x.Most > 0:
			if n, errno, ok := s.part(a, c, x); ok {
				out.val, out.errno, out.flags = n, -int32(errno), 0
			}
		}
	}
	_ = s.ioctl(unix.SECCOMP_IOCTL_NOTIF_SEND, unsafe.Pointer(&out)) // it may be gone
}

// call says what a call is about; ok: something below the folder.
func (s *server) call(a asked) (c Call, ok bool) {
	k := kinds[int(a.nr)]
	c = Call{Name: k.name, Room: k.room, Changes: k.changes, Read: k.read}
	if c.Path, ok = s.place(a, k.fd, k.path); !ok {
		c.Path = ""
	}
	if k.fd2 >= 0 || k.path2 >= 0 {
		var both bool
		if c.Other, both = s.place(a, k.fd2, k.path2); !both {
			c.Other = ""
		}
		ok = ok || both
	}
	if strings.HasPrefix(k.name, "open") {
		flags := a.args[max(k.path, 0)+1]
		if k.name == "openat2" { // struct open_how begins with them
			b := make([]byte, 8)
			_, _ = s.mem.ReadAt(b, int64(flags))
			flags = *(*uint64)(unsafe.Pointer(&b[0]))
		}
		c.Room, c.Changes = flags&unix.O_CREAT != 0, flags&(unix.O_CREAT|unix.O_TRUNC) != 0
	}
	return c, ok
}

// place is the path that two arguments name, from the folder; ok: it lies below that.
func (s *server) place(a asked, fd, path int) (string, bool) {
	base := ""
	name := ""
	if path >= 0 {
		b := make([]byte, unix.PathMax)
		n, _ := s.mem.ReadAt(b[:min(len(b), 4096-int(a.args[path]%4096))], int64(a.args[path]))
		if i := bytes.IndexByte(b[:n], 0); i >= 0 {
			n = i
		} else { // it goes on in the next page
			more, _ := s.mem.ReadAt(b[n:], int64(a.args[path])+int64(n))
			n += max(bytes.IndexByte(b[n:n+more], 0), 0)
		}
		name = string(b[:n])
	}
	if !filepath.IsAbs(name) {
		link := fmt.Sprintf("/proc/%d/cwd", s.pid)
		if fd != here && int32(a.args[fd]) != unix.AT_FDCWD {
			link = fmt.Sprintf("/proc/%d/fd/%d", s.pid, int32(a.args[fd]))
		}
		to, err := os.Readlink(link)
		if err != nil {
			return "", false
		}
		base = strings.TrimSuffix(to, " (deleted)")
	}
	rel, ok := strings.CutPrefix(filepath.Join(base, name), s.dir)
	return strings.TrimPrefix(rel, "/"), ok && (rel == "" || rel[0] == '/')
}

// part does a read or a write in the program's place, by the same open file; ok: it was one.
func (s *server) part(a asked, c Call, x Answer) (n int64, errno syscall.Errno, ok bool) {
	at := c.Name == "pread64" || c.Name == "pwrite64"
	if !c.Read && c.Name != "write" && c.Name != "pwrite64" {
		return 0, 0, false
	}
	pidfd, err := unix.PidfdOpen(s.pid, 0)
	if err != nil {
		return 0, 0, false
	}
	defer unix.Close(pidfd)
	fd, err := unix.PidfdGetfd(pidfd, int(int32(a.args[0])), 0)
	if err != nil {
		return 0, 0, false
	}
	defer unix.Close(fd)
	size := int(min(a.args[2], 1<<20))
	if x.Most > 0 {
		size = min(size, x.Most)
	}
	// Direct I/O wants memory that lies on a border.
	room := make([]byte, 1<<20+4096)
	b := room[4096-int(uintptr(unsafe.Pointer(&room[0]))%4096):][:size]
	off := int64(a.args[3])
	if !at {
		if off, err = unix.Seek(fd, 0, io.SeekCurrent); err != nil {
			off = 0
		}
	}
	if !c.Read {
		_, _ = s.mem.ReadAt(b, int64(a.args[1]))
	}
	var m int
	switch c.Name {
	case "read":
		m, err = unix.Read(fd, b)
	case "pread64":
		m, err = unix.Pread(fd, b, off)
	case "write":
		m, err = unix.Write(fd, b)
	case "pwrite64":
		m, err = unix.Pwrite(fd, b, off)
	}
	if err != nil {
		errors.As(err, &errno)
		return 0, errno, true
	}
	if c.Read {
		if x.Change != nil {
			x.Change(b[:m], off)
		}
		_, _ = s.mem.WriteAt(b[:m], int64(a.args[1]))
	}
	return int64(m), 0, true
}
