package fixity_test

import (
	"testing"

	"firmus/fixity"
)

// A list that came with the files, and isn't of an algorithm that is known, is a file
// like others: the watch and the audit must agree about it.
func TestOnlyOurManifestIsOurs(t *testing.T) {
	for path, want := range map[string]bool{
		"manifest-sha256.txt":           true,
		"QV-0107/manifest-sha512.txt":   true,
		"QV-0107/a/manifest-sha256.txt": false,
		"QV-0107/manifest-notes.txt":    false,
		"manifest-2019.txt":             false,
		"manifest-.txt":                 false,
		"xmanifest-sha256.txt":          false,
	} {
		if got := fixity.IsManifest(path); got != want {
			t.Errorf("%s: %v", path, got)
		}
	}
}
