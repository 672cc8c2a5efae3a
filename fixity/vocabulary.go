package fixity

// State is what is known of a file in a store. The codes are stored: never change one.
type State string

// States of a file in a store.
const (
	Intact     State = "intact"
	Awaited    State = "awaited"
	Behind     State = "behind"
	Editing    State = "editing"
	Altered    State = "altered"
	Missing    State = "missing"
	Misplaced  State = "misplaced"
	Unreadable State = "unreadable"
	Unsteady   State = "unsteady"
	Disputed   State = "disputed"
	Unexpected State = "unexpected"
)

// Damaged says that a reading showed other bytes than it should have, or none.
func (s State) Damaged() bool {
	return s == Altered || s == Unreadable || s == Unsteady || s == Disputed
}

// Kind is what a finding says: a State for a file, or one of Away, Late and Few
// for a whole store. Stored: never change one.
type Kind string

// Kinds of a finding about a whole store, two about a disc, and one about a version of a
// file, whatever state its copies are in.
const (
	Away   Kind = "away"   // could not be reached when expected
	Late   Kind = "late"   // the promise "read within" is broken
	Few    Kind = "few"    // files with fewer independent copies than the rule asks
	Fading Kind = "fading" // a disc whose sectors need many more tries than before
	// WrongDirectory: the directory of a disc is damaged or names files wrongly, and their
	// bytes are as burned.
	WrongDirectory Kind = "wrong-directory"

	Unfinished Kind = "unfinished" // not a whole recording when it was first looked at: every copy is a copy of that
)

// Anatomy says how a file's bytes differ from its version's. Stored: never change one.
type Anatomy string

// Anatomies of an altered file.
const (
	CutShort        Anatomy = "cut-short"        // a beginning of the version and nothing else
	Grown           Anatomy = "grown"            // all of the version, and more behind it
	Zeroed          Anatomy = "zeroed"           // whole stretches hold zeros instead
	Flipped         Anatomy = "flipped"          // same length, a few places differ
	Replaced        Anatomy = "replaced"         // hardly anything of the version is left
	DescriptionOnly Anatomy = "description-only" // the sound is the version's, the description in the file isn't
)

// Urgency says how soon a person should act. Stored: never change one.
type Urgency string

// Urgencies, the most urgent first.
const (
	NoneIntact Urgency = "none-intact" // no intact full-quality copy is known
	AtRisk     Urgency = "at-risk"     // a copy is bad or lacking and an intact one is known
	Tidy       Urgency = "tidy"
)

// Level orders urgencies: 3 for NoneIntact, 2 for AtRisk, 1 for Tidy, else 0.
func (u Urgency) Level() int {
	switch u {
	case NoneIntact:
		return 3
	case AtRisk:
		return 2
	case Tidy:
		return 1
	}
	return 0
}

// Subject says what a finding is about. Stored: never change one.
type Subject string

// Subjects of findings.
const (
	OfFile     Subject = "file"
	OfStray    Subject = "stray"    // something under no one's care
	OfManifest Subject = "manifest" // a manifest that contradicts the ledger
	OfStore    Subject = "store"
	OfDisc     Subject = "disc" // a disc as a whole
)

// Strength is how strong a piece of evidence is. Stored: never change one.
type Strength string

// The two strengths of evidence; they are never mixed.
const (
	Reported Strength = "reported" // the service's own recorded digest
	Read     Strength = "read"     // every byte was read here
)

// Role is what a set holds. Stored: never change one.
type Role string

// Roles of sets.
const (
	Master Role = "master" // frozen: any change is a finding
	Access Role = "access" // has an editing window
)

// Settled says how a finding ended; empty while it is open. Stored: never change one.
type Settled string

// Ways a finding ends.
const (
	ByPerson    Settled = "by-person"    // settled with a reason
	SignedOff   Settled = "signed-off"   // the change was accepted
	IntactAgain Settled = "intact-again" // an audit showed it as it should be
	Overtaken   Settled = "overtaken"    // its subject was retired, or is no longer there
	PutBack     Settled = "put-back"     // recovered and read back
)

// Verb names an event of the record. Stored: never change one.
type Verb string

