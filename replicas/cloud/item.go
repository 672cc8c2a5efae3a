package cloud

import (
	"encoding/binary"
	"hash/fnv"
	"time"

	"firmus/fixity"
)

// Kind says what an Item is.
type Kind uint8

// Kinds of items. Only a Blob has bytes that can be read.
const (
	Blob     Kind = iota
	Dir           // holds other items
	Shortcut      // stands for another item: reported, never followed
	Native        // a document of the service's own, which has no bytes
)

// Item is one thing that a service keeps. It is comparable with ==.
type Item struct {
	ID      string
	Parent  string // id of the folder it lies in; "" if that can't be seen
	Drive   string // id of the shared drive it lies in; "" in an account's own drive
	Name    string // as the service has it: any characters, also a slash
	Kind    Kind
	Size    int64         // bytes; only of a Blob
	Sum     fixity.Digest // the strongest that the service recorded: SHA-256, else MD5; zero if it has none
	Basis   fixity.Basis  // by what the service reports it, where Sum alone doesn't say so: see By
	Version string        // changes whenever a Blob's bytes are exchanged; "" if the service has no such thing
	ModTime time.Time     // UTC; set by whoever wrote the file, so it proves nothing
	Created time.Time     // UTC
	Owner   string        // the account it belongs to; "" in a shared drive
	InBin   bool          // itself or a folder above it
	Binned  bool          // itself
	BinAt   time.Time     // when it was put there; zero if the service doesn't say
	GoneAt  time.Time     // when it will be deleted from there; zero if the service doesn't say
	BinDays int           // how long the service keeps what is put there; 0 if it doesn't say
	Kept    bool          // binned, and a version from before is kept where it lay
	Public  bool          // whoever has its link may read it, without an account; false too where the service doesn't say
	NoBytes bool          // a Blob whose bytes aren't given: its owner forbids it, or its Class is an archive's
	Class   string        // of storage, where it isn't the usual one
	Lock    string        // how the service keeps this version from being deleted: "compliance", "governance", or nothing that it says
	LockEnd time.Time     // of Lock
	Hold    bool          // a legal hold keeps it, without an end
	Closed  bool          // a Dir whose contents aren't shown to this account
	Hazy    string        // why nothing sure can be said of what has this name; "" nearly always
}

// By is by what the service reports a Blob.
func (it *Item) By() fixity.Basis {
	switch {
	case it.Basis != "":
		return it.Basis
	case it.Sum.IsZero():
		return fixity.BySign
	}
	return fixity.BasisOf(it.Sum.Algorithm)
}

// pin tells one state of a Blob from another: the item, and its version. Its Sum counts only
// where the service has no versions: a listing may lack one that is told of the item alone.
func (it *Item) pin() fixity.Pin {
	h := fnv.New64a()
	h.Write([]byte(it.Version))
	h.Write([]byte{0})
	if it.Version == "" {
		h.Write([]byte(it.Sum.Sum))
	}
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(it.Size)))
	p := fixity.Pin{Change: int64(h.Sum64())}
	h.Reset()
	h.Write([]byte(it.ID))
	p.Inode = h.Sum64()
	return p
}

// entry is what a listing shows of the item at path.
func (it *Item) entry(path string) fixity.Entry {
	e := fixity.Entry{Path: path, ModTime: it.ModTime}
	switch it.Kind {
	case Blob:
		e.Size, e.Pin, e.Reported, e.Basis = it.Size, it.pin(), it.Sum, it.By()
	case Shortcut:
		e.Type = fixity.Link
	default:
		e.Type = fixity.Special
	}
	return e
}
