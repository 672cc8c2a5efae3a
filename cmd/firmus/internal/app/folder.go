package app

import (
	"firmus/fixity"
	"firmus/fixity/policy"
	"firmus/replicas/disk"
)

// Folder opens a folder that need not belong to any store.
func Folder(dir string, cache fixity.Cache) (*disk.Dir, error) {
	litter, err := policy.NewLeaveOut(nil)
	if err != nil {
		return nil, err
	}
	return disk.Open(dir, disk.Options{Cache: cache, LeaveOut: litter.Match})
}

// WholeFolder opens a folder of which everything is listed, litter too: in a bag
// nothing may lie that its manifests don't know.
func WholeFolder(dir string, cache fixity.Cache) (*disk.Dir, error) {
	return disk.Open(dir, disk.Options{Cache: cache})
}
