package bag

import (
	"io"

	"firmus/manifest"
)

// ReadInfo is readInfo of a text.
func ReadInfo(r io.Reader, old bool) (Info, []manifest.Problem, error) {
	return readInfo(manifest.TextLines(r), old)
}
