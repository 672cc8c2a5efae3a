// Package demo makes an invented world to show Firmus on: the holdings of the
// Quillmere Valley Song Survey, field recordings of the 1950s to 1970s from a
// valley that doesn't exist, on two drives; and it damages some of the copies on
// purpose, so that there is something to find. Nothing in it is real: no singer,
// no song, no place, and the sound is made by a few lines of arithmetic.
//
// It works on files only. It knows no ledger and runs no audit: Compare holds what
// an audit found against what was planted.
package demo
