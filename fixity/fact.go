package fixity

import (
	"encoding/base64"
	"encoding/json"
	"strings"
	"time"
	"unicode/utf8"
)

// FactKind says what a Fact tells. Stored: never change one.
type FactKind string

// What readings showed of a copy.
const (
	SameWrong    FactKind = "same-wrong"    // At: two readings past the cache that agree on bytes of no known version; Cache
	Held         FactKind = "held"          // Bytes and Date of the file as it was read; For: its sound, if it is known
	SignKept     FactKind = "sign-kept"     // size and date of the file are as before
	ReadingsVary FactKind = "readings-vary" // At: two readings that disagree; Cache
	OneFailed    FactKind = "one-failed"    // At: two readings, of which one failed
	NotGiven     FactKind = "not-given"     // At: two tries; Said: what the system or the service answered
	ThenOthers   FactKind = "then-others"   // At: three readings, of which the third gave other bytes
	FirstOther   FactKind = "first-other"   // At: the reading that the version was made of, then two that agree on other bytes; Cache
	HoldsVersion FactKind = "holds-version" // At: one reading; Version
	NoSave       FactKind = "no-save"       // it was saved inside its editing window, and what follows is lost
	Lacks        FactKind = "lacks"         // Code: a flaw; Note; Bytes: lacking; For: silent in all; Stretch
	Shorter      FactKind = "shorter"       // For: how long the sound is now; Was
	NeverRight   FactKind = "never-right"   // the store was never shown to hold a version
	ServiceRight FactKind = "service-right" // the service goes on reporting the right digest
	ServiceOther FactKind = "service-other" // the service itself reports another digest
	ServiceFewer FactKind = "service-fewer" // and fewer bytes
)

// What a listing showed, or a second look.
const (
	NotShown   FactKind = "not-shown"   // a complete listing doesn't show it
	Instead    FactKind = "instead"     // Code: a Type, or the service's own kind, of what lies in its place
	InBin      FactKind = "in-bin"      // At: since when; Until; Count: days after which it is deleted; Code "folder": with a folder above it; "version": an earlier version is kept in its place
	MovedTo    FactKind = "moved-to"    // Places, or none: out of the folder; Said: its name there
	NotVisible FactKind = "not-visible" // deleted, or no longer shared
	StillThere FactKind = "still-there" // a second listing shows it
	PastTerm   FactKind = "past-term"   // not as it should be for longer than the store's promise
)

// What is known of a place where a file may lie, or of something under no one's care.
const (
	BytesRight   FactKind = "bytes-right"   // At: read where it lies
	SaidRight    FactKind = "said-right"    // the service reports the right digest of what lies there; it will be read
	LooksRight   FactKind = "looks-right"   // by size, time and name; it will be read
	NotReadThere FactKind = "not-read"      // At: it could not be read where it lies
	OtherBytes   FactKind = "other-bytes"   // a file of the same size, time and name holds other bytes
	SaidOnly     FactKind = "said-only"     // Places: the service reports the right digest there; At: other bytes were read
	NameFits     FactKind = "name-fits"     // Places: the first of Of files that it may be by its name; Count: so may things at so many other places
	NameTaken    FactKind = "name-taken"    // Places: the file that it is once more by its name
	MayLieAt     FactKind = "may-lie-at"    // Places: the first of Of where it may lie, by its name
	StraySince   FactKind = "stray-since"   // Bytes; At: first seen
	Exchanged    FactKind = "exchanged"     // Set, Places: the file whose bytes these are, and which has this one's
	BytesOf      FactKind = "bytes-of"      // Set, Places: the file whose bytes these are
	PutBackFrom  FactKind = "put-back-from" // Store: that gave the bytes, "" of what was moved back; Said: the file whose bytes these are, if it is another one; Code: Merged; Places: where what lay there is kept
	InStep       FactKind = "in-step"       // Store: the same befell one that is kept in step with it
	Compared     FactKind = "compared"      // Store: an intact copy, read beside it; Bytes differ; Bits
	SoundSame    FactKind = "sound-same"    // the sound is the same, sample for sample
	StoresDiffer FactKind = "stores-differ" // Store, Other: hold different bytes since the file was first seen
	ListDiffers  FactKind = "list-differs"  // Said: a list of checksums; Store: whose bytes have another digest
)