// Verbs of events: acts, findings' turns, slices.
const (
	LedgerBegun     Verb = "ledger-begun"
	LedgerRebuilt   Verb = "ledger-rebuilt"
	LedgerStated    Verb = "ledger-stated"   // all that the ledger held was put into the record
	KeyMade         Verb = "key-made"        // a key signs checkpoints from now on; its public half stands in the event
	LedgerRestored  Verb = "ledger-restored" // it was brought back from a backup
	TakenIn         Verb = "taken-in"
	Adopted         Verb = "store-adopted"
	Audited         Verb = "audited" // a slice: files were read
	AuditConcluded  Verb = "audit-concluded"
	FindingOpened   Verb = "finding-opened"
	FindingChanged  Verb = "finding-changed"
	FindingRaised   Verb = "finding-raised" // its urgency rose
	FindingSettled  Verb = "finding-settled"
	VersionSigned   Verb = "signed-off"
	VersionKept     Verb = "version-kept" // of a dispute: the present version is the right one
	Saved           Verb = "saved"        // a save inside the editing window
	Finished        Verb = "finished"
	Renamed         Verb = "renamed"
	Retired         Verb = "retired"
	ReplacedBy      Verb = "replaced-by" // another file took its place with the same samples
	StoreReplaced   Verb = "store-replaced"
	StoreRetired    Verb = "store-retired"
	ManifestWritten Verb = "manifest-written"
	ReceivedFrom    Verb = "received"      // files were copied from a recorder's stick
	MayBeErased     Verb = "may-be-erased" // all that is on the source now is held in two independent stores
	ReceivedHeld    Verb = "received-held" // all that was received is, but nobody has looked at the source again
	DiscAdded       Verb = "disc-added"
	DiscChecked     Verb = "disc-checked"
	DiscDecided     Verb = "disc-decided" // one decision for all discs that are changed alike
	DiscRetired     Verb = "disc-retired"
)

// Outcome is what one reading of one file gave. Stored: never change one.
type Outcome string

// Outcomes of a reading.
const (
	ReadIntact     Outcome = "intact"     // the version it should hold
	ReadEarlier    Outcome = "earlier"    // an earlier known version
	ReadDiffers    Outcome = "differs"    // bytes of no known version, twice the same
	ReadUnsteady   Outcome = "unsteady"   // two readings disagree
	ReadUnreadable Outcome = "unreadable" // the medium won't give the bytes
)

// DiscVerdict is what a check of a disc came to. Stored: never change one.
type DiscVerdict string

// Verdicts of disc checks.
const (
	DiscIntact       DiscVerdict = "intact"       // every file, or every sample that can be compared, is what was burned
	DiscUnreadable   DiscVerdict = "unreadable"   // so is all that was read; some sectors weren't
	DiscAltered      DiscVerdict = "altered"      // something was read well and is another thing
	DiscUnsteady     DiscVerdict = "unsteady"     // the drive lost its place: to be read again
	DiscReordered    DiscVerdict = "reordered"    // the same sound in another order
	DiscChanged      DiscVerdict = "changed"      // the same recording with other samples: level, resampling, dither
	DiscAlike        DiscVerdict = "alike"        // the same recording, as far as weaker evidence says
	DiscOther        DiscVerdict = "other"        // another disc than the one that was meant
	DiscMissing      DiscVerdict = "missing"      // a file that was burned isn't on it
	DiscSaysNothing  DiscVerdict = "says-nothing" // there is no sound to compare
	DiscBaseline     DiscVerdict = "baseline"     // a first reading, with nothing older to hold it against
	DiscUnregistered DiscVerdict = "unregistered" // it isn't known which disc it is
	DiscNotCompared  DiscVerdict = "not-compared" // every sector was read; no copy of what was burned is within reach
)

// Term is one word of the stored vocabulary.
type Term struct{ Group, Code, Means string }

