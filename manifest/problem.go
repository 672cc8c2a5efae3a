package manifest

import "firmus/fixity"

// Kind is the kind of a problem. The codes are shown to other programs: never
// change one.
type Kind string

// Kinds of problems. The first four are the states of package fixity.
const (
	Altered    = Kind(fixity.Altered)
	Missing    = Kind(fixity.Missing)
	Unexpected = Kind(fixity.Unexpected)
	Unreadable = Kind(fixity.Unreadable)

	Outside     Kind = "outside"
	Directory   Kind = "directory"
	Link        Kind = "link"
	Special     Kind = "special"
	Online      Kind = "online"
	BadLine     Kind = "line"
	ListedTwice Kind = "listed-twice"
	Unlisted    Kind = "unlisted"
	Forbidden   Kind = "forbidden"
	Unknown     Kind = "algorithm"
	NoManifest  Kind = "no-manifest"
	Declaration Kind = "declaration"
	Version     Kind = "version"
	Encoding    Kind = "encoding"
	Info        Kind = "info"
	Oxum        Kind = "oxum"
	Fetch       Kind = "fetch"
)

// KindTerm says what a kind means.
type KindTerm struct {
	Kind       Kind
	Incomplete bool   // such a problem means "not complete" as well as "not valid" (RFC 8493, section 3)
	Source     string // section of RFC 8493, "" if it is a rule of this package
	Means      string
}

// Kinds is every kind with what it means.
var Kinds = []KindTerm{
	{Altered, false, "3", "the bytes don't give the digest in the list"},
	{Missing, true, "3", "it is listed or must be there, and a complete listing doesn't show it"},
	{Unexpected, true, "3", "it is there and no list names it"},
	{Unreadable, false, "", "the medium won't give the bytes"},
	{Outside, true, "5.1", "the path leads out of the folder; it was not opened"},
	{Directory, true, "2.1.3", "a list names a folder; only files may be listed"},
	{Link, true, "", "a link lies there; links are never followed"},
	{Special, true, "", "a FIFO, socket or device lies there; such are never opened"},
	{Online, true, "", "a placeholder lies there whose bytes are online only; such are never opened"},
	{BadLine, true, "2.1.3", "a line of a list can't be read"},
	{ListedTwice, true, "2.1.3", "one list names the file more than once"},
	{Unlisted, true, "3", "a list that must name the file doesn't"},
	{Forbidden, true, "2.1.3, 2.2.1, 2.2.3", "a list names a file that it must not name"},
	{Unknown, true, "2.4", "the list's digest algorithm isn't known, so it can't be verified"},
	{NoManifest, true, "2.1.3", "no manifest is there"},
	{Declaration, true, "2.1.1", "bagit.txt isn't the two lines it must be"},
	{Version, true, "2.1.1", "the bag's version isn't known"},
	{Encoding, true, "2.1.1, 2.3", "a tag file isn't in the encoding that bagit.txt declares, or that isn't known"},
	{Info, true, "2.2.2", "an element of bag-info.txt isn't well formed"},
	{Oxum, true, "2.2.2", "Payload-Oxum doesn't fit the payload, or isn't well formed, or is there twice"},
	{Fetch, true, "2.2.3", "a line of fetch.txt isn't well formed, or names a file that no manifest names"},
}

// Incomplete says that a problem of kind k means "not complete".
func (k Kind) Incomplete() bool {
	for _, t := range Kinds {
		if t.Kind == k {
			return t.Incomplete
		}
	}
	return true
}

// Means is what kind k says in plain language, "" if there is no such kind.
func (k Kind) Means() string {
	for _, t := range Kinds {
		if t.Kind == k {
			return t.Means
		}
	}
	return ""
}

// Problem is one reason why a folder or bag isn't valid.
type Problem struct {
	Kind   Kind
	Path   string   // relative to the folder, the bytes as they are; the list's own name where the list is at fault
	Lists  []string // names of the lists that say so; empty if no list does
	Line   int      // in the first of Lists, counted from 1; 0 if no line is to be named
	Detail string   // more about it in plain language; may be empty
}
