// Package discfs holds what is the same in every file system of a data disc: a
// tree of files, where each of their bytes lies, and which file or structure a
// sector belongs to. Packages iso and udf fill it from an image.
//
// A disc is a row of sectors of 2048 bytes, counted from 0 by their logical block
// address (ECMA-130, section 14; ECMA-119, section 6.1). All is read through an
// io.ReaderAt, so an image file and a drive are the same.
//
// Directories are not entries: what is under care on a disc are files.
package discfs

import (
	"time"

	"firmus/fixity"
)

// SectorSize is the bytes of user data in a sector of a data disc.
const SectorSize = 2048

// View names one directory tree of a disc. A disc often has several, which show
// the same files by other names. The codes are stored: never change one.
type View string

// The views that are known, the most faithful to what was burned first.
const (
	RockRidge View = "rock-ridge" // ISO 9660 with the names and kinds of a Unix file system
	UDF       View = "udf"
	Joliet    View = "joliet"  // ISO 9660 with names in UCS-2, cut at 64 to 110 characters
	Plain     View = "iso9660" // upper case, few characters, short
)

// Hole as an extent's LBA says that its bytes were never recorded: they are zeros.
const Hole = -1

// Extent is a run of a file's bytes on the disc.
type Extent struct {
	LBA   int64 // first sector, or Hole
	Skip  int64 // bytes before it in that sector, 0 to 2047
	Bytes int64
}

// Blocks is the number of sectors that the extent touches, 0 for a hole.
func (e Extent) Blocks() int64 {
	if e.LBA == Hole || e.Bytes == 0 {
		return 0
	}
	return (e.Skip + e.Bytes + SectorSize - 1) / SectorSize
}

// File is one file, link or special file of a tree.
type File struct {
	Path    string      // slash-separated; names as the view decodes them, so perhaps not UTF-8
	Type    fixity.Type // File, Link or Special
	Size    int64       // bytes; 0 unless Type is File
	ModTime time.Time   // UTC; zero if none is recorded
	Extents []Extent    // in the order of the file's bytes; they add up to Size
}
