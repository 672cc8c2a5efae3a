// Package discs is what Firmus knows of a disc: what a check of one came to, and the names
// that people give them. Packages below it do the work: reading opens discs, registering
// keeps the list of them, checking finds out which disc one is and holds it against what
// was burned, sheets prints.
package discs
