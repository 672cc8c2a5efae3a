package report

import (
	"fmt"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Happened says what an event of the record is about, in words: what its verb means, or more
// where its facts make it another thing. A person's reason is apart from it.
func Happened(e ledger.Event) string {
	told := e.Told()
	switch e.Verb {
	case fixity.StoreReplaced:
		if to, ok := told["to"].(string); ok && told["discs"] != nil {
			return fmt.Sprintf("its discs are in store %s, by the configuration", to)
		}
	case fixity.LedgerRebuilt:
		if n, ok := told["events"].(float64); ok && n == 0 {
			return "the ledger was made anew from manifests: no event files were found, and a new record begins"
		}
	}
	return fixity.Means("verb", string(e.Verb))
}

// WhyVersion says why a version of a file became one: a person's words, or what the program
// did by itself. all are the file's versions.
func WhyVersion(v ledger.Version, all []ledger.Version) string {
	if v.Reason != "" {
		return v.Reason
	}
	if v.N == 1 {
		return "taken in"
	}
	if v.Outvoted {
		return fmt.Sprintf("two later readings (the first one gave version %d)", v.N-1)
	}
	for _, earlier := range all {
		if earlier.N < v.N && earlier.Size == v.Size && earlier.BLAKE3 == v.BLAKE3 {
			return fmt.Sprintf("version %d, saved again while it was being edited", earlier.N)
		}
	}
	return "saved while it was being edited"
}
