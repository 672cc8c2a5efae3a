package powercut

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// calls are the system calls that change files, and those that tell which file a number is of.
const calls = "open,openat,creat,close,dup,dup2,dup3,fcntl,lseek,write,pwrite64,writev,pwritev,pwritev2,copy_file_range,sendfile,splice," +
	"truncate,ftruncate,fallocate,fsync,fdatasync,sync,syncfs,msync,rename,renameat,renameat2,link,linkat,unlink,unlinkat,rmdir,mkdir,mkdirat,symlink,symlinkat," +
	"utimensat,utimes,utime,futimesat,chdir,fchdir,execve,execveat,openat2,io_uring_enter"

// Record runs a program in a folder, under strace, and gives what it did below it. The folder
// holds files and folders only. It is an error if the program did something that isn't
// understood: in the end the folder must hold, byte for byte, what the trace says.
// err is an *exec.ExitError if the program failed.
func Record(dir string, cmd *exec.Cmd) (*Trace, error) {
	dir, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return nil, err
	}
	t, err := begin(dir)
	if err != nil {
		return nil, err
	}
	log, err := os.CreateTemp("", "powercut-*.strace")
	if err != nil {
		return nil, err
	}
	log.Close()
	defer os.Remove(log.Name())
	strace, err := exec.LookPath("strace")
	if err != nil {
		return nil, err
	}
	under := *cmd
	under.Path = strace
	under.Args = append([]string{"strace", "-f", "-qq", "--seccomp-bpf", "-ttt", "-xx", "-s", "67108864", "-o", log.Name(), "-e", "trace=" + calls, "-e", "signal=none", cmd.Path}, cmd.Args[1:]...)
	ran := under.Run()
	var failed *exec.ExitError
	if ran != nil && !errors.As(ran, &failed) {
		return nil, ran
	}
	text, err := os.ReadFile(log.Name())
	if err != nil {
		return nil, err
	}
	cwd := cmd.Dir
	if cwd == "" {
		if cwd, err = os.Getwd(); err != nil {
			return nil, err
		}
	}
	r := &reading{t: t, cwd: cwd, fds: map[int]*opened{}, half: map[string]half{}}
	for line := range strings.Lines(string(text)) {
		if err := r.line(strings.TrimSuffix(line, "\n")); err != nil {
			return nil, fmt.Errorf("%w, in %.300s", err, line)
		}
	}
	if err := t.check(); err != nil {
		return nil, err
	}
	return t, ran
}

// opened is an open file or folder; two numbers may be of one.
type opened struct {
	node   int // -1: it lies elsewhere
	path   string
	pos    int64
	append bool
}

// half is a call that has begun; strace writes it in two lines if others come between.
type half struct {
	text  string
	steps int
}

type reading struct {
	t     *Trace
	cwd   string
	fds   map[int]*opened
	half  map[string]half
	execs int
	at    time.Time
}

var (
	lineForm = regexp.MustCompile(`^(\d+) +(\d+)\.(\d+) (.*)$`)
	resumed  = regexp.MustCompile(`^<\.\.\. \w+ resumed>(.*)$`)
	callForm = regexp.MustCompile(`^(\w+)\((.*)\) += (-?\d+|0x[0-9a-f]+|\?)(.*)$`)
)

// line takes one line of the log.
func (r *reading) line(line string) error {
	m := lineForm.FindStringSubmatch(line)
	if m == nil {
		return errors.New("a line of another form")
	}
	sec, _ := strconv.ParseInt(m[2], 10, 64)
	micro, _ := strconv.ParseInt(m[3], 10, 64)
	r.at = time.Unix(sec, micro*1000)
	text, from := m[4], len(r.t.ops)
	if strings.HasPrefix(text, "+++") || strings.HasPrefix(text, "---") {
		return nil
	}
	if strings.HasPrefix(text, "???(") { // the thread was ended with its program before strace could see which call it began
		return nil
	}
	if begun, ok := strings.CutSuffix(text, "<unfinished ...>"); ok {
		r.half[m[1]] = half{strings.TrimSuffix(begun, " "), from}
		if strings.HasPrefix(begun, "close(") { // the number is free from here on
			if n, err := strconv.Atoi(strings.Trim(begun[len("close("):], " )")); err == nil {
				delete(r.fds, n)
			}
		}
		return nil
	}
	if x := resumed.FindStringSubmatch(text); x != nil {
		h, ok := r.half[m[1]]
		if !ok {
			return errors.New("a call went on that hadn't begun")
		}
		delete(r.half, m[1])
		text, from = h.text+x[1], h.steps
		if strings.HasPrefix(text, "close(") {
			return nil
		}
	}
	c := callForm.FindStringSubmatch(text)
	if c == nil {
		return errors.New("no call")
	}
	result, err := strconv.ParseInt(c[3], 0, 64)
	if err != nil || result < 0 { // it failed, or the program has ended
		return nil
	}
	return r.call(c[1], arguments(c[2]), result, from)
}

