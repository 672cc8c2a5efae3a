package receiving

import (
	"context"
	"fmt"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/manifest"
	"firmus/manifest/provided"
)

// Provided are checksums that came with files.
type Provided struct {
	Digests  map[string][]ProvidedDigest // by path relative to the set's root
	Warnings []string
}

// ProvidedDigest is one line of a list beside the files.
type ProvidedDigest struct {
	Digest fixity.Digest
	Source string // the list and line, for messages
}

// readProvided reads the checksum lists that lie beside the files of a first-level
// folder: folder manifests, a bag's manifests, lists of checksum programs.
func readProvided(ctx context.Context, r stores.Root, top string) (Provided, error) {
	out := Provided{Digests: map[string][]ProvidedDigest{}}
	prefix := ""
	if top != "" {
		prefix = top + "/"
	}
	var warn manifest.Warnings
	for s, err := range provided.Read(ctx, r, top, &warn) {
		if err != nil {
			return out, fmt.Errorf("checksum lists in %q: %w", top, err)
		}
		out.Digests[prefix+s.Path] = append(out.Digests[prefix+s.Path],
			ProvidedDigest{Digest: s.Digest, Source: fmt.Sprintf("line %d of %s", s.Line, prefix+s.List)})
	}
	for _, w := range warn.List() {
		// What a coded name means is said when a manifest is written, not when it is read.
		if w.Reason != manifest.MarkOrBreak {
			out.Warnings = append(out.Warnings, w.String())
		}
	}
	return out, nil
}