// Why a root could not be reached. Set, and Root: where it was looked for.
const (
	RootFails   FactKind = "root-fails"   // Said: what the system or the service answered
	SignedOut   FactKind = "signed-out"   // Said; the sign-in doesn't work any more
	NoFolder    FactKind = "no-folder"    // no folder lies at its path. Code: WasThere, OnlyOne, or neither
	NoMarker    FactKind = "no-marker"    // the store's marker is gone. Other: the store whose marker lies there, and which is not at its own place
	Nothing     FactKind = "nothing"      // nothing lies there
	NoneKnown   FactKind = "none-known"   // none of the expected files lies there
	FewKnown    FactKind = "few-known"    // too few of the known files lie there with their size
	OnlyMarker  FactKind = "only-marker"  // Count: files that are expected
	Emptied     FactKind = "emptied"      // Count: likewise, in a folder that a service keeps
	OtherSet    FactKind = "other-set"    // Said: the set that its marker names
	OtherStore  FactKind = "other-store"  // its marker is of another store
	OtherOwner  FactKind = "other-owner"  // Said: the holdings that its marker names
	OtherFolder FactKind = "other-folder" // the service's folder is another one than before
)

// Codes of a NoFolder. Stored: never change one.
const (
	WasThere = "was-there" // one lay there before
	OnlyOne  = "only-one"  // as long as it lacks, only one store holds the set
)

// AllOthers is the code of a ColumnTorn: the columns were sorted by themselves, and all others
// stayed.
const AllOthers = "all-others"

// Merged is the code of a PutBackFrom: the good blocks of several copies were joined.
const Merged = "merged"

// What else findings tell.
const (
	ListFails     FactKind = "list-fails"     // Said: a manifest can't be read
	ListLarge     FactKind = "list-large"     // Bytes: too many for a manifest of ours
	LineWrong     FactKind = "line-wrong"     // Count: the line; Places: the file of which no version has its digest
	LineForeign   FactKind = "line-foreign"   // Count: the line; Places: what isn't under care
	OnDisc        FactKind = "on-disc"        // Disc, Drive ("": an image), At; Said; Sectors, the first of Of places
	DiscSectors   FactKind = "disc-sectors"   // Count of Of can't be read, Before of the file system
	DiscVersion   FactKind = "disc-version"   // a file on it is all of version Version, and is registered with version Of
	DiscDiffers   FactKind = "disc-differs"   // sectors were read well, and are not what was burned
	DiscLost      FactKind = "disc-lost"      // the drive lost its place
	DiscOrder     FactKind = "disc-order"     // what was burned, in another order
	DiscElse      FactKind = "disc-else"      // another disc; Said: those whose contents it has
	DiscLevel     FactKind = "disc-level"     // the recording, so many thousandths of a dB louder: Count
	DiscDirectory FactKind = "disc-directory" // Said: what is wrong; Code: whose names were read
	Retries       FactKind = "retries"        // Count of Of sectors at At[0]; Before at At[1]
	CaseOnly      FactKind = "case-only"      // Count of names in Store differ from those in Set in case only; Places: one there, its own
	ByDigest      FactKind = "by-digest"      // Count of files of Set were found in Store by their digest; Places likewise
	Public        FactKind = "public"         // Count restricted files of Set in Store can be read by whoever has a link; Places: the first folders that they lie in
	NotNow        FactKind = "not-now"        // Count files of Set in Store are due, and can't be read before a person has them brought back; Places: one of them
	SuchAs        FactKind = "such-as"        // Set, Places: one of the files that it is about
	Superseded    FactKind = "superseded"     // Version: took the place of one that wasn't whole
	RowSays       FactKind = "row-says"       // Set: the sheet; Count: the line; Code: the column; Said: the sentence that an earlier version of Firmus kept
	RowTells      FactKind = "row-tells"      // Set: the sheet; Count: the line; Code: the column; Said: a telling of package register, and its values
	RegisterFails FactKind = "register-fails" // Root: the file; Code: why; Set: sheet, Count: row; Said: what is wrong, and the column (earlier versions: all in one sentence); Version, Date: in force
	ColumnTorn    FactKind = "column-torn"    // Said: the columns; Count of Of rows; Code AllOthers; Version: before it; Before: a row
	ColumnFilled  FactKind = "column-filled"  // Said: the column, the value; Before: the first row; Of: the last; Count; Version: before it
	AsTold        FactKind = "as-told"        // Said: the sentence that an earlier version of Firmus kept
)

