package manifest

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Reason is why there is a warning. The codes name the rows of Reasons.
type Reason string

// Reasons of warnings.
const (
	Star           Reason = "star"
	DotSlash       Reason = "dot-slash"
	Escaped        Reason = "escaped"
	Tagged         Reason = "tagged"
	DigestOnly     Reason = "digest-only"
	Comment        Reason = "comment"
	NotALine       Reason = "not-a-line"
	BlankLine      Reason = "blank-line"
	Blanks         Reason = "blanks"
	Backslash      Reason = "backslash"
	BareMark       Reason = "bare-percent"
	OldCoding      Reason = "percent-coding"
	MarkOrBreak    Reason = "percent-or-break"
	ByteOrder      Reason = "byte-order-mark"
	Recoded        Reason = "text-encoding"
	RawName        Reason = "raw-name"
	Normalisation  Reason = "normalisation"
	Case           Reason = "case"
	Clash          Reason = "twin"
	OwnManifest    Reason = "own-manifest"
	LeftOut        Reason = "left-out"
	NotFollowed    Reason = "not-followed"
	ListName       Reason = "list-name"
	NotInRFC       Reason = "not-in-rfc"
	LeadsOut       Reason = "leads-out"
	NotThere       Reason = "not-there"
	NamedTwice     Reason = "named-twice"
	Ambiguous      Reason = "ambiguous"
	NotCovered     Reason = "not-covered"
	ListsDiffer    Reason = "lists-differ"
	OtherAlgorithm Reason = "other-algorithms"
	Spelling       Reason = "spelling"
	Repeated       Reason = "repeated"
	Value          Reason = "value"
	EmptyFolder    Reason = "empty-folder"
	WindowsName    Reason = "windows-name"
	LengthDiffers  Reason = "length"
	OutOfReach     Reason = "not-read"
)

// ReasonTerm says what a reason means.
type ReasonTerm struct {
	Reason Reason
	Each   bool // told for each file or line; else once a list, with the first line and a count
	Means  string
}

// Reasons is every reason of a warning with what it means.
var Reasons = []ReasonTerm{
	{Star, false, `a "*" stands before the path, as checksum programs write it; RFC 8493 doesn't have it`},
	{DotSlash, false, `a "./" stands before the path and was passed over`},
	{Escaped, false, `the line begins with "\", a form of checksum programs: \\, \n and \r in the name stand for one character each`},
	{Tagged, false, `the line has the form "ALGORITHM (name) = digest" of checksum programs`},
	{DigestOnly, false, `the line is a digest alone; it was taken for that of the file that the list is named after`},
	{Comment, false, `a comment was passed over`},
	{NotALine, false, `the line can't be read as a digest and a name and was passed over`},
	{BlankLine, false, `an empty line was passed over`},
	{Blanks, true, `blanks before the name were taken for part of the separator, since no file has them in its name`},
	{Backslash, true, `"\" in the path was taken for "/", since no file has it in its name`},
	{BareMark, true, `a % in the path isn't coded as %25`},
	{OldCoding, true, `the path's percent-coding isn't that of the list's version; the file was found by the other reading`},
	{MarkOrBreak, true, `the name holds a %, CR or LF; these are percent-coded, and checksum programs don't find the file`},
	{ByteOrder, false, `the list begins with a byte order mark, which was passed over`},
	{Recoded, false, `the list is in UTF-16 and was read as such`},
	{RawName, true, `the name's bytes as they stand in the list, not in the declared encoding, are those of the file`},
	{Normalisation, true, `the name in the list and the file's name differ in Unicode normalisation only`},
	{Case, true, `the name in the list and the file's name differ in case only`},
	{Clash, true, `two names in one folder differ only by case or Unicode normalisation; other systems can't hold both`},
	{OwnManifest, true, `the folder below has a manifest of its own, which was not verified; its unlisted files were not judged`},
	{LeftOut, false, `left out as litter and not judged`},
	{NotFollowed, true, `a link, special file or placeholder lies there; it was not opened and is covered by no list`},
	{ListName, true, `the list's name isn't spelled as RFC 8493, section 2.4 asks`},
	{NotInRFC, false, `the algorithm is an extra that RFC 8493 doesn't name; other programs may not read this list`},
	{LeadsOut, true, `the path leads out of the folder; it was not opened`},
	{NotThere, true, `the list names a file that isn't there`},
	{NamedTwice, true, `the list names the file more than once`},
	{Ambiguous, false, `the digest's length fits more than one algorithm; SHA-256 was taken`},
	{NotCovered, true, `no tag manifest names the file, so nothing shows that it is whole`},
	{ListsDiffer, true, `the tag manifests don't name the same files`},
	{OtherAlgorithm, true, `tag manifests and payload manifests are not of the same algorithms`},
	{Spelling, true, `the label isn't spelled as RFC 8493 has it`},
	{Repeated, true, `the label should not be there more than once`},
	{Value, true, `the value hasn't the form that RFC 8493 asks of it`},
	{EmptyFolder, true, `an empty folder: a bag holds files only, so it isn't carried over`},
	{WindowsName, true, `Windows can't hold a file of this name`},
	{LengthDiffers, true, `the length in fetch.txt isn't the file's`},
	{OutOfReach, true, `the list could not be read`},
}

