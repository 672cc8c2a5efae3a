package disk_test

import (
	"maps"
	"slices"
	"testing"

	"firmus/replicas/disk"
)

// TestMountsBelowARootAreSeen: what lies on another volume is told from what doesn't and
// from what isn't there.
func TestMountsBelowARootAreSeen(t *testing.T) {
	d, err := disk.Open("/", disk.Options{})
	check(t, err)
	got, err := d.Mounts(t.Context(), []string{"", "proc", "etc", "nowhere"})
	check(t, err)
	if names := slices.Collect(maps.Keys(got)); !slices.Equal(names, []string{"proc"}) {
		t.Errorf("mounts %q, want proc", names)
	}
}
