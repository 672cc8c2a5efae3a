package register

import (
	"slices"
	"time"

	"firmus/fixity"
)

// Known is what the ledger knows, as far as a register can be held against it.
type Known struct {
	Files []KnownFile
	Discs []KnownDisc // those not retired
}

// KnownFile is a file under care, with what the pattern of its set says of its path.
type KnownFile struct {
	ID      int64
	Set     string
	Path    string
	Role    fixity.Role
	Item    string
	Side    string
	Track   string
	Barcode string
	Length  time.Duration // of the version under care; 0: not known
	TakenIn time.Time
}

// KnownDisc is a registered disc: twins are two.
type KnownDisc struct {
	Number string
	Twin   string
	Files  []int64 // ids
}

// Settings say how the register is read.
type Settings struct {
	Heads map[Field]string // of the columns, as problems name them
	// Bases are, by a base of the register in small letters, what stands for it in the names
	// of items or folders. A base stands for itself and by its first letter without that.
	Bases map[string]string
	// Playable says what values of that column mean, in small letters. Only a person can.
	Playable map[string]Playability
	// Restricted says what values of that column mean, in small letters: whether they restrict.
	// Of those that it lacks all do, also a blank. Without it the words of free don't.
	Restricted map[string]bool
	// DiscsASide is how many discs a side should be on; 0: it isn't asked.
	DiscsASide int
	// CheckDigits is "luhn", "ean" or "none"; "": what most of a column passes.
	CheckDigits string
	Off         []Rule // rules that say nothing
}

// head is what a problem calls a column.
func (s Settings) head(f Field) string {
	if h := s.Heads[f]; h != "" {
		return h
	}
	return string(f)
}

func (s Settings) off(r Rule) bool { return slices.Contains(s.Off, r) }

// Rule is one comparison of the register with the ledger. Configurations name them.
type Rule string

// All rules.
const (
	RuleAbsent     Rule = "absent"      // a row claims files that aren't there
	RuleNoRow      Rule = "no-row"      // files have no row
	RuleNumber     Rule = "number"      // the number is blank, stands for two reels, or disagrees with the file's name
	RuleLength     Rule = "length"      // isn't understood, or disagrees
	RuleSpeed      Rule = "speed"       // lengths that are 2 or 1/2 of the file's
	RuleSixty      Rule = "sixty"       // minutes and seconds stored as hours and minutes
	RuleBarcode    Rule = "barcode"     // disagrees with the file's name, or is damaged
	RuleCheckDigit Rule = "check-digit" // is wrong
	RuleFolder     Rule = "folder"      // files lie elsewhere
	RuleDouble     Rule = "double"      // two rows for one thing
	RuleDisc       Rule = "disc"        // register and list of discs disagree
	RuleFewDiscs   Rule = "few-discs"   // fewer discs a side than the setting
	RuleDate       Rule = "date"        // of digitising: isn't understood, or after the files came
	RuleValue      Rule = "value"       // one that nobody has given a meaning
)

// Rules are all of them.
var Rules = []Rule{RuleAbsent, RuleNoRow, RuleNumber, RuleLength, RuleSpeed, RuleSixty, RuleBarcode, RuleCheckDigit, RuleFolder, RuleDouble, RuleDisc, RuleFewDiscs, RuleDate, RuleValue}

// kind is what a problem says of its rule: rules about one cell are one kind.
func (r Rule) kind() string {
	switch r {
	case RuleSpeed, RuleSixty:
		return string(RuleLength)
	case RuleCheckDigit:
		return string(RuleBarcode)
	case RuleFewDiscs:
		return string(RuleDisc)
	}
	return string(r)
}

// Playability is what a person said that a value of the column means.
type Playability string

// What values of the column can mean.
const (
	CanPlay     Playability = "yes"
	CannotAgain Playability = "not again" // it was transferred, and can't be once more
	NeverCould  Playability = "never"     // it could never be played
)

// Tied is what a row is about.
type Tied struct {
	Row  int    // its place among the rows
	Item string // as the ledger calls it; of a reel without files as the register does
	Base string // where numbers repeat by it
	Side string // "": the whole reel
	// Track is as the register has it. Piece says that several rows of one side are its
	// pieces, without numbers.
	Track      string
	Piece      bool
	Files      []int // places among the known files
	ToTransfer bool  // nothing is there, and the row claims nothing
}

// Says is what the register adds to what is known of a side; of a whole reel Side is blank.
// Texts are as they stand there.
type Says struct {
	Item, Side  string
	Base        string
	Title       string
	Condition   string
	Hazard      string
	TreatedFrom string
	TreatedTo   string
	PlayBy      string
	Priority    string
	Box         string
	Playable    Playability // "": nothing was said
	ToTransfer  bool
	Restricted  bool // the register has the column, and doesn't say plainly that it isn't
	Sheet       string
	Line        int // of the first row about it
	Length      Lengths
	Discs       []string
}

// Result is a register held against the ledger.
type Result struct {
	Rows       int // that aren't blank
	Matched    int // that have files
	ToTransfer int
	Tied       []Tied // one for each row that isn't blank and has a number
	Says       []Says // by item and side
	Problems   []Problem
}
