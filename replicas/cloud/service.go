package cloud

import (
	"context"
	"io"
)

// Service is what a Store needs of a service. Implementations don't repeat calls
// and give an *Error for whatever the service, its credential or the way to it
// did wrong. They may be called by several goroutines at once.
type Service interface {
	// Get is the item with that id. An *Error of class NotVisible says that it was
	// deleted, or isn't shared: services don't tell which.
	Get(ctx context.Context, id string) (Item, error)
	// Page is one page of what q asks for; token is that of the page before, "" for
	// the first. An *Error of class Refused with a token says that the token is no
	// longer good, without one that q asks for too much at once.
	Page(ctx context.Context, q Query, token string) (Page, error)
	// Open gives a Blob's bytes from offset, which is less than its size, to its end.
	// It checks that they are of a file of that size.
	Open(ctx context.Context, it Item, offset int64) (io.ReadCloser, error)
}

// ChangeLog is a Service that can say what changed since a moment.
type ChangeLog interface {
	// Now is the token of this moment in the log of a shared drive, or with "" of
	// the account's own.
	Now(ctx context.Context, drive string) (string, error)
	// Changes is a page of what changed since token.
	Changes(ctx context.Context, drive, token string) (ChangePage, error)
}

// Checker is a Service that can say what is wrong with its credential.
type Checker interface {
	Check(ctx context.Context) []Problem
}

// Adviser is a Service that can say what a person can do about an error that it gave; "" if
// nothing.
type Adviser interface {
	Advice(err error) string
}

// Query asks for items, those in the bin too.
type Query struct {
	Drive   string   // a shared drive; "" is what the account can see
	Parents []string // only what lies directly in one of these folders; empty: all of Drive
}

// Page is a part of what a Query asks for.
type Page struct {
	Items   []Item
	Next    string // token of the next page, "" at the end
	Partial bool   // the service says that it didn't look everywhere
	// Rest puts into Items what takes calls of their own, each of which is made by try; nil
	// if nothing does.
	Rest func(ctx context.Context, try Try) error
}

// Try makes a call, within a time of its own, and makes it again while its error is of class
// Later.
type Try func(ctx context.Context, call func(context.Context) error) error

// Change is what became of one item since a moment: its present state.
type Change struct {
	ID   string
	Gone bool // deleted, or no longer shared; Item is zero
	Item Item
}

// ChangePage is a part of a change log.
type ChangePage struct {
	Changes []Change
	Next    string // token of the next page, "" at the end
	Newest  string // at the end: token for the next time
}

// Problem is something that a Check found, in plain words.
type Problem struct {
	Grave bool   // the store can't be audited with it
	Text  string // what is wrong
	Do    string // what a person can do about it; may be ""
}
