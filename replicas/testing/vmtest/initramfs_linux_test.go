package vmtest_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// archive is a cpio of the "newc" kind, as the kernel takes it for its first file
// system (Documentation/driver-api/early-userspace/buffer-format.rst).
type archive struct {
	b     bytes.Buffer
	inode int
}

func (a *archive) add(name string, mode int, data []byte, major, minor int) {
	a.inode++
	fmt.Fprintf(&a.b, "070701%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%s\x00",
		a.inode, mode, 0, 0, 1, 0, len(data), 0, 0, major, minor, len(name)+1, 0, name)
	a.pad()
	a.b.Write(data)
	a.pad()
}

func (a *archive) pad() {
	for a.b.Len()%4 != 0 {
		a.b.WriteByte(0)
	}
}

// writeInitramfs writes one with init, the program and what else is named in dir, and the named
// modules with what they need, in the order in which they are to be loaded.
func writeInitramfs(t *testing.T, path, root, dir string, besides []string, modules ...string) {
	t.Helper()
	versions, _ := filepath.Glob(filepath.Join(root, "lib/modules/*"))
	list, err := os.ReadFile(filepath.Join(versions[0], "modules.dep"))
	if err != nil {
		t.Fatal(err)
	}
	name := func(p string) string {
		return strings.ReplaceAll(strings.TrimSuffix(filepath.Base(p), ".ko"), "-", "_")
	}
	file, needs := map[string]string{}, map[string][]string{}
	for line := range strings.Lines(string(list)) {
		f, deps, _ := strings.Cut(strings.TrimSpace(line), ":")
		file[name(f)], needs[name(f)] = f, strings.Fields(deps)
	}
	var order []string
	seen := map[string]bool{}
	var load func(m string)
	load = func(m string) {
		if seen[m] || file[m] == "" { // built in
			return
		}
		seen[m] = true
		for _, d := range needs[m] {
			load(name(d))
		}
		order = append(order, file[m])
	}
	for _, m := range modules {
		load(name(m))
	}
	if len(order) < len(modules)/2 {
		t.Fatalf("modules %v of %v", order, modules)
	}
	var a archive
	for _, d := range []string{"bin", "dev", "etc", "mnt", "proc", "sys", "tmp", "mod"} {
		a.add(d, 0o40755, nil, 0, 0)
	}
	a.add("dev/console", 0o20600, nil, 5, 1)
	a.add("etc/group", 0o100644, []byte("root:x:0:\ncdrom:x:24:\narchive:x:1000:\n"), 0, 0)
	a.add("etc/passwd", 0o100644, []byte("root:x:0:0::/:\narchivist:x:1000:1000::/tmp:\n"), 0, 0)
	read := func(p string) []byte {
		b, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	a.add("init", 0o100755, read(filepath.Join(dir, "init")), 0, 0)
	a.add("bin/firmus", 0o100755, read(filepath.Join(dir, "firmus")), 0, 0)
	for _, name := range besides {
		a.addTree(t, dir, name)
	}
	for i, m := range order {
		a.add(fmt.Sprintf("mod/%03d-%s", i, filepath.Base(m)), 0o100644, read(filepath.Join(versions[0], m)), 0, 0)
	}
	a.add("TRAILER!!!", 0, nil, 0, 0)
	if err := os.WriteFile(path, a.b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
}
