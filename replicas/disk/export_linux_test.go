package disk

// SetSysBlock puts dir in the place of the system's list of block devices, and
// gives what was there.
func SetSysBlock(dir string) (was string) {
	was, sysBlock = sysBlock, dir
	return was
}