// Fact is one thing that a finding tells besides its verdict. Which fields it has
// depends on its kind; the others are zero. It holds no sentence of ours: what stands in
// Said is a name, or the words of a system, a service or a person.
type Fact struct {
	Is      FactKind      `json:"is"`
	At      []time.Time   `json:"at,omitempty"` // UTC; of readings in their order
	Until   time.Time     `json:"until,omitzero"`
	Date    time.Time     `json:"date,omitzero"` // of a file; UTC
	Cache   Cache         `json:"cache,omitempty"`
	Store   string        `json:"store,omitempty"`
	Other   string        `json:"other,omitempty"` // another store
	Set     string        `json:"set,omitempty"`
	Root    string        `json:"root,omitempty"`
	Places  []Path        `json:"places,omitempty"` // in the set
	Disc    string        `json:"disc,omitempty"`
	Drive   string        `json:"drive,omitempty"`
	Version int64         `json:"version,omitempty"`
	Count   int64         `json:"count,omitempty"`
	Of      int64         `json:"of,omitempty"`
	Before  int64         `json:"before,omitempty"`
	Bytes   int64         `json:"bytes,omitempty"`
	Bits    int64         `json:"bits,omitempty"`
	For     time.Duration `json:"for,omitempty"` // nanoseconds
	Was     time.Duration `json:"was,omitempty"`
	Stretch time.Duration `json:"stretch,omitempty"`
	Code    string        `json:"code,omitempty"` // of a closed set that its kind names
	Note    string        `json:"note,omitempty"` // code of a note on sound
	Sectors []Sectors     `json:"sectors,omitempty"`
	Said    []string      `json:"said,omitempty"`
}

// Sectors is a row of sectors of a disc.
type Sectors struct {
	LBA   int64  `json:"lba"`
	Count int64  `json:"count"`
	Track int    `json:"track,omitempty"`
	Time  string `json:"time,omitempty"` // within the track
}

// Path is a path as facts hold it: its bytes are kept also where they are no UTF-8.
type Path string

// MarshalJSON gives a text; what is no UTF-8 stands behind a NUL in base64.
func (p Path) MarshalJSON() ([]byte, error) {
	s := string(p)
	if !utf8.ValidString(s) || strings.HasPrefix(s, "\x00") {
		s = "\x00" + base64.StdEncoding.EncodeToString([]byte(s))
	}
	return json.Marshal(s)
}

// UnmarshalJSON reads back what MarshalJSON gives.
func (p *Path) UnmarshalJSON(b []byte) error {
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return err
	}
	if b64, ok := strings.CutPrefix(s, "\x00"); ok {
		exact, err := base64.StdEncoding.DecodeString(b64)
		if err != nil {
			return err
		}
		s = string(exact)
	}
	*p = Path(s)
	return nil
}

// Facts are what a finding tells besides its verdict. They are stored as JSON under
// these names: never change one.
type Facts struct {
	// Wrong are the bytes of no known version that were seen there last, by their BLAKE3.
	Wrong string `json:"wrong,omitempty"`
	// IntactAt is when the copy was last known to be intact before; zero if that isn't known.
	IntactAt time.Time `json:"intact_at,omitzero"`
	// WrongWay is the store whose wrong bytes of the same file these are, if this copy was
	// intact once and the two stores are independent: a damaged copy may have been copied
	// over a good one. "" if nothing says so.
	WrongWay string `json:"wrong_way,omitempty"`
	// SameBytes are copies of other files that have the version's bytes and are intact, where
	// no copy of the file itself is.
	SameBytes []SameBytes `json:"same_bytes,omitempty"`
	// Seen is how it was seen, in the order in which it was found out.
	Seen []Fact `json:"seen,omitempty"`
}

// SameBytes is a copy of another file under care, of which the bytes are those of a version.
type SameBytes struct {
	Set   string `json:"set"`
	Path  Path   `json:"path"` // the other file's
	Store string `json:"store"`
	Disc  string `json:"disc,omitempty"` // as people call it
}

// Tells says that one of the facts is of one of the kinds.
func (f Facts) Tells(kinds ...FactKind) bool {
	_, ok := f.Find(kinds...)
	return ok
}

// Find is the first fact of one of the kinds.
func (f Facts) Find(kinds ...FactKind) (Fact, bool) {
	for _, x := range f.Seen {
		for _, k := range kinds {
			if x.Is == k {
				return x, true
			}
		}
	}
	return Fact{}, false
}

// Instants are times as facts hold them, in UTC.
func Instants(ts ...time.Time) []time.Time {
	for i := range ts {
		ts[i] = ts[i].UTC()
	}
	return ts
}

// Told is the fact that a sentence was kept, for one that an earlier version of Firmus
// wrote; none for "".
func Told(sentence string) []Fact {
	if sentence == "" {
		return nil
	}
	return []Fact{{Is: AsTold, Said: []string{sentence}}}
}
