// Package sheets makes the two sheets that go with a disc: the burn sheet, which says
// how a disc is to be made, and the check sheet, which says what a disc was found to
// hold. Each is rendered as text for a terminal, at most Width columns wide, or as one
// page of HTML to print on A4.
//
// The pages hold everything that they need: no script, nothing from outside, and no
// meaning in colour alone. What isn't known stays a blank line for a pen. Nothing
// here reads a clock, a disc or the ledger: times are shown in this computer's zone.
package sheets
