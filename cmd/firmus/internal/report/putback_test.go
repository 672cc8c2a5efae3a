package report_test

import (
	"testing"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// TestPutBack: how a recovered finding ended names the other file that gave the bytes.
func TestPutBack(t *testing.T) {
	for want, x := range map[string]fixity.Fact{
		"recovered from vault and read there": {Store: "vault"},
		"moved back and read there":           {},
		"recovered from vault, by the same bytes of another file, access/QV-0710/QV-0710_A_uncut.wav, and read there": {Store: "vault", Said: []string{"access/QV-0710/QV-0710_A_uncut.wav"}},
	} {
		x.Is = fixity.PutBackFrom
		f := ledger.Finding{}
		f.Kind, f.Facts.Seen = fixity.Kind(fixity.Altered), []fixity.Fact{x}
		if got := report.PutBack(f); got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
}
