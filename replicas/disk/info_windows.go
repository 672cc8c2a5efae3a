package disk

import (
	"io/fs"
	"os"
	"syscall"

	"firmus/fixity"

	"golang.org/x/sys/windows"
)

// online are the attributes of a file whose bytes would have to be fetched
// ("File Attribute Constants", Microsoft).
const online = windows.FILE_ATTRIBUTE_OFFLINE | windows.FILE_ATTRIBUTE_RECALL_ON_OPEN | windows.FILE_ATTRIBUTE_RECALL_ON_DATA_ACCESS

// typeOf sorts what isn't a folder. A reparse point that os doesn't know is a
// junction if it has a folder's attribute, else a file that a service's program
// keeps in step: its bytes are here unless an attribute says otherwise.
func typeOf(fi fs.FileInfo) fixity.Type {
	var attributes uint32
	if a, ok := fi.Sys().(*syscall.Win32FileAttributeData); ok {
		attributes = a.FileAttributes
	}
	switch m := fi.Mode(); {
	case m&fs.ModeSymlink != 0, attributes&windows.FILE_ATTRIBUTE_DIRECTORY != 0:
		return fixity.Link
	case m&(fs.ModeNamedPipe|fs.ModeSocket|fs.ModeDevice|fs.ModeCharDevice) != 0:
		return fixity.Special
	case attributes&online != 0:
		return fixity.Online
	}
	return fixity.File
}

// pinOf is zero: a listing doesn't give a file's index. Size and modification
// time tell two states apart.
func pinOf(fs.FileInfo) fixity.Pin { return fixity.Pin{} }

func steadyInodes(*os.File) bool { return false }

// deviceGone is never needed: Windows gives an error of its own then.
func deviceGone(fs.FileInfo) bool { return false }

// remote is told apart by Windows's error numbers already.
func remote(source, error) bool { return false }
