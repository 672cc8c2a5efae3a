package fixity

import "slices"

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

// Kinds of a finding about a whole store, three about a disc, and one about a version of a
// file, whatever state its copies are in.
const (
	Away   Kind = "away"   // could not be reached when expected
	Late   Kind = "late"   // the promise "read within" is broken
	TooFew Kind = "few"    // files with fewer independent copies than the rule asks
	Fading Kind = "fading" // a disc whose sectors need many more tries than before
	// WrongDirectory: the directory of a disc is damaged or names files wrongly, and their
	// bytes are as burned.
	WrongDirectory Kind = "wrong-directory"
	OtherDisc      Kind = "other-disc" // another disc lies where this one should

	Unfinished Kind = "unfinished" // not a whole recording when it was first looked at: every copy is a copy of that
)

// Kinds of a finding about the register. One about its rows has the kind of its rule, as
// package register names it.
const (
	NotRead    Kind = "not-read"    // it can't be read: the version before stays in force
	TornColumn Kind = "torn-column" // the values of a column stand in other rows than before
	FilledDown Kind = "filled-down" // many rows in a row took one value
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
	OfRegister Subject = "register"
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
	LedgerMoved     Verb = "ledger-moved"    // it goes on at another place, and ends here
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
	Outvoted        Verb = "outvoted"     // two readings that agree took the place of the only one that a version was made of
	Finished        Verb = "finished"
	Renamed         Verb = "renamed"
	Retired         Verb = "retired"
	ReplacedBy      Verb = "replaced-by"      // another file took its place with the same samples
	RecoveryOrdered Verb = "recovery-ordered" // a person ordered that a copy be put right; it is about to be
	Recovered       Verb = "recovered"        // it was put back, or in its place again; a reading is still to show it
	Drilled         Verb = "drilled"          // some copies of a store were brought back elsewhere, as a proof
	KeptRemoved     Verb = "kept-removed"     // what lay where a file was put back was removed
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
	DiscsDrawn      Verb = "discs-drawn" // by chance, to be read in a month
	AccountAdded    Verb = "account-added"
	AccountChanged  Verb = "account-changed" // another password or role
	AccountRemoved  Verb = "account-removed"
	RegisterKept    Verb = "register-kept" // it was read, and holds other rows than before
	ActForbidden    Verb = "act-forbidden" // somebody ordered on the pages what their role doesn't allow
	Proposed        Verb = "proposed"      // an act was ordered that a second person has to confirm
	ProposalEnded   Verb = "proposal-ended"
	LevelStated     Verb = "level-stated" // somebody stated a point of the preservation levels
	LevelWithdrawn  Verb = "level-withdrawn"
	HandedOver      Verb = "handed-over" // an item's files were put into a bag, for another archive
)

// ProposalEnd is how a proposal ended. Stored: never change one.
type ProposalEnd string

// How proposals end.
const (
	ProposalConfirmed ProposalEnd = "confirmed"  // a second person confirmed it, and it was done
	ProposalTakenBack ProposalEnd = "taken-back" // who made it took it back, or a second person refused it
	ProposalVoid      ProposalEnd = "void"       // what it was about has changed
)

// PersonRole is what a person may do on the pages. Stored: never change one.
type PersonRole string

// What people may do; each may all that those before it may.
const (
	Viewer     PersonRole = "viewer"     // look
	Technician PersonRole = "technician" // the work of the day
	Reviewer   PersonRole = "reviewer"   // decide
)

// PersonRoles are all, the least first.
var PersonRoles = []PersonRole{Viewer, Technician, Reviewer}

// May says that whoever has a may do what needs b.
func (a PersonRole) May(b PersonRole) bool {
	return slices.Contains(PersonRoles, a) && slices.Index(PersonRoles, a) >= slices.Index(PersonRoles, b)
}

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

