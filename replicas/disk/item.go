package disk

import (
	"io/fs"
	"os"
	"slices"
	"strings"

	"firmus/fixity"
)

// item is one name in a folder.
type item struct {
	entry  fixity.Entry
	folder bool // to be entered; entry has only its path then
}

// key orders items so that the paths below them come out in byte order.
func (i item) key() string {
	if i.folder {
		return i.entry.Path + "/"
	}
	return i.entry.Path
}

// look makes an item of what Lstat says of path, a name in the open folder in; inodes says
// that the file system's numbers are steady.
func (d *Dir) look(path string, fi fs.FileInfo, in *os.File, inodes bool) item {
	e := fixity.Entry{Path: path}
	isDir := fi.IsDir()
	if d.leftOut(path, isDir) {
		e.Type = fixity.LeftOut
		e.ModTime = fi.ModTime()
		return item{entry: e}
	}
	if isDir {
		return item{entry: e, folder: true}
	}
	e.Type = typeOf(fi)
	e.ModTime = fi.ModTime()
	if e.Type == fixity.File || e.Type == fixity.Online {
		e.Size = fi.Size()
		e.Pin = pinIn(in, fi, inodes)
		if !inodes {
			e.Pin.Inode = 0
		}
	}
	return item{entry: e}
}

// leftOut says that path is litter. The folder in which a file system's check
// puts what it found is nobody's, and usually can't be entered.
func (d *Dir) leftOut(path string, isDir bool) bool {
	return isDir && path == "lost+found" || d.o.LeaveOut != nil && d.o.LeaveOut(path, isDir)
}

// folder reads all names in r, the folder at prefix ("" or with a slash at its
// end), in the order of their keys. What can't be seen goes to unseen; the rest
// is given all the same.
func (d *Dir) folder(r *os.Root, prefix string) (items []item, unseen []unseenPath) {
	f, err := r.Open(".")
	if err != nil {
		return nil, []unseenPath{{prefix, mapErr(err)}}
	}
	defer f.Close()
	inodes := steadyInodes(f)
	names, err := f.Readdirnames(-1)
	if err != nil && !gone(err) {
		unseen = append(unseen, unseenPath{prefix, mapErr(err)})
	}
	// Names in order are entries in order, or nearly so: folders are the exception.
	slices.Sort(names)
	look, folders := looker(r, f), false
	items = make([]item, 0, len(names))
	for _, name := range names {
		if strings.HasPrefix(name, ownPrefix) {
			continue
		}
		fi, err := look(name)
		if err != nil {
			if !gone(err) { // it went since the names were read
				unseen = append(unseen, unseenPath{prefix + name, mapErr(err)})
			}
			continue
		}
		it := d.look(prefix+name, fi, f, inodes)
		folders = folders || it.folder
		items = append(items, it)
	}
	if folders {
		slices.SortFunc(items, func(a, b item) int { return compareKeys(a, b) })
	}
	return items, unseen
}

// compareKeys is strings.Compare of the keys, without making them.
func compareKeys(a, b item) int {
	p, q := a.entry.Path, b.entry.Path
	n := min(len(p), len(q))
	if c := strings.Compare(p[:n], q[:n]); c != 0 || len(p) == len(q) {
		return c
	}
	return strings.Compare(a.key()[n:], b.key()[n:])
}

type unseenPath struct {
	path string
	err  error
}
