package watch

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// written: a program that writes is found when the file is opened.
func written(*os.File) bool { return false }

// heldOpen says that a program keeps others from opening the file.
func heldOpen(err error) bool {
	return errors.Is(err, windows.ERROR_SHARING_VIOLATION) || errors.Is(err, windows.ERROR_LOCK_VIOLATION)
}
