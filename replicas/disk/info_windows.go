package disk

import (
	"io/fs"
	"os"
	"syscall"
	"unsafe"

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

// pinOf is zero: what os tells of a file has neither its index nor its change time. While
// a file is read, size and modification time tell two states apart.
func pinOf(fs.FileInfo) fixity.Pin { return fixity.Pin{} }

// pinIn asks the file itself, by its name in the open folder in, for its index and for when
// it was last changed ("FILE_BASIC_INFO", Microsoft): NTFS keeps both. It is opened for its
// attributes alone, as it lies there: that fetches nothing, and nobody is kept from it.
func pinIn(in *os.File, fi fs.FileInfo, steady bool) fixity.Pin {
	if !steady {
		return fixity.Pin{}
	}
	name, err := windows.NewNTUnicodeString(fi.Name())
	if err != nil {
		return fixity.Pin{}
	}
	oa := &windows.OBJECT_ATTRIBUTES{RootDirectory: windows.Handle(in.Fd()), ObjectName: name}
	oa.Length = uint32(unsafe.Sizeof(*oa))
	var h windows.Handle
	if windows.NtCreateFile(&h, windows.FILE_READ_ATTRIBUTES|windows.SYNCHRONIZE, oa, new(windows.IO_STATUS_BLOCK), nil, 0,
		windows.FILE_SHARE_READ|windows.FILE_SHARE_WRITE|windows.FILE_SHARE_DELETE, windows.FILE_OPEN,
		windows.FILE_OPEN_REPARSE_POINT|windows.FILE_SYNCHRONOUS_IO_NONALERT, 0, 0) != nil {
		return fixity.Pin{}
	}
	defer windows.CloseHandle(h)
	var id windows.ByHandleFileInformation
	var basic struct {
		created, accessed, written, changed windows.Filetime
		attributes, _                       uint32
	}
	if windows.GetFileInformationByHandle(h, &id) != nil ||
		windows.GetFileInformationByHandleEx(h, windows.FileBasicInfo, (*byte)(unsafe.Pointer(&basic)), uint32(unsafe.Sizeof(basic))) != nil ||
		basic.changed == (windows.Filetime{}) {
		return fixity.Pin{}
	}
	return fixity.Pin{Inode: uint64(id.FileIndexHigh)<<32 | uint64(id.FileIndexLow), Change: basic.changed.Nanoseconds()}
}

// steadyInodes is true of NTFS on a drive of this computer. FAT and exFAT make indexes up
// and keep no change time, and of a server nobody knows.
func steadyInodes(f *os.File) bool {
	var name [windows.MAX_PATH + 1]uint16
	if remoteVolume(f.Name()) || windows.GetVolumeInformationByHandle(windows.Handle(f.Fd()), nil, 0, nil, nil, nil, &name[0], uint32(len(name))) != nil {
		return false
	}
	return windows.UTF16ToString(name[:]) == "NTFS"
}

// deviceGone is never needed: Windows gives an error of its own then.
func deviceGone(fs.FileInfo) bool { return false }

// remote is told apart by Windows's error numbers already.
func remote(source, error) bool { return false }
