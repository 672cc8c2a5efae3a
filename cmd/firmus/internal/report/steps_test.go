package report_test

import (
	"testing"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

var rules = care.Rules{
	Stores: []care.Store{
		{Name: "studio", Kind: "disk", Arrivals: true, Sets: []string{"masters"}},
		{Name: "cloud", Kind: "cloud", Follows: "studio", Sets: []string{"masters"}},
		{Name: "sky", Kind: "cloud", Sets: []string{"masters"}},
		{Name: "vault", Kind: "disk", Sets: []string{"masters"}},
		{Name: "attic", Kind: "disk", Sets: []string{"masters"}},
	},
	Sets: []care.Set{{Name: "masters", Role: fixity.Master}},
}

func finding(id int64, store string, kind fixity.State, step care.Step, incident int64, path string) ledger.Finding {
	return ledger.Finding{Step: step, Finding: fixity.Finding{ID: id, Subject: fixity.OfFile, Kind: fixity.Kind(kind), Urgency: fixity.AtRisk,
		Store: store, Set: "masters", Path: path, IntactIn: []string{"vault"}, Incident: incident}}
}

// TestSaid: what a service says of a file stands beside what was read.
func TestSaid(t *testing.T) {
	for _, tc := range []struct {
		name, store string
		kind        fixity.State
		is          fixity.FactKind
		want        string
	}{
		{"missing", "cloud", fixity.Missing, fixity.NotVisible, fixity.Means("fact", "not-visible")},
		{"missing from a disk", "vault", fixity.Missing, fixity.NotShown, ""},
		{"rot", "cloud", fixity.Altered, fixity.ServiceRight, fixity.Means("fact", "service-right")},
		{"exchanged", "cloud", fixity.Altered, fixity.ServiceOther, fixity.Means("fact", "service-other")},
		{"broken off", "cloud", fixity.Altered, fixity.ServiceFewer, fixity.Means("fact", "service-fewer")},
		{"of which it says nothing", "cloud", fixity.Altered, fixity.SoundSame, ""},
	} {
		f := finding(7, tc.store, tc.kind, care.StepRecover, 0, "a.wav")
		f.Facts = fixity.Facts{Seen: []fixity.Fact{{Is: tc.is}}}
		if got := report.Said(f, rules); got != tc.want {
			t.Errorf("%s: %q, want %q", tc.name, got, tc.want)
		}
	}
}

func TestOwnerText(t *testing.T) {
	for _, tc := range []struct {
		o    report.Owner
		want string
	}{
		{report.Owner{Store: "cloud", Owner: "e.tansy@mail.example", Files: 1}, "1 file in the cloud folder belongs to a personal account that may be closed"},
		{report.Owner{Store: "cloud", Owner: "e.tansy@mail.example", Files: 4}, "4 files in the cloud folder belong to a personal account that may be closed"},
		{report.Owner{Store: "cloud", Owner: "archive@quillmere.example", Files: 1200, Own: true}, "1,200 files in the cloud folder belong to the account that owns the folder: they are lost when it is closed"},
	} {
		if got := tc.o.Text("cloud folder"); got != tc.want {
			t.Errorf("%q, want %q", got, tc.want)
		}
	}
}
