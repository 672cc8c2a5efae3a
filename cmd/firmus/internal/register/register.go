// Package register holds the archive's own log, the spreadsheet that says what each reel
// holds, against what the ledger knows. It never writes to it.
//
// What a cell means is read once (Read of a table through its Columns): every Row keeps the
// text as it stands, so that whatever isn't understood still serves as text.
//
// Reconcile ties rows to what the ledger knows and compares both. It gets the rows, what is
// Known (files with what the pattern of their set says, their lengths, discs) and Settings,
// and returns a Result: what each row is about (Tied), what the register adds to each side
// (Says) and where the two disagree (Problem). A Problem's Rule, Item, Side and Track stay
// the same when rows move. The package is pure: it reads no file, no ledger and no clock.
package register

// Field is what a column of the register tells.
type Field string

// Fields that a column can be mapped to. A register has any of them; only Item is needed.
const (
	Item        Field = "item"         // the reel's number
	Base        Field = "base"         // of the tape, where numbers repeat by it: acetate, polyester
	Side        Field = "side"         // A, B; in a register with a row a side
	Track       Field = "track"        // in a register with a row a track
	Barcode     Field = "barcode"      // of the carrier
	Title       Field = "title"        //
	Composer    Field = "composer"     //
	Performers  Field = "performers"   //
	Recorded    Field = "recorded"     // an archival date: text
	Digitised   Field = "digitised"    // a day; a row with one claims that files are there
	Length      Field = "length"       // of what the row is about
	Disc        Field = "disc"         // numbers of discs; more than one apart by , ; / or a line
	Box         Field = "box"          //
	File        Field = "file"         // name or number of the file
	Folder      Field = "folder"       //
	Condition   Field = "condition"    // the person's words
	Playable    Field = "playable"     // values mapped by a person: can it be played (again)
	Hazard      Field = "hazard"       // mould and the like
	TreatedFrom Field = "treated from" // in treatment since
	TreatedTo   Field = "treated to"   // out of treatment
	PlayBy      Field = "play by"      // to be played by this day after treatment
	Priority    Field = "priority"     // transfer sooner
	Restricted  Field = "restricted"   // blank or unreadable: restricted
	Notes       Field = "notes"        //
)

// Fields are all fields, in the order of a register's usual columns.
var Fields = []Field{Item, Base, Side, Track, Barcode, Title, Composer, Performers, Recorded, Digitised, Length, Disc, Box, File, Folder,
	Condition, Playable, Hazard, TreatedFrom, TreatedTo, PlayBy, Priority, Restricted, Notes}

// Cell is a cell of the register as it stands, and as it can be read.
type Cell struct {
	Text   string  // what a person sees; "" is blank
	Number float64 // what is stored, if IsNumber
	// IsNumber: a number is stored, also for a date or a length.
	IsNumber bool
	Kind     Kind   // what the spreadsheet program says it is
	Column   string // the column's letters, or its number in a CSV file
	// Over is the line where a block of merged cells begins that gives this cell its value; 0
	// if the value is the cell's own.
	Over int `json:"-"`
}

// Kind is what the spreadsheet program says that a cell is.
type Kind string

// Kinds of a cell.
const (
	TextCell     Kind = "text"
	NumberCell   Kind = "number"
	DateCell     Kind = "date"     // Text is ISO 8601
	DurationCell Kind = "duration" // Number is in seconds, exact
	ClockCell    Kind = "clock"    // a time of day or a length, undecided: Number is in seconds
	ErrorCell    Kind = "error"    // #DIV/0! and its like
	UnsavedCell  Kind = "unsaved"  // a formula without its value
)

// Row is a line of the register.
type Row struct {
	Sheet  string // "" in a CSV file
	Line   int    // as the spreadsheet program counts them, from 1
	Hidden bool   // also by a filter
	Cells  map[Field]Cell
	// Rest is what stands in columns that no field is mapped to, in their order and without
	// blanks, so that a row can be shown, and copied, whole.
	Rest []Other
}

// Other is a cell of a column that no field is mapped to.
type Other struct {
	Header string // the column's words; its letters if it has none
	Text   string
	Column string // its letters, or its number in a CSV file
}

// Text is a field's text; "" is blank, or no such column.
func (r Row) Text(f Field) string { return r.Cells[f].Text }

// Problem is something in the register that wants a person's look.
type Problem struct {
	Sheet  string `json:"sheet"`
	Row    int    `json:"row"`
	Column string `json:"column"` // the header's words
	Kind   string `json:"kind"`   // which rule: length, barcode, double, …
	// Tells is a Telling with its values, as Tell gives them.
	Tells []string `json:"-"`
	// Rule, Item, Side and Track say what it is about, wherever the row stands.
	Rule  Rule   `json:"rule"`
	Item  string `json:"item,omitempty"`
	Side  string `json:"side,omitempty"`
	Track string `json:"track,omitempty"`
}