// arguments splits what stands between the brackets of a call.
func arguments(s string) (out []string) {
	depth, quoted, from := 0, false, 0
	for i := range len(s) {
		switch b := s[i]; {
		case b == '"':
			quoted = !quoted // quotes in a text are \x22
		case quoted:
		case strings.IndexByte("[{(", b) >= 0:
			depth++
		case strings.IndexByte("]})", b) >= 0:
			depth--
		case b == ',' && depth == 0:
			out = append(out, strings.TrimSpace(s[from:i]))
			from = i + 1
		}
	}
	return append(out, strings.TrimSpace(s[from:]))
}

// text is what a text of a call says.
func text(arg string) []byte {
	arg = strings.Trim(arg, `"`)
	out, err := hex.DecodeString(strings.ReplaceAll(arg, `\x`, ""))
	if err != nil {
		panic(fmt.Sprintf("no text: %.100s", arg))
	}
	return out
}

func number(arg string) int64 {
	n, err := strconv.ParseInt(arg, 0, 64)
	if err != nil {
		panic(err)
	}
	return n
}

// call takes a call that succeeded. from is how many steps there were when it began.
func (r *reading) call(call string, a []string, result int64, from int) error {
	t := r.t
	file := func(arg string) *opened { return r.fds[int(number(arg))] }
	// What is written to SQLite's -shm is worth nothing after a cut, and most of it goes there
	// through memory.
	ours := func(o *opened) bool { return o != nil && o.node >= 0 && !strings.HasSuffix(o.path, "-shm") }
	switch call {
	case "execve", "execveat":
		if r.execs++; r.execs > 1 {
			return errors.New("it starts another program")
		}
	case "open", "creat", "openat", "openat2":
		dir, path, flags, mode := "AT_FDCWD", a[0], "", ""
		switch call {
		case "creat":
			flags, mode = "O_WRONLY|O_CREAT|O_TRUNC", a[1]
		case "open":
			flags, mode = a[1], strings.Join(a[2:], "")
		case "openat":
			dir, path, flags, mode = a[0], a[1], a[2], strings.Join(a[3:], "")
		default:
			return errors.New("it isn't understood")
		}
		return r.open(dir, path, flags, mode, int(result))
	case "close":
		delete(r.fds, int(number(a[0])))
	case "dup", "dup2", "dup3":
		r.fds[int(result)] = file(a[0])
	case "fcntl":
		if strings.HasPrefix(a[1], "F_DUPFD") {
			r.fds[int(result)] = file(a[0])
		}
	case "lseek":
		if o := file(a[0]); o != nil {
			o.pos = result
		}
	case "write", "pwrite64":
		o := file(a[0])
		if !ours(o) {
			return nil
		}
		off := o.pos
		switch {
		case call == "pwrite64":
			off = number(a[3])
		case o.append:
			off = int64(len(t.nodes[o.node].now))
		}
		if call == "write" {
			o.pos = off + result
		}
		data := text(a[1])
		if int64(len(data)) < result {
			return errors.New("not all that was written is in the log")
		}
		r.write(o, off, data[:result])
	case "copy_file_range", "sendfile":
		in, into, plain := file(a[1]), file(a[0]), a[2] == "NULL"
		if call == "copy_file_range" {
			in, into, plain = file(a[0]), file(a[2]), a[1] == "NULL" && a[3] == "NULL"
		}
		if !ours(into) {
			return nil
		}
		if !plain {
			return errors.New("it isn't understood")
		}
		if result == 0 {
			return nil
		}
		if !ours(in) || in.pos+result > int64(len(t.nodes[in.node].now)) {
			return errors.New("bytes are copied from elsewhere")
		}
		r.write(into, into.pos, bytes.Clone(t.nodes[in.node].now[in.pos:in.pos+result]))
		in.pos, into.pos = in.pos+result, into.pos+result
	case "ftruncate":
		if o := file(a[0]); ours(o) {
			t.add(op{kind: truncates, node: o.node, size: number(a[1]), at: r.at, said: fmt.Sprintf("truncate %s to %s", o.path, a[1])})
		}
	case "fsync", "fdatasync":
		if o := file(a[0]); ours(o) {
			t.add(op{kind: flushes, node: o.node, from: from, said: "flush " + o.path})
		}
	case "sync", "syncfs":
		for n := range t.nodes {
			t.add(op{kind: flushes, node: n, from: from, said: "flush all"})
		}
	case "mkdir", "mkdirat":
		if call == "mkdir" {
			a = append([]string{"AT_FDCWD"}, a...)
		}
		at, path, err := r.place(a[0], a[1])
		if err != nil || at == nil {
			return err
		}
		mode, _ := strconv.ParseUint(a[2], 8, 32)
		t.nodes = append(t.nodes, node{folder: true, mode: fs.FileMode(mode).Perm(), called: path})
		t.add(op{kind: renames, at: r.at, sets: []set{{*at, len(t.nodes) - 1}}, said: "make folder " + path})
	case "unlink", "unlinkat", "rmdir":
		if call != "unlinkat" {
			a = append([]string{"AT_FDCWD"}, a...)
		}
		at, path, err := r.place(a[0], a[1])
		if err != nil || at == nil {
			return err
		}
		t.add(op{kind: renames, at: r.at, sets: []set{{*at, -1}}, said: "remove " + path})
	case "rename", "renameat", "renameat2", "link", "linkat":
		if call == "rename" || call == "link" {
			a = []string{"AT_FDCWD", a[0], "AT_FDCWD", a[1]}
		}
		old, was, err := r.place(a[0], a[1])
		if err != nil {
			return err
		}
		fresh, is, err := r.place(a[2], a[3])
		if err != nil || old == nil && fresh == nil {
			return err
		}
		if old == nil || fresh == nil {
			return errors.New("a name is moved out of the folder, or into it")
		}
		if len(a) > 4 && strings.Contains(a[4], "RENAME_EXCHANGE") {
			return errors.New("it isn't understood")
		}
		n, ok := t.now[*old]
		if !ok {
			return fmt.Errorf("nothing is known of %s", was)
		}
		o := op{kind: renames, at: r.at, sets: []set{{*fresh, n}}, said: fmt.Sprintf("second name %s of %s", is, was)}
		if call[0] == 'r' {
			o.sets, o.said = append(o.sets, set{*old, -1}), fmt.Sprintf("rename %s to %s", was, is)
		}
		t.add(o)
	case "utimensat":
		var n int
		if a[1] == "NULL" {
			o := file(a[0])
			if !ours(o) {
				return nil
			}
			n = o.node
		} else {
			at, path, err := r.place(a[0], a[1])
			if err != nil || at == nil {
				return err
			}
			var ok bool
			if n, ok = t.now[*at]; !ok {
				return fmt.Errorf("nothing is known of %s", path)
			}
		}
		if m := regexp.MustCompile(`^\[.*\{tv_sec=(\d+), tv_nsec=(\d+)\}[^{]*\]$`).FindStringSubmatch(a[2]); m != nil {
			t.add(op{kind: times, node: n, at: time.Unix(number(m[1]), number(m[2])), said: "time of " + t.nodes[n].called})
		}
	case "fallocate", "truncate", "writev", "pwritev", "pwritev2", "splice", "msync", "symlink", "symlinkat", "utimes", "utime", "futimesat", "chdir", "fchdir", "io_uring_enter":
		if strings.HasPrefix(call, "writev") || strings.HasPrefix(call, "pwritev") || call == "fallocate" {
			if !ours(file(a[0])) {
				return nil
			}
		}
		return errors.New("it isn't understood")
	}
	return nil
}