// Proves says that a verdict shows a disc to be the one that it was held against.
func (v DiscVerdict) Proves() bool {
	switch v {
	case DiscIntact, DiscUnreadable, DiscAltered, DiscUnsteady, DiscReordered, DiscChanged, DiscAlike, DiscMissing:
		return true
	}
	return false
}

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
	{"state", "disputed", "stores hold different bytes, and nothing says which are right"},
	{"state", "unexpected", "there, and under no one's care"},
	{"kind", "away", "could not be reached when expected"},
	{"kind", "late", "a promise \"read within\" is broken"},
	{"kind", "few", "files with fewer independent copies than the rule asks"},
	{"kind", "fading", "many more sectors than before need several tries"},
	{"kind", "wrong-directory", "its directory is damaged or names files wrongly; their bytes are as burned"},
	{"kind", "other-disc", "another disc lies in its box, or has its number written on it"},
	{"kind", "unfinished", "not a whole recording when it was first looked at"},
	{"kind", "not-read", "the register can't be read; the last state that could be stays in force"},
	{"kind", "torn-column", "values of a column stand in other rows than before"},
	{"kind", "filled-down", "many rows in a row took one value"},
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
	{"subject", "register", "the archive's own register"},
	{"strength", "reported", "the service's own recorded digest agrees"},
	{"strength", "read", "every byte was read"},
	{"basis", "sha256", "a SHA-256 of the whole file"},
	{"basis", "md5", "an MD5 of the whole file"},
	{"basis", "crc64nvme", "a CRC-64NVME of the whole file"},
	{"basis", "crc32c", "a CRC-32C of the whole file"},
	{"basis", "crc32", "a CRC-32 of the whole file"},
	{"basis", "sha1", "a SHA-1 of the whole file"},
	{"basis", "joined", "a checksum of its parts, which Firmus works out from the whole file"},
	{"basis", "etag-parts", "an ETag that is made of the MD5s of the file's parts"},
	{"basis", "etag", "an ETag that is the file's MD5"},
	{"basis", "uploader", "a checksum that the uploading program gave"},
	{"basis", "other", "another checksum than the file should have"},
	{"basis", "not-yet", "a checksum that can be compared once the file is read again"},
	{"basis", "parts", "a checksum of parts whose sizes aren't known, which says nothing of the whole"},
	{"basis", "sign", "size and time alone"},
	{"bound", "", "it isn't known yet: more are being tried"},
	{"bound", "gain", "more hosts at once brought too little"},
	{"bound", "hosts", "no more hosts reach it"},
	{"bound", "refused", "with more hosts at once it asked to be left alone, or fell silent"},
	{"bound", "spindle", "its drive turns, so one host reads at a time"},
	{"cache", "bypassed", "from the drive itself"},
	{"cache", "dropped", "after the system's memory was emptied of it"},
	{"cache", "unknown", "the system doesn't say whether its memory answered in place of the drive"},
	{"cache", "allowed", "the system's memory may have answered in place of the drive"},
	{"role", "master", "frozen: any change is a finding"},
	{"role", "access", "may be edited until finished"},
	{"settled", "by-person", "settled"},
	{"settled", "signed-off", "signed off"},
	{"settled", "intact-again", "as it should be again"},
	{"settled", "overtaken", "no longer so"},
	{"settled", "put-back", "put back and read back"},
	{"verb", "ledger-begun", "the ledger was begun"},
	{"verb", "ledger-rebuilt", "the ledger was made anew from manifests and event files"},
	{"verb", "ledger-stated", "all that the ledger held was put into the record"},
	{"verb", "ledger-restored", "the ledger was brought back from a backup"},
	{"verb", "ledger-moved", "the ledger was moved to another place"},
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
	{"verb", "outvoted", "two readings that agree took the place of a first one that was wrong"},
	{"verb", "finished", "an access file was declared finished"},
	{"verb", "renamed", "accepted as renamed"},
	{"verb", "retired", "retired on purpose"},
	{"verb", "replaced-by", "another file took its place with the same samples"},
	{"verb", "recovery-ordered", "a person ordered a copy to be put right"},
	{"verb", "recovered", "a copy was put right"},
	{"verb", "drilled", "files were brought back from a store as a proof"},
	{"verb", "kept-removed", "a damaged file that was kept was removed"},
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
	{"verb", "discs-drawn", "discs were drawn by chance, to be read in a month"},
	{"verb", "account-added", "a person may open the pages from now on"},
	{"verb", "account-changed", "a person's password or role was changed"},
	{"verb", "account-removed", "a person may not open the pages any more"},
	{"verb", "register-kept", "the register was read, and differs from what it was"},
	{"verb", "act-forbidden", "somebody ordered what their role doesn't allow"},
	{"verb", "proposed", "it was proposed: a second person has to confirm it"},
	{"verb", "proposal-ended", "a proposal was taken back, or what it was about had changed"},
	{"verb", "level-stated", "a point of the preservation levels was stated"},
	{"verb", "level-withdrawn", "a statement about the preservation levels was withdrawn"},
	{"verb", "handed-over", "a bag of an item was made, to be handed over"},
	{"proposal", "confirmed", "a second person confirmed it"},
	{"proposal", "taken-back", "it was taken back"},
	{"proposal", "void", "what it was about has changed"},
	{"person", "viewer", "looks"},
	{"person", "technician", "looks, and does the work of the day"},
	{"person", "reviewer", "looks, does the work of the day, and decides"},
	{"phase", "list", "its folders are being listed"},
	{"phase", "listed", "listed, and waits for the rest"},
	{"phase", "prove", "what may be misplaced is being read"},
	{"phase", "proved", "read, and waits for the rest"},
	{"phase", "first", "what can't be transferred again is being read, if it is due"},
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
	{"fact", "same-wrong", "read twice: the same wrong bytes"},
	{"fact", "held", "length and date of the file that was read"},
	{"fact", "sign-kept", "size and date of the file have not changed"},
	{"fact", "readings-vary", "read twice: the two readings disagree"},
	{"fact", "one-failed", "one reading failed, the other did not"},
	{"fact", "not-given", "tried twice, and not all bytes came"},
	{"fact", "then-others", "the same wrong bytes twice, then others"},
	{"fact", "first-other", "the first reading gave other bytes than two later ones, which agree"},
	{"fact", "holds-version", "it holds an earlier version"},
	{"fact", "no-save", "it was saved while it was being edited, and is no new version"},
	{"fact", "lacks", "what is lacking in a recording"},
	{"fact", "shorter", "a recording became much shorter"},
	{"fact", "never-right", "this store never held the whole file: a copy or an upload that broke off looks like this"},
	{"fact", "service-right", "the service goes on reporting the right checksum: only reading shows it"},
	{"fact", "service-other", "the service itself reports another checksum"},
	{"fact", "service-fewer", "the service itself reports another checksum, and fewer bytes: an upload that broke off looks like this"},
	{"fact", "not-shown", "its folder was listed to the end without it, and its place was looked at once more"},
	{"fact", "instead", "something else lies in its place"},
	{"fact", "in-bin", "it lies in the service's bin"},
	{"fact", "moved-to", "it was moved"},
	{"fact", "not-visible", "deleted, or no longer shared with this account: the service does not say which"},
	{"fact", "still-there", "it is shown again"},
	{"fact", "past-term", "it should be there by now: the time within which the store expects it is over"},
	{"fact", "bytes-right", "its bytes are the right ones"},
	{"fact", "said-right", "the service reports the right checksum of what lies there; it will be read where it lies in its turn"},
	{"fact", "looks-right", "found by size, time and name; it will be read where it lies to prove it"},
	{"fact", "not-read", "it could not be read where it lies"},
	{"fact", "other-bytes", "a file of the same size, time and name holds other bytes"},
	{"fact", "said-only", "other bytes were read than the service reports"},
	{"fact", "name-fits", "by its name it may be one of several files"},
	{"fact", "name-taken", "by its name it is a file that has its place already"},
	{"fact", "may-lie-at", "by its name it may lie at one of several places"},
	{"fact", "stray-since", "how large it is, and since when it lies there"},
	{"fact", "exchanged", "two files have each other's bytes"},
	{"fact", "bytes-of", "it has the bytes of another file"},
	{"fact", "put-back-from", "an intact copy's bytes were put in its place, or it was moved back"},
	{"fact", "in-step", "the same befell a store that is kept in step with it"},
	{"fact", "compared", "compared byte by byte with an intact copy"},
	{"fact", "sound-same", "the sound itself is the same, sample for sample"},
	{"fact", "stores-differ", "two stores hold different bytes"},
	{"fact", "list-differs", "a list of checksums gives another one"},
	{"fact", "root-fails", "its folder can't be reached"},
	{"fact", "signed-out", "the sign-in doesn't work any more"},
	{"fact", "no-folder", "its folder doesn't exist"},
	{"fact", "no-marker", "the store's marker is not there"},
	{"fact", "nothing", "nothing lies there"},
	{"fact", "none-known", "none of the expected files lies there"},
	{"fact", "few-known", "too few of the known files lie there"},
	{"fact", "only-marker", "nothing but the marker lies there"},
	{"fact", "emptied", "nothing lies there where files are expected"},
	{"fact", "other-set", "its marker is of another set"},
	{"fact", "other-store", "its marker is of another store"},
	{"fact", "other-owner", "its marker is of other holdings"},
	{"fact", "other-folder", "its folder is another one than before"},
	{"fact", "list-fails", "a manifest can't be read"},
	{"fact", "list-large", "a manifest is not what was written, and too large for one"},
	{"fact", "line-wrong", "a line of a manifest gives a digest that no version has"},
	{"fact", "line-foreign", "a line of a manifest names a file that is not under care"},
	{"fact", "on-disc", "how a file on a disc was read"},
	{"fact", "disc-sectors", "sectors can't be read"},
	{"fact", "disc-version", "a file on it is another version than it is registered with, and all of it"},
	{"fact", "disc-differs", "sectors were read well, and are not what was burned"},
	{"fact", "disc-lost", "the drive lost its place while reading"},
	{"fact", "disc-order", "what was burned is there, in another order"},
	{"fact", "disc-else", "it is another disc"},
	{"fact", "disc-level", "the same recording with other samples on the whole disc"},
	{"fact", "disc-directory", "the disc's directory is damaged"},
	{"fact", "retries", "more sectors than before needed several tries"},
	{"fact", "case-only", "names differ in case only"},
	{"fact", "by-digest", "files were found by their digest"},
	{"fact", "public", "restricted files can be read by everybody who has a link"},
	{"fact", "not-now", "files are due, and can't be read before somebody has them brought back"},
	{"fact", "such-as", "one of the files that it is about"},
	{"fact", "superseded", "a new version took its place"},
	{"fact", "row-says", "what is wrong in a row of the register, as an earlier version of Firmus put it"},
	{"fact", "row-tells", "what is wrong in a row of the register"},
	{"fact", "register-fails", "why the register can't be read"},
	{"fact", "column-torn", "whose values stand in other rows than before"},
	{"fact", "column-filled", "which rows took one value"},
	{"fact", "as-told", "as it was told when it was found"},
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
