//go:build unix

package disk_test

import (
	"errors"
	"os"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"

	"golang.org/x/sys/unix"
)

// TestWithoutFileHandlesNoStoreIsAway: a program that has no file handle left knows
// nothing of a store, so the store is not away and its files have not vanished.
func TestWithoutFileHandlesNoStoreIsAway(t *testing.T) {
	d := open(t, disk.Options{Store: "shelf", Marker: true}, map[string]string{"a.wav": "1", "sub/b.wav": "2"})
	var was unix.Rlimit
	check(t, unix.Getrlimit(unix.RLIMIT_NOFILE, &was))
	few := was
	few.Cur = 64
	check(t, unix.Setrlimit(unix.RLIMIT_NOFILE, &few))
	var all []*os.File
	defer func() {
		for _, f := range all {
			f.Close()
		}
		check(t, unix.Setrlimit(unix.RLIMIT_NOFILE, &was))
	}()
	for {
		f, err := os.Open(os.DevNull)
		if err != nil {
			break
		}
		all = append(all, f)
	}
	_, identify := d.Identify(t.Context())
	_, shards := d.Shards(t.Context())
	_, listing := list(d, "sub")
	_, stat := d.Stat(t.Context(), "sub/b.wav")
	_, opened := d.Open(t.Context(), fixity.Entry{Path: "sub/b.wav"}, 0)
	for name, err := range map[string]error{"Identify": identify, "Shards": shards, "List": listing, "Stat": stat, "Open": opened} {
		if !errors.Is(err, fixity.ErrExhausted) || errors.Is(err, fixity.ErrAway) || errors.Is(err, fixity.ErrVanished) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
