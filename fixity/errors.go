package fixity

import (
	"errors"
	"fmt"
)

// Sentinel errors that cross a border between packages. Away, missing, unreadable
// and altered are different facts and stay so from the driver to the page: none
// of these errors ever means that a file is missing or altered.
var (
	// ErrAway: the store can't be reached, or what is there isn't that store.
	ErrAway = errors.New("store is away")
	// ErrExhausted: this computer gives no more file handles or memory, so nothing can be
	// said of the store.
	ErrExhausted = errors.New("this computer has no file handles or memory left for Firmus: close other programs, or raise the limit of open files")
	// ErrBlind: the credential of a store doesn't work any more. It comes with ErrAway.
	ErrBlind = errors.New("nothing can be seen with this credential")
	// ErrIncomplete: a listing did not see everything; nothing may be called missing.
	ErrIncomplete = errors.New("listing is incomplete")
	// ErrUnreadable: the medium won't give the bytes.
	ErrUnreadable = errors.New("unreadable")
	// ErrChanged: the file changed between listing and the end of its read.
	ErrChanged = errors.New("changed while it was read")
	// ErrInUse: another program holds the file so that it can't be read.
	ErrInUse = errors.New("in use")
	// ErrVanished: the file went between listing and reading.
	ErrVanished = errors.New("vanished")
	// ErrDenied: the operating system forbids it.
	ErrDenied = errors.New("permission denied")
	// ErrNotNow: whoever keeps the bytes gives them only once a person has had them brought back.
	ErrNotNow = errors.New("not readable now")
	// ErrBusy: another process works on the store or the ledger.
	ErrBusy = errors.New("busy")
	// ErrRefused: an act that the rules don't allow; the message says the way out.
	ErrRefused = errors.New("refused")
	// ErrNoFile: something else than a file lies at a path, such as a folder.
	ErrNoFile = errors.New("no file")
	// ErrChangedMeanwhile: what an act is about is no longer what its person saw.
	// Nothing was changed. It is an ErrRefused.
	ErrChangedMeanwhile = fmt.Errorf("it is no longer as it was seen: %w", ErrRefused)
	// ErrLost: another process did this part of the shard; nothing was written.
	ErrLost = errors.New("taken over by another process")
	// ErrNotFound: the ledger knows no such thing.
	ErrNotFound = errors.New("not found")
)

// LostError is an ErrLost that says which of several shards it was.
type LostError struct{ Shard int64 }

func (e *LostError) Error() string { return ErrLost.Error() }
func (e *LostError) Unwrap() error { return ErrLost }
