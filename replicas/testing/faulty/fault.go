package faulty

import (
	"fmt"

	"firmus/fixity"
)

// Op is a kind of operation on a store.
type Op string

// The operations that are counted, and can fail.
const (
	Identify Op = "identify"
	Shards   Op = "shards"
	List     Op = "list" // a listing begins
	Step     Op = "step" // a listing gives one entry, or ends
	Open     Op = "open"
	Read     Op = "read"
	Close    Op = "close"
)

// Call is one operation, before it is done.
type Call struct {
	N      int // operations before this one, of all kinds
	Op     Op
	Nth    int    // operations of this kind before this one
	Path   string // of the file, the entry ("" when a listing ends), or the shard's name
	Offset int64  // Read: of the next byte in the file; Open: where reading is to begin
	Nread  int    // Open, Read, Close: how often the file had been opened before this time
}

// Effect is what a Fault does to a Call. The zero Effect is none.
type Effect struct {
	// Err is what the operation gives instead of being done; it is wrapped. A
	// Close is done all the same.
	Err error
	// Wait, if not nil, makes the operation hang until it is closed, as on a dead
	// mount. What takes a context gives up with its cause; Read and Close don't.
	Wait <-chan struct{}
	// End makes a Read give io.EOF at once.
	End bool
	// Change alters bytes that a Read gave; off is that of p[0] in the file.
	Change func(p []byte, off int64)
	// Most is the most that a Read is let give, in bytes; 0 is no limit.
	Most int
}

// Fault looks at each operation and says what befalls it. A Store asks it about
// one operation at a time.
type Fault func(Call) Effect

// At fails operation k of all, counted from 0.
func At(k int, err error) Fault {
	return func(c Call) Effect { return errIf(c.N == k, err) }
}

// Nth fails operation k of the kind op, counted from 0.
func Nth(op Op, k int, err error) Fault {
	return func(c Call) Effect { return errIf(c.Op == op && c.Nth == k, err) }
}

// On fails each operation of the kind op on path.
func On(op Op, path string, err error) Fault {
	return func(c Call) Effect { return errIf(c.Op == op && c.Path == path, err) }
}

// Away is a store that can't be reached after its first n operations.
func Away(n int) Fault {
	return func(c Call) Effect { return errIf(c.N >= n, fmt.Errorf("%w: unplugged", fixity.ErrAway)) }
}

// Hang makes operation k of the kind op wait until release is closed.
func Hang(op Op, k int, release <-chan struct{}) Fault {
	return func(c Call) (e Effect) {
		if c.Op == op && c.Nth == k {
			e.Wait = release
		}
		return e
	}
}

// Flip gives the byte at offset of path with the bits of mask turned over,
// every time it is read.
func Flip(path string, offset int64, mask byte) Fault {
	return flip(path, offset, mask, func(int) bool { return true })
}

// FlipOnce is Flip for the reading of path after the first k: an unsteady file.
func FlipOnce(path string, offset int64, mask byte, k int) Fault {
	return flip(path, offset, mask, func(n int) bool { return n == k })
}

func flip(path string, offset int64, mask byte, when func(int) bool) Fault {
	return func(c Call) (e Effect) {
		if c.Op == Read && c.Path == path && when(c.Nread) {
			e.Change = func(p []byte, off int64) {
				if i := offset - off; i >= 0 && i < int64(len(p)) {
					p[i] ^= mask
				}
			}
		}
		return e
	}
}

// Short ends every reading of path at offset, as if the file were no longer.
func Short(path string, offset int64) Fault {
	return until(path, offset, Effect{End: true})
}

// Unreadable fails every reading of path at offset, with fixity.ErrUnreadable.
// What lies before it is given.
func Unreadable(path string, offset int64) Fault {
	return until(path, offset, Effect{Err: fmt.Errorf("%w: bad sector", fixity.ErrUnreadable)})
}

// until lets path be read up to offset, where at happens.
func until(path string, offset int64, at Effect) Fault {
	return func(c Call) Effect {
		switch {
		case c.Op != Read || c.Path != path:
			return Effect{}
		case c.Offset >= offset:
			return at
		}
		return Effect{Most: int(min(offset-c.Offset, 1<<30))}
	}
}

func errIf(yes bool, err error) Effect {
	if yes {
		return Effect{Err: err}
	}
	return Effect{}
}
