package app

import (
	"context"
	"fmt"

	"firmus/cmd/firmus/internal/acts"
	"firmus/manifest"
	"firmus/manifest/provided"
)

// readProvided reads the checksum lists that lie beside the files of a first-level
// folder: folder manifests, a bag's manifests, lists of checksum programs.
func readProvided(ctx context.Context, r acts.Root, top string) (acts.Provided, error) {
	out := acts.Provided{Digests: map[string][]acts.ProvidedDigest{}}
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
			acts.ProvidedDigest{Digest: s.Digest, Source: fmt.Sprintf("line %d of %s", s.Line, prefix+s.List)})
	}
	for _, w := range warn.List() {
		// What a coded name means is said when a manifest is written, not when it is read.
		if w.Reason != manifest.MarkOrBreak {
			out.Warnings = append(out.Warnings, w.String())
		}
	}
	return out, nil
}
