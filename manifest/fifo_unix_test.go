//go:build unix

package manifest_test

import (
	"syscall"
	"testing"
)

func mkfifo(t *testing.T, path string) {
	t.Helper()
	if err := syscall.Mkfifo(path, 0o666); err != nil {
		t.Fatal(err)
	}
}
