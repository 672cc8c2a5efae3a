//go:build !linux && !windows

package scsi

import (
	"errors"
	"fmt"
	"runtime"
)

// Open gives an error that matches errors.ErrUnsupported: this system has no way to
// send commands to a drive. Images of discs can be checked all the same.
func Open(path string) (*Device, error) {
	return nil, fmt.Errorf("open drive %q: optical drives are not supported on %s, images of discs are: %w", path, runtime.GOOS, errors.ErrUnsupported)
}
