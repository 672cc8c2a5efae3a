package main

import (
	"unsafe"

	"golang.org/x/sys/windows"
)

// byDoubleClick says that the program has a console of its own: it was started from the
// desktop, and not from a shell, which would be on the console too (Microsoft's
// documentation of GetConsoleProcessList).
func byDoubleClick() bool {
	var ids [2]uint32
	n, _, _ := windows.NewLazySystemDLL("kernel32.dll").NewProc("GetConsoleProcessList").Call(uintptr(unsafe.Pointer(&ids[0])), uintptr(len(ids)))
	return n == 1
}
