// Package wire is what services that are asked over HTTP share: credential files that
// nobody else can read, a transport that bounds what has no bound of its own, ranges of a
// file's bytes, and answers that are none.
package wire
