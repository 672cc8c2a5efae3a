//go:build !windows

package main

// byDoubleClick says that the program was started from the desktop. Elsewhere than on
// Windows the desktop's starter says so itself: deploy/firmus.desktop, deploy/Firmus.command.
func byDoubleClick() bool { return false }
