package sheets

import (
	"time"

	"firmus/cmd/firmus/internal/report"
)

// BurnSheet is what a person needs at the burner. The zero value of a field is "not
// known", and stays blank.
type BurnSheet struct {
	Archive string     // the holdings' name
	Number  string     // "QD-0031", without a twin's letter
	Twins   []string   // letters of the discs to burn alike, "A", "B"; empty: one disc without a letter
	Part    int        // of a side that takes several discs; 0: it takes one
	Parts   int        // how many those are; 0: not known
	Item    string     // as on the box of the reel, "QV-0107 side A"
	Box     string     // where the discs go
	Kind    string     // ledger.AudioDisc or ledger.DataDisc
	Blank   string     // brand of the blank, as on its package
	Holds   Capacity   // what the blank holds; zero: not known, and the sheet says which ones would do
	Labels  []Labelled // of the sides on it, as the register has them; may be empty
	Files   []BurnFile // in the order in which they are burned
	Left    []string   // what can't be told from the register, in sentences; may be empty
	Drive   string     // in which discs are checked; "" the configuration's
	Made    time.Time
	By      string
	Say     report.Say // how who prints it orders things; nil: by commands
}

// BurnFile is one file to burn.
type BurnFile struct {
	Name    string // path in its set, or below the folder that is burned
	Version int64  // 0: not known
	Store   string // from which it is to be taken; "" not said
	From    string // the whole path in that store; "" not known
	Bytes   int64  // -1 or 0: not known, unless Empty
	Empty   bool   // it has no bytes
	Samples int64  // audio: of both channels, at Rate; 0: not known
	Rate    int    // audio: samples a second; 0: as a CD, 44,100
	// Format says how the file is recorded where that isn't 44.1 kHz, 16 bit, stereo
	// ("96 kHz, 24 bit, stereo"): it can't go onto an audio disc as it is.
	Format string
}
