package mlog

import (
	"crypto/sha256"

	"golang.org/x/mod/sumdb/tlog"
)

// Lines works out the root over lines that come one after the other (RFC 6962,
// section 2.1), without keeping them: it holds one hash for each bit of their
// number. The zero Lines is ready for use, and has no lines. It may not be used by
// two goroutines at once.
type Lines struct {
	n     int64
	peaks []tlog.Hash // roots of the complete subtrees, one for each bit set in n, the largest first
}

// Add takes one more line; line isn't kept. Nothing is added to the line and
// nothing taken away, so that a newline at its end counts if it is there.
func (l *Lines) Add(line []byte) {
	h := tlog.RecordHash(line)
	for n := l.n; n&1 == 1; n >>= 1 {
		last := len(l.peaks) - 1
		h = tlog.NodeHash(l.peaks[last], h)
		l.peaks = l.peaks[:last]
	}
	l.peaks = append(l.peaks, h)
	l.n++
}

// Len is the number of lines so far.
func (l *Lines) Len() int64 { return l.n }

// Root is the root over the lines so far, the hash of the empty string for none.
// More lines may be added after it.
func (l *Lines) Root() tlog.Hash {
	if l.n == 0 {
		return tlog.Hash(sha256.Sum256(nil))
	}
	i := len(l.peaks) - 1
	h := l.peaks[i]
	for i--; i >= 0; i-- {
		h = tlog.NodeHash(l.peaks[i], h)
	}
	return h
}