func (r *reading) write(o *opened, off int64, data []byte) {
	r.t.add(op{kind: writes, node: o.node, off: off, data: data, at: r.at, said: fmt.Sprintf("write %d bytes at %d of %s", len(data), off, o.path)})
}

// open notes what a number is of from now on, and the file if it was made.
func (r *reading) open(dir, path, flags, mode string, fd int) error {
	r.fds[fd] = &opened{node: -1}
	at, where, err := r.place(dir, path)
	if err != nil || at == nil {
		return err
	}
	t, has := r.t, func(f string) bool { return slices.Contains(strings.Split(flags, "|"), f) }
	n, there := t.now[*at]
	if at.name == "" {
		n, there = at.folder, true
	}
	if !there {
		if !has("O_CREAT") {
			return fmt.Errorf("%s wasn't known", where)
		}
		bits, _ := strconv.ParseUint(mode, 8, 32)
		n = len(t.nodes)
		t.nodes = append(t.nodes, node{mode: fs.FileMode(bits).Perm(), at: r.at, called: where})
		t.add(op{kind: renames, at: r.at, sets: []set{{*at, n}}, said: "make " + where})
	} else if has("O_TRUNC") && len(t.nodes[n].now) > 0 {
		t.add(op{kind: truncates, node: n, at: r.at, said: "empty " + where})
	}
	r.fds[fd] = &opened{node: n, path: where, append: has("O_APPEND")}
	return nil
}

