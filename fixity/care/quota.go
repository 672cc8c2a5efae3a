package care

// Quota shares out the bytes of a day among files that come in the order of their
// turn.
type Quota struct {
	ADay int64 // bytes; 0: any number
	Used int64 // of them, read already
	took bool
	full bool
}

// Take says whether the next file's turn has come, and counts it if so. The first
// file that doesn't fit ends the day: a later one that would fit doesn't overtake
// it, or a long one would wait for ever. For the same reason the first of all is
// taken, however long it is, if no more than a tenth of the day's bytes was read before.
func (q *Quota) Take(size int64) bool {
	switch {
	case q.ADay <= 0:
		return true
	case q.full:
		return false
	case q.Used+size > q.ADay && (q.took || q.Used > q.ADay/10):
		q.full = true
		return false
	}
	q.Used += size
	q.took = q.took || size > 0
	return true
}