// Vocabulary is every code that is stored or shown, with what it means. A test
// compares it with the constants above, the migrations and the JSON golden files.
var Vocabulary = []Term{
	{"state", "intact", "holds the version it should"},
	{"state", "awaited", "not yet there since it was taken in"},
	{"state", "behind", "holds an earlier known version"},
	{"state", "editing", "an access file inside its editing window"},
	{"state", "altered", "holds bytes of no known version"},
	{"state", "missing", "was there, and a complete listing doesn't show it"},
	{"state", "misplaced", "its bytes are there, under another name or place"},
	{"state", "unreadable", "the medium won't give the bytes"},
	{"state", "unsteady", "two readings disagree"},
	{"state", "disputed", "stores disagreed at intake"},
	{"state", "unexpected", "there, and under no one's care"},
	{"kind", "away", "could not be reached when expected"},
	{"kind", "late", "a promise \"read within\" is broken"},
	{"kind", "few", "files with fewer independent copies than the rule asks"},
	{"kind", "fading", "many more sectors than before need several tries"},
	{"kind", "wrong-directory", "its directory is damaged or names files wrongly; their bytes are as burned"},
	{"kind", "unfinished", "not a whole recording when it was first looked at"},
	{"anatomy", "cut-short", "the beginning is right, the rest is gone"},
	{"anatomy", "grown", "all of it is there, and more behind it"},
	{"anatomy", "zeroed", "whole stretches hold zeros instead"},
	{"anatomy", "flipped", "same length, a few places differ"},
	{"anatomy", "replaced", "it holds other contents now"},
	{"anatomy", "description-only", "the sound itself is right, the description in the file differs"},
	{"urgency", "none-intact", "no intact copy known"},
	{"urgency", "at-risk", "at risk"},
	{"urgency", "tidy", "to tidy"},
	{"subject", "file", "one file in one store"},
	{"subject", "stray", "something under no one's care"},
	{"subject", "manifest", "a manifest"},
	{"subject", "store", "a whole store"},
	{"subject", "disc", "a whole disc"},
	{"strength", "reported", "the service's own recorded digest agrees"},
	{"strength", "read", "every byte was read"},
	{"cache", "bypassed", "read past the page cache"},
	{"cache", "dropped", "the page cache was emptied of it first"},
	{"cache", "unknown", "the system doesn't say whether the page cache answered"},
	{"cache", "allowed", "the page cache may have answered"},
	{"role", "master", "frozen: any change is a finding"},
	{"role", "access", "may be edited until finished"},
	{"settled", "by-person", "settled by a person"},
	{"settled", "signed-off", "the change was signed off"},
	{"settled", "intact-again", "found intact again"},
	{"settled", "overtaken", "its subject is gone"},
	{"settled", "put-back", "put back and read back"},
	{"verb", "ledger-begun", "the ledger was begun"},
	{"verb", "ledger-rebuilt", "the ledger was made anew from manifests and event files"},
	{"verb", "ledger-stated", "all that the ledger held was put into the record"},
	{"verb", "ledger-restored", "the ledger was brought back from a backup"},
	{"verb", "key-made", "a new key signs checkpoints"},
	{"verb", "taken-in", "files were taken under care"},
	{"verb", "store-adopted", "a folder became a store"},
	{"verb", "audited", "files were read"},
	{"verb", "audit-concluded", "an audit ended"},
	{"verb", "finding-opened", "a finding was opened"},
	{"verb", "finding-changed", "a finding changed its kind"},
	{"verb", "finding-raised", "a finding became more urgent"},
	{"verb", "finding-settled", "a finding was settled"},
	{"verb", "signed-off", "a change was signed off"},
	{"verb", "version-kept", "a dispute was decided for the present version"},
	{"verb", "saved", "a save inside the editing window"},
	{"verb", "finished", "an access file was declared finished"},
	{"verb", "renamed", "accepted as renamed"},
	{"verb", "retired", "retired on purpose"},
	{"verb", "replaced-by", "another file took its place with the same samples"},
	{"verb", "store-replaced", "a new drive became the store"},
	{"verb", "store-retired", "a store was retired"},
	{"verb", "manifest-written", "a manifest was written"},
	{"verb", "received", "files were copied from a recorder's stick"},
	{"verb", "received-held", "what was received is held in two independent stores; its source was not looked at again"},
	{"verb", "may-be-erased", "what was received may be erased at its source"},
	{"verb", "disc-added", "a disc was registered"},
	{"verb", "disc-checked", "a disc was read and compared"},
	{"verb", "disc-decided", "one decision for discs that are changed alike"},
	{"verb", "disc-retired", "a disc was retired"},
	{"phase", "list", "its folders are being listed"},
	{"phase", "listed", "listed, and waits for the rest"},
	{"phase", "prove", "what may be misplaced is being read"},
	{"phase", "proved", "read, and waits for the rest"},
	{"phase", "read", "what is due is being read"},
	{"phase", "done", "ended"},
	{"phase", "cut-off", "cut off before its end"},
	{"outcome", "intact", "holds the version it should"},
	{"outcome", "earlier", "holds an earlier known version"},
	{"outcome", "differs", "holds bytes of no known version"},
	{"outcome", "unsteady", "two readings disagree"},
	{"outcome", "unreadable", "the medium won't give the bytes"},
	{"disc", "intact", "all that can be compared is what was burned"},
	{"disc", "unreadable", "what was read is what was burned; some sectors can't be read"},
	{"disc", "altered", "something on it was read well and isn't what was burned"},
	{"disc", "unsteady", "the drive lost its place while reading: to be read again"},
	{"disc", "reordered", "what was burned, in another order"},
	{"disc", "changed", "the same recording, changed on the way: level, resampling or dither"},
	{"disc", "alike", "the same recording, as far as weaker evidence says"},
	{"disc", "other", "another disc"},
	{"disc", "missing", "a file that was burned isn't on it"},
	{"disc", "says-nothing", "there is no sound on it to compare"},
	{"disc", "baseline", "read for the first time; nothing older is known to hold it against"},
	{"disc", "unregistered", "it isn't known which disc this is"},
	{"disc", "not-compared", "read, but no copy of what was burned is within reach"},
}

// Means is the plain-language meaning of a code of a group, "" if there is none.
func Means(group, code string) string {
	for _, t := range Vocabulary {
		if t.Group == group && t.Code == code {
			return t.Means
		}
	}
	return ""
}
