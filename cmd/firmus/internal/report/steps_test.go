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
		{Name: "sky", Kind: "cloud", Sets: []string{"masters"}},
		{Name: "vault", Kind: "disk", Sets: []string{"masters"}},
	},
	Sets: []policy.Set{{Name: "masters", Role: fixity.Master}},
}

func finding(id int64, store string, kind fixity.State, step policy.Step, incident int64, path string) ledger.Finding {
	return ledger.Finding{Step: step, Finding: fixity.Finding{ID: id, Subject: fixity.OfFile, Kind: fixity.Kind(kind), Urgency: fixity.AtRisk,
		Store: store, Set: "masters", Path: path, IntactIn: []string{"vault"}, Incident: incident}}
}

// inCloud is a matter of a file in a folder in the cloud that follows nothing.
func inCloud(kind fixity.State, step policy.Step, a fixity.Anatomy, detail string) report.Matter {
	f := finding(7, "sky", kind, step, 0, "QV-0107/QV-0107_A.wav")
	f.Anatomy, f.Detail = a, detail
	if kind == fixity.Misplaced {
		f.FoundAt = "QV-0108/QV-0107_A.wav"
	}
	return report.Matter{Findings: []ledger.Finding{f}}
}

// TestSaid: what a service says of a file stands beside what was read.
func TestSaid(t *testing.T) {
	for _, tc := range []struct {
		name, store, detail string
		kind                fixity.State
		want                string
	}{
		{"missing", "cloud", "it lies in the bin", fixity.Missing, "it lies in the bin"},
		{"missing from a disk", "vault", "a complete listing doesn't show it", fixity.Missing, ""},
		{"rot", "cloud", "read twice; " + ledger.SaysRight + "; compared with the studio", fixity.Altered, ledger.SaysRight},
		{"exchanged", "cloud", "read twice; " + ledger.SaysOther + "; compared", fixity.Altered, ledger.SaysOther},
		{"broken off", "cloud", "read twice; " + ledger.SaysFewer + "; compared", fixity.Altered, ledger.SaysFewer},
		{"of which it says nothing", "cloud", "read twice", fixity.Altered, ""},
	} {
		f := finding(7, tc.store, tc.kind, policy.StepRecover, 0, "a.wav")
		f.Detail = tc.detail
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
		{report.Owner{Store: "cloud", Owner: "archive@quillmere.example", Files: 1200, Own: true}, "1,200 files in the cloud folder belong to the account that owns the folder: they go when it is closed"},
	} {
		if got := tc.o.Text("cloud folder"); got != tc.want {
			t.Errorf("%q, want %q", got, tc.want)
		}
	}
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
Upload QV-0107/QV-0107_A.wav from vault to cloud, then run: firmus audit cloud`},
		{"a failing drive with an only copy", report.Matter{Only: 2, Findings: []ledger.Finding{finding(7, "vault", fixity.Unreadable, policy.StepRecover, 3, a), finding(8, "vault", fixity.Unreadable, policy.StepRecover, 3, b)}}, `
Stop using the vault: no copying, no audit, no repair program. When nothing works on it any more, disconnect it.
2 files on it were shown to be in no other store. Let somebody qualified save them first, to a new drive: see the list.
When the new drive is in its place: firmus store replace vault --reason "…" (it reads the new drive whole)`},
		{"a failing drive where files arrive", report.Matter{Findings: []ledger.Finding{finding(7, "studio", fixity.Unreadable, policy.StepRecover, 3, a), finding(8, "studio", fixity.Unreadable, policy.StepRecover, 3, b)}, Fewest: []ledger.Elsewhere{{Others: 1}}}, `
Pause the program that keeps the cloud in step: it could carry the damage on, or be hindered.
Stop using the studio: no copying, no audit, no repair program. When nothing works on it any more, disconnect it.
Every file on it was shown to be in another store. From there, copy to a new drive first what has the fewest other copies: see the list.
When the new drive holds all of it and is in its place: firmus store adopt studio
Then have it read whole: firmus audit studio --full
Start that program again when this is put right.`},
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
Run: firmus check. It says whether it is the connection, the sign-in or the sharing of the folder, and what to do.
When it says that the store can be audited, run: firmus audit cloud`},
		{"in the cloud: missing", inCloud(fixity.Missing, policy.StepRecover, "", "it lies in the bin"), `
Look in the service's bin: whoever owns the file can take it out of there for as long as the service keeps it.
If it isn't there: upload QV-0107/QV-0107_A.wav from vault to its folder again, then run: firmus audit sky`},
		{"in the cloud: an upload that broke off", inCloud(fixity.Altered, policy.StepRecover, fixity.CutShort, "read twice: the same wrong bytes; "+ledger.SaysFewer), `
Look whether its upload still goes on, and if not why it broke off.
Upload QV-0107/QV-0107_A.wav from vault again, as a new version of the same file, then run: firmus audit sky`},
		{"in the cloud: exchanged", inCloud(fixity.Altered, policy.StepRecover, fixity.Replaced, "read twice: the same wrong bytes; "+ledger.SaysOther), `
Look at the service's list of the file's earlier versions: it says who put this one there, and when. Earlier ones are kept for some weeks only.
Go back to the earlier version there, or upload QV-0107/QV-0107_A.wav from vault as a new version of the same file, then run: firmus audit sky`},
		{"in the cloud: rot", inCloud(fixity.Altered, policy.StepRecover, fixity.Flipped, "read twice: the same wrong bytes; "+ledger.SaysRight), `
Nobody exchanged it: it changed where the service keeps it, or on the way. Download it once more, keep that outside the sets, and tell the service.
Upload QV-0107/QV-0107_A.wav from vault as a new version of the same file, then run: firmus audit sky`},
		{"in the cloud: in the wrong folder", inCloud(fixity.Misplaced, policy.StepMoveBack, "", ""), `
In the service, move it back from QV-0108/QV-0107_A.wav to QV-0107/QV-0107_A.wav, then run: firmus audit sky`},
		{"in the cloud: no intact copy", inCloud(fixity.Altered, policy.StepOther, fixity.Flipped, ""), `
Don't touch any copy of it. Look for another one: in the service's bin and its list of the file's earlier versions, on discs, the recorder's stick, with whoever was given a copy.`},
		{"in the cloud: unsteady", inCloud(fixity.Unsteady, policy.StepReread, "", ""), `
Look at the connection, try from another computer, then run: firmus audit sky. Put nothing back before two readings agree.`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			tc.m.Rules = rules
			if d := cmp.Diff(strings.TrimPrefix(tc.want, "\n"), strings.Join(tc.m.Steps(), "\n")); d != "" {
				t.Error("-want +got:\n" + d)
			}
		})
	}
}
