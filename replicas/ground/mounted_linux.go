package ground

import (
	"bufio"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// mount is one line of /proc/self/mountinfo (proc_pid_mountinfo(5)).
type mount struct {
	device string // major:minor of the file system
	root   string // what of the file system is shown
	point  string // where
	kind   string // of the file system
	source string // what is mounted: a device, a share, a word
}

func mounts() []mount {
	f, err := os.Open("/proc/self/mountinfo")
	if err != nil {
		return nil
	}
	defer f.Close()
	var all []mount
	for s := bufio.NewScanner(f); s.Scan(); {
		left, right, ok := strings.Cut(s.Text(), " - ")
		l, r := strings.Fields(left), strings.Fields(right)
		if !ok || len(l) < 5 || len(r) < 2 {
			continue
		}
		all = append(all, mount{l[2], unescape(l[3]), unescape(l[4]), r[0], unescape(r[1])})
	}
	return all
}

// unescape undoes the octal escapes of blanks and backslashes.
func unescape(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+3 < len(s) {
			if n, err := strconv.ParseUint(s[i+1:i+4], 8, 8); err == nil {
				b.WriteByte(byte(n))
				i += 3
				continue
			}
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

// of finds the mount that a path lies on: the longest mount point above it, and of
// several at one point the newest.
func of(all []mount, path string) (mount, bool) {
	best, found := mount{}, false
	for _, m := range all {
		if below(path, m.point) && len(m.point) >= len(best.point) {
			best, found = m, true
		}
	}
	return best, found
}

// mounted says where a path lies inside its file system, and what is mounted below it.
func mounted(path string) (at inner, under []inner) {
	all := mounts()
	m, ok := of(all, path)
	if !ok {
		return inner{}, nil
	}
	rel, err := filepath.Rel(m.point, path)
	if err != nil {
		return inner{}, nil
	}
	for _, x := range all {
		if x.point != path && below(x.point, path) {
			under = append(under, inner{x.device, x.root})
		}
	}
	return inner{m.device, filepath.Join(m.root, rel)}, under
}

func resolve(path string) (string, error) { return filepath.EvalSymlinks(path) }
