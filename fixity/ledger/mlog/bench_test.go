package mlog_test

import (
	"fmt"
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"firmus/fixity/ledger/mlog"
)

var (
	leaf400 = []byte(fmt.Sprintf("%400d", 1)) // about what an event's record takes
	sink    tlog.Hash
)

// BenchmarkAppend adds a record to a log of a million, whose last hashes are in
// memory. Its baseline is hashing the record alone: what any log must do.
func BenchmarkAppend(b *testing.B) {
	b.Run("baseline", func(b *testing.B) {
		b.SetBytes(int64(len(leaf400)))
		for b.Loop() {
			sink = tlog.RecordHash(leaf400)
		}
	})
	b.Run("log", func(b *testing.B) {
		m := &memory{}
		for range 1 << 20 {
			m.add(b, leaf400)
		}
		b.SetBytes(int64(len(leaf400)))
		for b.Loop() {
			m.add(b, leaf400)
		}
	})
}

// BenchmarkLines takes in result lines; its baseline is hashing each line.
func BenchmarkLines(b *testing.B) {
	line := leaf400[:120]
	b.Run("baseline", func(b *testing.B) {
		b.SetBytes(int64(len(line)))
		for b.Loop() {
			sink = tlog.RecordHash(line)
		}
	})
	b.Run("lines", func(b *testing.B) {
		l := &mlog.Lines{}
		b.SetBytes(int64(len(line)))
		for b.Loop() {
			l.Add(line)
		}
		sink = l.Root()
	})
}