// Warning is something that a person should know and that makes nothing invalid.
type Warning struct {
	Reason Reason
	File   string // the list or file it is about; "" for the folder as a whole
	Line   int    // counted from 1; 0 if no line is to be named
	Path   string // the path that the line names, where that isn't File
	Detail string // more about this one case; may be empty
	More   int    // as many again, which are not told one by one
}

// String is the warning as one sentence that names file, line and reason.
func (w Warning) String() string {
	var b strings.Builder
	if w.File != "" {
		b.WriteString(show(w.File))
		if w.Line > 0 {
			fmt.Fprintf(&b, ", line %d", w.Line)
		}
	}
	if w.Path != "" && w.Path != w.File {
		if b.Len() > 0 {
			b.WriteString(", ")
		}
		b.WriteString(strconv.Quote(w.Path))
	}
	if w.More > 0 {
		fmt.Fprintf(&b, " (and %d more)", w.More)
	}
	if b.Len() > 0 {
		b.WriteString(": ")
	}
	i := slices.IndexFunc(Reasons, func(t ReasonTerm) bool { return t.Reason == w.Reason })
	if i >= 0 {
		b.WriteString(Reasons[i].Means)
	} else {
		b.WriteString(string(w.Reason))
	}
	if w.Detail != "" {
		b.WriteString(": " + w.Detail)
	}
	return strings.ToValidUTF8(b.String(), "\uFFFD")
}

// show quotes a name where it could be misread in a sentence.
func show(name string) string {
	q := strconv.Quote(name)
	if q == `"`+name+`"` && !strings.ContainsAny(name, " ,:") {
		return name
	}
	return q
}

// MaxTold is how many warnings of one reason about one list are told one by one;
// the rest are counted in the last one's More.
const MaxTold = 100

// Warnings gathers warnings so that a list of a million odd lines gives a few.
// The zero Warnings is ready for use; not safe for concurrent use.
type Warnings struct {
	told map[[2]string][]*Warning
	all  []*Warning
}

// Add takes w in. A reason that isn't told for each case is kept once a file,
// with its first line.
func (g *Warnings) Add(w Warning) {
	if g.told == nil {
		g.told = map[[2]string][]*Warning{}
	}
	limit := 1
	for _, t := range Reasons {
		if t.Reason == w.Reason && t.Each {
			limit = MaxTold
		}
	}
	key := [2]string{string(w.Reason), w.File}
	if w.Line == 0 && limit > 1 {
		key[1] = "" // the file is what the warning is about, not a list
	}
	had := g.told[key]
	if len(had) < limit {
		g.told[key] = append(had, &w)
		g.all = append(g.all, &w)
		return
	}
	last := had[len(had)-1]
	more := last.More + 1
	if limit == 1 && w.Line < last.Line {
		*last = w
	}
	last.More = more
}

// List is what was gathered, ordered by file, line and path; never nil.
func (g *Warnings) List() []Warning {
	out := make([]Warning, 0, len(g.all))
	for _, w := range g.all {
		out = append(out, *w)
	}
	slices.SortStableFunc(out, func(a, b Warning) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Path, b.Path), cmp.Compare(a.Reason, b.Reason))
	})
	return out
}
