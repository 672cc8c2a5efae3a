package burn

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"
)

var le, be = binary.LittleEndian, binary.BigEndian

// sectorBytes are those of a logical sector: ECMA-119, section 6.1.2.
const sectorBytes = 2048

// ErrTree: the files can't be recorded as they are named or nested.
var ErrTree = errors.New("no tree for a disc")

// Volume is what a data disc holds.
type Volume struct {
	Label string    // 1 to 16 capital letters, digits and low lines, so that each view has the same
	Made  time.Time // when it was burned
	Files []File
}

// File is one file of a volume.
type File struct {
	Path  string // slash-separated, below the disc's root; each name at most 255 bytes
	Bytes []byte
	Time  time.Time // of modification
}

// node is a file or a folder of the tree.
type node struct {
	name     string
	parent   *node // the root's is itself
	children []*node
	folder   bool
	file     File
	lba      int // of a file's bytes
	serial   uint32
}

// Data makes the image of a data disc. A file's bytes are in both views the same
// sectors; Rock Ridge has the names as they are given, Joliet those that UCS-2 can
// say, and in other letters those it can't (its specification, "Joliet Allowed
// Character Set Difference From ISO 9660").
//
// It gives ErrTree for a path that is none, for two files of one path, and for
// folders nested deeper than eight levels (ECMA-119, section 6.8.2.1).
func Data(v Volume) ([]byte, error) {
	if v.Label == "" || len(v.Label) > 16 || strings.Trim(v.Label, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_") != "" {
		return nil, fmt.Errorf("label %q: %w", v.Label, ErrTree)
	}
	root, err := tree(v)
	if err != nil {
		return nil, err
	}
	// Descriptors lie behind sixteen sectors that are the user's (ECMA-119, section
	// 6.2.1); then the path tables and folders of both views, then the files.
	const first = 16 + 3
	unix, joliet := newView(root, false), newView(root, true)
	at := joliet.place(unix.place(first))
	for f := range files(root) {
		if n := sectors(len(f.file.Bytes)); n > 0 {
			f.lba = at
			at += n
		}
	}
	b := make([]byte, at*sectorBytes)
	unix.describe(b[16*sectorBytes:], v, at)
	joliet.describe(b[17*sectorBytes:], v, at)
	end := b[18*sectorBytes:] // volume descriptor set terminator: section 8.3
	end[0], end[6] = 255, 1
	copy(end[1:], "CD001")
	unix.write(b)
	joliet.write(b)
	for f := range files(root) {
		copy(b[f.lba*sectorBytes:], f.file.Bytes)
	}
	return b, nil
}

func sectors(n int) int { return (n + sectorBytes - 1) / sectorBytes }

// tree makes the tree of a volume's files.
func tree(v Volume) (*node, error) {
	root := &node{folder: true, file: File{Time: v.Made}}
	root.parent = root
	byPath := map[string]*node{"": root}
	serial := uint32(1)
	root.serial = serial
	list := slices.SortedFunc(slices.Values(v.Files), func(a, b File) int { return cmp.Compare(a.Path, b.Path) })
	for _, f := range list {
		names := strings.Split(f.Path, "/")
		if len(names) > 8 { // the root is the first level
			return nil, fmt.Errorf("%q lies too deep: %w", f.Path, ErrTree)
		}
		in, path := root, ""
		for i, name := range names {
			if name == "" || name == "." || name == ".." || len(name) > 255 || strings.ContainsRune(name, 0) {
				return nil, fmt.Errorf("path %q: %w", f.Path, ErrTree)
			}
			path += "/" + name
			n, leaf := byPath[path], i == len(names)-1
			switch {
			case n != nil && (leaf || !n.folder):
				return nil, fmt.Errorf("%q is there twice: %w", f.Path, ErrTree)
			case n == nil:
				serial++
				n = &node{name: name, parent: in, folder: !leaf, serial: serial, file: File{Time: v.Made}}
				if leaf {
					n.file = f
				}
				in.children = append(in.children, n)
				byPath[path] = n
			}
			in = n
		}
	}
	return root, nil
}

// files are the tree's files, a folder's before those of the folders in it.
func files(n *node) iter.Seq[*node] {
	return func(yield func(*node) bool) {
		for _, c := range n.children {
			if !c.folder && !yield(c) {
				return
			}
		}
		for _, c := range n.children {
			if !c.folder {
				continue
			}
			for f := range files(c) {
				if !yield(f) {
					return
				}
			}
		}
	}
}

// both32 is a number in both byte orders: ECMA-119, section 7.3.3.
func both32(n uint32) []byte {
	return be.AppendUint32(le.AppendUint32(nil, n), n)
}

// both16: section 7.2.3.
func both16(n uint16) []byte {
	return be.AppendUint16(le.AppendUint16(nil, n), n)
}
