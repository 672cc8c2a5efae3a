package ledger

import "strings"

// DisplayPath is a path as JSON and events carry it: UTF-8, with U+FFFD for bytes
// that are none.
func DisplayPath(p string) string { return strings.ToValidUTF8(p, "\ufffd") }
