//go:build wine

package main

import _ "unsafe" // for go:linkname

// The newer way of Windows to remove a file, which Go takes first, is answered by Wine 8 with
// an error that Go doesn't know; with this switch of its own tests Go takes the older way, as
// it does on Windows 8 and on FAT. It can't be set but past the linker's -checklinkname.
//
//go:linkname olderRemoval internal/syscall/windows.TestDeleteatFallback
var olderRemoval bool

func init() { olderRemoval, underWine = true, true }
