package fixity

import "time"

// RegisterVersion is a state of the archive's register, as it was read. Only a reading that
// shows other rows than the one before makes a new one.
type RegisterVersion struct {
	N  int64
	At time.Time // when it was read first
	By string
	// Reason is a person's, why so many rows are gone. It stands in the record alone, with the
	// event that tells the version.
	Reason string
	From   string // where it was read from
	Sheet  string // "" if it has none
	// Columns says which fields it tells, and by which words of the header. JSON.
	Columns string
	File    Digest // of the file's bytes
	Held    Digest // of all rows, with the lines in which they stand
	Rows    int64
	// What differs from the version before; zero in the first.
	Added, Deleted, Changed, Moved int64
}

// RegisterRow is a row of the register in the versions that have it.
type RegisterRow struct {
	ID    int64
	Line  int    // in the version that was asked for
	Since int64  // the version it came in
	Until int64  // the version it was last in; 0 while it is in force
	Cells string // as package register writes a row, without its line
	// Item and Side are what the row is about, as the ledger calls them; both are blank if
	// nothing says it.
	Item, Side string
}

// RegisterSays is what the register in force says of a side of an item, or of the whole item
// if Side is blank.
type RegisterSays struct {
	Item, Side string
	Sheet      string
	Line       int    // of the first row about it
	Condition  string // as it is written there
	Restricted bool
	Unplayable bool   // it was transferred, and can't be once more
	Text       string // JSON of all that it says, as package register writes it
}

// RegisterReading is how the reading of the register stands.
type RegisterReading struct {
	ReadAt  time.Time // when it was read to the end last; zero: never
	From    string
	File    Digest    // that was read then
	TriedAt time.Time // when a reading was last tried
	Trouble string    // why the last try failed; "" if it didn't
	Rows    int64
	Matched int64 // rows whose files are there
	Waiting int64 // rows that claim nothing, and of which nothing is there
	Open    int64 // problems that nobody settled
	Ending  int64 // how its text ended then, as package register has it
	// Doubted is a file that looked half written, first at DoubtedAt; zero if the last one that
	// was read didn't.
	Doubted   Digest
	DoubtedAt time.Time
}

// RegisterProblem is something in the register that wants a person's look.
type RegisterProblem struct {
	Key    string // tells it from all others, whichever line it stands in
	Sheet  string
	Line   int
	Column string
	Kind   string
	// Tells is what it tells, as package register writes it: which sentence, and its values. Of
	// one that an earlier version of Firmus kept it is the sentence alone.
	Tells   []string
	Item    string // what its row is about; "" if that isn't known
	Finding int64  // that tells it
	Since   time.Time
	Quiet   bool // a person settled the finding that told it
}
