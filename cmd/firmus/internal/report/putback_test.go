package report_test

import (
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
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

// TestMovedInACloud: what was renamed in a cloud is moved back there. No order to lay the file
// ready is named: it is just what says this.
func TestMovedInACloud(t *testing.T) {
	f := fixity.Finding{ID: 7, Store: "cloud", Set: "masters", Path: "QV-0107/QV-0107_A.wav", FoundAt: "QV-0107/renamed.wav"}
	got := report.NotRecovered(repair.MovedThere, f, nil)
	for _, want := range []string{"masters/QV-0107/renamed.wav", "move it back to masters/QV-0107/QV-0107_A.wav", "firmus audit cloud"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q lacks %q", got, want)
		}
	}
	if strings.Contains(got, "--to-upload") {
		t.Error(got)
	}
}

// TestAnotherFilesBytes: where the audit told whose bytes a change is, no sign-off is offered.
func TestAnotherFilesBytes(t *testing.T) {
	rules := care.Rules{Sets: []care.Set{{Name: "masters", Role: fixity.Master}, {Name: "access", Role: fixity.Access}}}
	for _, tc := range []struct {
		set  string
		fact fixity.FactKind
		want bool
	}{
		{"masters", fixity.BytesOf, true}, {"access", fixity.BytesOf, true}, {"masters", fixity.Exchanged, true}, {"access", fixity.Exchanged, false}, {"masters", fixity.Held, false},
	} {
		f := ledger.Finding{}
		f.Set, f.Facts.Seen = tc.set, []fixity.Fact{{Is: tc.fact}}
		if got := report.OfOther(f, rules); got != tc.want {
			t.Errorf("%s, %s: %v", tc.set, tc.fact, got)
		}
	}
}
