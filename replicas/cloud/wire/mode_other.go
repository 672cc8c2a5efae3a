//go:build !unix

package wire

import "io/fs"

// readByOthers can't be told from the mode where there are access lists only.
func readByOthers(fs.FileInfo) string { return "" }
