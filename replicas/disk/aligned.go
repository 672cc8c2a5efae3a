package disk

import "unsafe"

// alignment of offset, length and memory in direct I/O, in bytes: the largest
// logical block of drives.
const alignment = 4096

// aligned reads by pread, which takes only what is aligned, for a caller who
// need not know: what doesn't fit goes by way of memory of its own.
type aligned struct {
	pread  func(p []byte, off int64) (int, error)
	memory []byte
	off    int64 // where its bytes begin in the file, a multiple of alignment
	n      int   // how many of them there are
}

func (a *aligned) read(p []byte, off int64) (int, error) {
	if off%alignment == 0 && len(p) >= alignment && isAligned(p) {
		return a.pread(p[:len(p)&^(alignment-1)], off)
	}
	if off < a.off || off >= a.off+int64(a.n) {
		if a.memory == nil {
			a.memory = alignedMemory(64 << 10)
		}
		n, err := a.pread(a.memory, off&^(alignment-1))
		if err != nil {
			a.n = 0
			return 0, err
		}
		a.off, a.n = off&^(alignment-1), n
	}
	from := off - a.off
	if from >= int64(a.n) {
		return 0, nil
	}
	return copy(p, a.memory[from:a.n]), nil
}

func isAligned(p []byte) bool { return uintptr(unsafe.Pointer(unsafe.SliceData(p)))%alignment == 0 }

func alignedMemory(n int) []byte {
	b := make([]byte, n+alignment)
	skip := -int(uintptr(unsafe.Pointer(unsafe.SliceData(b)))) & (alignment - 1)
	return b[skip : skip+n : skip+n]
}