// place is the name that a path of a call is; nil if it isn't in the folder. An empty name is
// the folder itself.
func (r *reading) place(dir, arg string) (*name, string, error) {
	path := string(text(arg))
	folder, prefix := 0, ""
	if filepath.IsAbs(path) || dir == "AT_FDCWD" {
		if !filepath.IsAbs(path) {
			path = filepath.Join(r.cwd, path)
		}
		rel, err := filepath.Rel(r.t.Dir, filepath.Clean(path))
		if err != nil || rel == ".." || strings.HasPrefix(rel, "../") {
			return nil, "", nil
		}
		path = rel
	} else {
		o := r.fds[int(number(dir))]
		if o == nil || o.node < 0 {
			return nil, "", nil
		}
		folder, prefix = o.node, o.path
		if path = filepath.Clean(path); path == ".." || strings.HasPrefix(path, "../") {
			return nil, "", errors.New("a path goes up")
		}
	}
	if path == "." {
		return &name{folder, ""}, prefix, nil
	}
	parts := strings.Split(path, "/")
	for i, p := range parts {
		if i == len(parts)-1 {
			return &name{folder, p}, strings.TrimPrefix(prefix+"/"+path, "/"), nil
		}
		n, ok := r.t.now[name{folder, p}]
		if !ok {
			return nil, "", fmt.Errorf("folder %s of %s wasn't known", p, path)
		}
		folder = n
	}
	return nil, "", nil
}

// check holds what lies in the folder against what the trace says.
func (t *Trace) check() error {
	s := State{t: t, after: len(t.ops), fates: map[int]fate{}}
	paths, done := s.tree()
	seen := 0
	err := filepath.WalkDir(t.Dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || p == t.Dir {
			return err
		}
		rel := strings.TrimPrefix(p, t.Dir+"/")
		n, ok := paths[rel]
		if !ok || t.nodes[n].folder != d.IsDir() {
			return fmt.Errorf("%s isn't in the trace", rel)
		}
		seen++
		if d.IsDir() || strings.HasSuffix(rel, "-shm") {
			return nil
		}
		b, err := os.ReadFile(p)
		if err == nil && !bytes.Equal(b, s.file(n, done[n]).data) {
			err = fmt.Errorf("%s holds something else than the trace says", rel)
		}
		return err
	})
	if err == nil && seen != len(paths) {
		err = fmt.Errorf("%d names lie there, and the trace has %d", seen, len(paths))
	}
	return err
}
