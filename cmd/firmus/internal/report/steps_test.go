package report_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

var rules = policy.Rules{
	Stores: []policy.Store{
		{Name: "studio", Kind: "disk", Arrivals: true, Sets: []string{"masters"}},
		{Name: "cloud", Kind: "cloud", Follows: "studio", Sets: []string{"masters"}},
		{Name: "vault", Kind: "disk", Sets: []string{"masters"}},
	},
	Sets: []policy.Set{{Name: "masters", Role: fixity.Master}},
}

func finding(id int64, store string, kind fixity.State, step policy.Step, incident int64, path string) ledger.Finding {
	return ledger.Finding{Step: step, Finding: fixity.Finding{ID: id, Subject: fixity.OfFile, Kind: fixity.Kind(kind), Urgency: fixity.AtRisk,
		Store: store, Set: "masters", Path: path, IntactIn: []string{"vault"}, Incident: incident}}
}

func TestSteps(t *testing.T) {
	a, b, c := "QV-0107/QV-0107_A.wav", "QV-0108/QV-0108_A.wav", "QV-0109/QV-0109_A.wav"
	moved := finding(1, "vault", fixity.Misplaced, policy.StepMoveBack, 3, a)
	moved.FoundAt = "old/QV-0107_A.wav"
	for _, tc := range []struct {
		name string
		m    report.Matter
		want string
	}{
		{"one damaged file where a program keeps the cloud in step", report.Matter{Findings: []ledger.Finding{finding(7, "studio", fixity.Altered, policy.StepRecover, 0, a)}}, `
Pause the program that keeps the cloud in step: it could carry the damage on, or be hindered.
Don't open, save or move the damaged file; run no repair program on the drive.
Keep it: copy it to a place outside the sets. Then copy QV-0107/QV-0107_A.wav from vault over it and run: firmus audit studio
If somebody changed it on purpose: firmus findings signoff 7 --master --reason "…"
Start that program again when this is put right.`},
		{"one that is only awaited in the cloud: nothing is carried on", report.Matter{Findings: []ledger.Finding{finding(7, "cloud", fixity.Awaited, policy.StepCopy, 0, a)}}, `
Copy QV-0107/QV-0107_A.wav from vault to cloud, then run: firmus audit cloud`},
		{"a failing drive with an only copy", report.Matter{Only: 2, Findings: []ledger.Finding{finding(7, "vault", fixity.Unreadable, policy.StepRecover, 3, a), finding(8, "vault", fixity.Unreadable, policy.StepRecover, 3, b)}}, `
Stop using the vault: no copying, no audit, no repair program. When nothing works on it any more, disconnect it.
2 files on it were shown to be in no other store. Let somebody qualified save them first, to a new drive: see the list.
When the new drive is in its place: firmus store replace vault`},
		{"a mass loss", report.Matter{Findings: []ledger.Finding{finding(7, "studio", fixity.Missing, policy.StepRecover, 3, a), finding(8, "studio", fixity.Missing, policy.StepRecover, 3, b)}}, `
Pause the program that keeps the cloud in step: it could carry the damage on, or be hindered.
Find out first what happened: was a folder moved, a drive changed, a program run over the files? So many at once are seldom damage.
Put them back where they were, or copy each from vault, for instance QV-0107/QV-0107_A.wav. Then run: firmus audit studio
If they were taken away on purpose: firmus findings signoff --incident 3 --files 2 --reason "…" (they are retired then)
Start that program again when this is put right.`},
		{"a reorganisation", report.Matter{Findings: []ledger.Finding{moved, moved}}, `
Find out first what happened: were folders reorganised on purpose?
If so, look at some of them, then: firmus findings signoff --incident 3 --files 2 --reason "…"
If not, move them back, for instance old/QV-0107_A.wav to QV-0107/QV-0107_A.wav. Then run: firmus audit vault`},
		{"several files of different sorts", report.Matter{Findings: []ledger.Finding{finding(7, "vault", fixity.Missing, policy.StepRecover, 0, a), finding(8, "vault", fixity.Missing, policy.StepRecover, 0, b), finding(9, "vault", fixity.Altered, policy.StepOther, 0, c)}}, `
For each of [7, 8], for instance [7]: Copy QV-0107/QV-0107_A.wav from vault back to vault, then run: firmus audit vault
For [9]: Don't touch any copy of it. Look for another one: discs, the recorder's stick, whoever was given a copy. If the drive is failing, stop using it and ask somebody qualified.`},
		{"one file in two stores", report.Matter{Findings: []ledger.Finding{finding(7, "vault", fixity.Missing, policy.StepRecover, 0, a), finding(8, "attic", fixity.Missing, policy.StepRecover, 0, a)}}, `
On the vault: Copy QV-0107/QV-0107_A.wav from vault back to vault, then run: firmus audit vault
On the attic: Copy QV-0107/QV-0107_A.wav from vault back to attic, then run: firmus audit attic`},
		{"a dispute is decided once", report.Matter{Findings: []ledger.Finding{finding(7, "vault", fixity.Disputed, policy.StepDecide, 0, a), finding(8, "attic", fixity.Disputed, policy.StepDecide, 0, a)}}, `
Nothing says which version is right. Listen to both, look at who made them and when.
Sign off the finding of the store that has the right one: firmus findings signoff 7 --reason "…"`},
		{"a cloud that is away", report.Matter{Findings: []ledger.Finding{{Finding: fixity.Finding{ID: 7, Subject: fixity.OfStore, Kind: fixity.Away, Store: "cloud"}}}}, `
Run: firmus check
When that says that it can be audited, run: firmus audit cloud`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			tc.m.Rules = rules
			if d := cmp.Diff(strings.TrimPrefix(tc.want, "\n"), strings.Join(tc.m.Steps(), "\n")); d != "" {
				t.Error("-want +got:\n" + d)
			}
		})
	}
}
