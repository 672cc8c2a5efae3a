package fixity

import (
	"io"
	"strings"
	"time"
)

// Type says what lies at a path in a store.
type Type uint8

// What may lie at a path. Only a File is ever opened.
const (
	File    Type = iota
	Link         // a symbolic link or junction: reported, never followed
	Special      // a FIFO, socket or device: never opened
	Online       // a placeholder whose bytes are online only: never opened, not a copy
	LeftOut      // litter by the set's leave_out; a folder left out is one entry and isn't entered
)

// Entry is one thing that a store's listing shows.
type Entry struct {
	Path    string    // slash-separated, relative to the set's root; the medium's own bytes, so perhaps not UTF-8
	Size    int64     // bytes; 0 unless Type is File or Online
	ModTime time.Time // as the medium gives it
	Type    Type
	Pin     Pin // zero where the medium has none
	// Reported is the digest that the service which keeps the file recorded: the
	// strongest it has, zero if it has none. A medium has none.
	Reported Digest
	// Basis is by what the service reports the file, also where that is no digest; "" where no
	// service keeps it.
	Basis Basis
}

// Pin tells one state of a file from another during a read. The inode's number isn't kept
// in the ledger: on exFAT and on shares it changes at each mount.
type Pin struct {
	Inode  uint64
	Change int64 // the inode's change time, nanoseconds since 1970 UTC
}

// InodeAt is when the file's inode last changed, nanoseconds since 1970 UTC: it moves with
// each write and each replacement, also where size and time are put back. 0 where inodes
// don't stay the same from mount to mount, or the medium has none.
func (e Entry) InodeAt() int64 {
	if e.Pin.Inode == 0 {
		return 0
	}
	return e.Pin.Change
}

// Stray is an entry of what is under no one's care. A report on a weak basis would speak
// against files that it can't be held against.
func (e Entry) Stray() Entry {
	if e.Basis.Weak() {
		e.Reported = Digest{}
	}
	return e
}

// Identity is what a store's root says of itself.
type Identity struct {
	Holdings string // id of the holdings whose marker lies there; "" if there is no marker of this store
	Store    string // id of the store by that marker
	Set      string // name of the set by that marker
	Empty    bool   // nothing lies in the root but litter and markers
	Writable bool   // a marker could be written there
}

// Marked says that the root carries this store's marker.
func (i Identity) Marked() bool { return i.Store != "" }

// IsManifest says that a path is where Firmus keeps a manifest: in a set's root or
// in a first-level folder. It is no file under care, and what is written there is no news.
func IsManifest(path string) bool {
	dir, name, nested := strings.Cut(path, "/")
	if !nested {
		name = dir
	}
	alg, ok := strings.CutPrefix(name, "manifest-")
	if !ok || strings.Contains(name, "/") {
		return false
	}
	alg, ok = strings.CutSuffix(alg, ".txt")
	return ok && Algorithm(alg).Digest()
}

// Cache says how the operating system's page cache was treated during a read.
// The codes are stored: never change one.
type Cache string

// A read that may have been answered by the page cache isn't a read of the drive.
const (
	Bypassed Cache = "bypassed" // the bytes came past the cache
	Dropped  Cache = "dropped"  // what was cached of the file was thrown out first
	Unknown  Cache = "unknown"  // the system doesn't say (tmpfs, FUSE, macOS)
	Allowed  Cache = "allowed"  // the cache may have answered; never satisfies read_within
)

// Reader gives the bytes of one entry. It is pinned: when the file is no longer
// the one that was listed, Read returns an error that wraps ErrChanged instead of
// io.EOF, so a digest is never believed of a file that moved under it.
type Reader interface {
	io.ReadCloser
	// Cache says how the page cache was treated; it is final once Read has
	// returned io.EOF.
	Cache() Cache
}
