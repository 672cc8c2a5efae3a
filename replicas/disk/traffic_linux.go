package disk

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// traffic reads stat of the block device (the kernel's Documentation/block/stat.rst: the
// third and the seventh number are sectors of 512 bytes that were read and written), and
// proc_pid_io(5). The latter counts what is asked for, so it is ahead of the former by what
// is under way.
func traffic(id string) (all, ours int64, ok bool) {
	if major, minor, number := strings.Cut(id, ":"); !number || strings.Trim(major+minor, "0123456789") != "" {
		return 0, 0, false
	}
	b, err := os.ReadFile(filepath.Join(sysBlock, id, "stat"))
	f := strings.Fields(string(b))
	if err != nil || len(f) < 7 {
		return 0, 0, false
	}
	for _, x := range []string{f[2], f[6]} {
		n, err := strconv.ParseInt(x, 10, 64)
		if err != nil {
			return 0, 0, false
		}
		all += n * 512
	}
	if b, err = os.ReadFile("/proc/self/io"); err != nil {
		return 0, 0, false
	}
	for line := range strings.Lines(string(b)) {
		name, x, _ := strings.Cut(strings.TrimSpace(line), ": ")
		if name != "read_bytes" && name != "write_bytes" {
			continue
		}
		n, err := strconv.ParseInt(x, 10, 64)
		if err != nil {
			return 0, 0, false
		}
		ours += n
	}
	return all, ours, true
}
