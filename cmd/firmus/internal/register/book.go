package register

import (
	"context"
	"fmt"

	"firmus/fixity"
)

// Book is a spreadsheet file that was opened; package workbook opens one.
type Book struct {
	Sheets []Sheet // in the file's order
	// Notes are sentences about the file as a whole that a person should know, such as that
	// it is open in a program. They stop nothing.
	Notes []string
	End   End // of a text
}

// End says how a text ends. A writer that was broken off leaves its last line without an end.
type End int

// Ends of a text. Stored: never change one.
const (
	NoText  End = iota // a workbook, which is whole or can't be opened
	Ended              // the last line has its end
	Unended            // it hasn't
)

// Sheet is a sheet of a book.
type Sheet struct {
	Name   string // "" in a CSV file
	Hidden bool
	// Lines gives each line that holds anything, from the top. Line.Cells is used again for
	// the next one. The merged cells are known at the end. What is wrong with the file itself
	// is an *Unreadable; what each gives back ends the reading and is given back.
	Lines func(ctx context.Context, each func(Line) error) (Found, error)
}

// Line is a line of a sheet.
type Line struct {
	Number int // as the spreadsheet program counts them, from 1
	Hidden bool
	Cells  []Cell // the first column's first; blank ones are Cell{}
}

// Found is what is known of a sheet once all of it was read.
type Found struct {
	Merged   []Merge
	Comments int       // remarks that hang on cells; they are no contents
	Problems []Problem // of lines, such as a stray quotation mark; Sheet isn't filled in
}

// Merge is a block of merged cells: only its first cell has a value. All count from 0 but
// the lines, which count from 1.
type Merge struct{ Line, LastLine, Column, LastColumn int }

// Why says why a register can't be read.
type Why string

// Reasons. Those of the configuration need a person's answer; the others may be gone when
// the file is looked at again.
const (
	Lacking      Why = "lacking"        // no such file
	Changing     Why = "changing"       // it was changed while it was read
	Damaged      Why = "damaged"        // a checksum, or what must be there, is wrong
	TooLarge     Why = "too large"      // more than any register holds
	NoSheets     Why = "not a table"    // no spreadsheet of a kind that is read
	Locked       Why = "password"       // it has a password, and none or a wrong one is configured
	UnknownCode  Why = "encoding"       // a text whose encoding isn't known
	HalfWritten  Why = "half written"   // a text that looks as if its writer was broken off
	Emptied      Why = "emptied"        // nearly all its rows are gone
	Quotes       Why = "quotes"         // a quotation mark would swallow lines
	OtherSheet   Why = "sheet"          // the sheet isn't there, or several could be meant
	OtherColumns Why = "columns"        // a column isn't there, or is there twice
	Away         Why = "out of reach"   // the cloud didn't give it
	NotSet       Why = "not configured" // nobody said yet which register
)

// Unreadable says why a register can't be read, and where. Nothing of it may be taken over
// then: what was read of it before stays in force.
type Unreadable struct {
	Why    Why
	File   string
	Sheet  string // "" if it isn't about one
	Row    int    // 0 if it isn't about one
	Column string // "" if it isn't about one
	Text   string // what is wrong and what to do
	Err    error  // nil, or what came of the system
}

// Error says where and what.
func (u *Unreadable) Error() string {
	s := "read the register " + u.File
	if u.Sheet != "" {
		s += fmt.Sprintf(", sheet %q", u.Sheet)
	}
	if u.Row > 0 {
		s += fmt.Sprintf(", row %d", u.Row)
	}
	if u.Column != "" {
		s += fmt.Sprintf(", column %q", u.Column)
	}
	return s + ": " + u.Text
}

// Unwrap is what came of the system.
func (u *Unreadable) Unwrap() error { return u.Err }

// Is tells what a person has to answer (fixity.ErrRefused) from what may pass by itself.
func (u *Unreadable) Is(target error) bool {
	switch u.Why {
	case NoSheets, Locked, UnknownCode, Emptied, Quotes, OtherSheet, OtherColumns, NotSet:
		return target == fixity.ErrRefused
	case Lacking:
		return target == fixity.ErrNotFound
	}
	return false
}
