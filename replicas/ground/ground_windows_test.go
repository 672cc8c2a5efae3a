package ground_test

import (
	"path/filepath"
	"strings"
	"testing"

	"firmus/replicas/ground"
)

// However the root of a drive is named, all that lies on the drive is inside it, in whatever
// case it is spelled. (A slash alone is the root of Unix under Wine.)
func TestADriveHoldsWhatLiesOnIt(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	here := ground.Look(dir)
	for _, root := range []string{filepath.VolumeName(dir) + `\`, `\`, `\\?\` + filepath.VolumeName(dir) + `\`} {
		r := ground.Look(root)
		if !here.Inside(r) || !r.Overlaps(here) || r.Inside(here) {
			t.Errorf("%s is %s, and %s isn't inside it", root, r.Path, here.Path)
		}
	}
	for _, same := range []string{strings.ToUpper(dir), strings.ToLower(dir), strings.ReplaceAll(dir, `\`, "/"), dir + `\.\x\..`, `\\?\` + dir} {
		if s := ground.Look(same); !here.Inside(s) || !s.Inside(here) {
			t.Errorf("%s is %s, and not %s", same, s.Path, here.Path)
		}
	}
}
