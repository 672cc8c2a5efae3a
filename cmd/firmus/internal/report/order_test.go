package report_test

import (
	"testing"

	"firmus/cmd/firmus/internal/report"
)

// An order is a command on the terminal, and both in a letter: where the form is, and what
// may be typed instead.
func TestOrdersInEachSurface(t *testing.T) {
	letter := report.LetterSay("http://127.0.0.1:7340")
	for _, tc := range []struct {
		o                report.Order
		terminal, letter string
	}{
		{report.Order{Act: report.Recover, Findings: []int64{7}, Paused: true}, "firmus recover 7 --paused",
			"open http://127.0.0.1:7340/findings/7#put and choose “Put it right”, or type: firmus recover 7 --paused"},
		{report.Order{Act: report.Recover, Findings: []int64{7}, Disc: "QD-0031 A"}, `firmus recover 7 --from "QD-0031 A"`,
			`open http://127.0.0.1:7340/findings/7#put and choose “Put it right”, or type: firmus recover 7 --from "QD-0031 A"`},
		{report.Order{Act: report.Recover, Incident: 3}, "firmus recover --incident 3",
			"open http://127.0.0.1:7340/incidents/3#put and choose “Put all right”, or type: firmus recover --incident 3"},
		{report.Order{Act: report.SignOff, Findings: []int64{7}, Means: "new-transfer"}, `firmus findings signoff 7 --new-transfer --reason "…"`,
			`open http://127.0.0.1:7340/findings/7#accept and accept it as “It is a better transfer, made on purpose”, or type: firmus findings signoff 7 --new-transfer --reason "…"`},
		{report.Order{Act: report.SignOff, Incident: 3, Files: 24}, `firmus findings signoff --incident 3 --files 24 --reason "…"`,
			`open http://127.0.0.1:7340/incidents/3#accept and choose “Sign off all”, or type: firmus findings signoff --incident 3 --files 24 --reason "…"`},
		{report.Order{Act: report.Settle, Findings: []int64{7}}, `firmus findings settle 7 --reason "…"`,
			`open http://127.0.0.1:7340/findings/7#leave and leave it as it is, with a reason, or type: firmus findings settle 7 --reason "…"`},
		{report.Order{Act: report.ReadStore, Stores: []string{"studio"}, Run: true}, "run: firmus audit studio",
			"open http://127.0.0.1:7340/work?store=studio#read and read studio, or run: firmus audit studio"},
		{report.Order{Act: report.ReadStore, Stores: []string{"cloud"}, Full: true, Set: "masters", Under: "QV-0107/A 1.wav"}, `firmus audit cloud --full --set masters --under "QV-0107/A 1.wav"`,
			`open http://127.0.0.1:7340/work?full=yes&only=masters%2FQV-0107%2FA+1.wav&store=cloud#read and read masters/QV-0107/A 1.wav in cloud, or type: firmus audit cloud --full --set masters --under "QV-0107/A 1.wav"`},
		{report.Order{Act: report.ShowFinding, Findings: []int64{7}}, "firmus findings show 7", "http://127.0.0.1:7340/findings/7 (or firmus findings show 7)"},
		{report.Order{Act: report.BurnSheet, Disc: "QD-0031"}, "firmus disc sheet QD-0031", "http://127.0.0.1:7340/print/discs/QD-0031/burn (or firmus disc sheet QD-0031)"},
		{report.Order{Act: report.CheckDisc, Disc: "QD-0031", Device: true}, "firmus disc check QD-0031 --drive DEVICE", "firmus disc check QD-0031 --drive DEVICE"},
		{report.Order{Act: report.DecideDisc, Disc: "QD-0031", Because: "burned with levelling"}, `firmus disc decide QD-0031 --reason "burned with levelling"`,
			`open http://127.0.0.1:7340/work?decide=QD-0031#disc and choose “Decide for a class of discs”, or type: firmus disc decide QD-0031 --reason "burned with levelling"`},
		{report.Order{Act: report.AdoptStore, Stores: []string{"vault"}}, "firmus store adopt vault",
			"open http://127.0.0.1:7340/stores/vault#adopt and choose “Adopt it”, or type: firmus store adopt vault"},
		{report.Order{Act: report.ReplaceStore, Stores: []string{"vault"}}, `firmus store replace vault --reason "…"`,
			`open http://127.0.0.1:7340/stores/vault#replace and choose “Replace it”, or type: firmus store replace vault --reason "…"`},
		{report.Order{Act: report.ReadRegister}, "firmus register read", "open http://127.0.0.1:7340/register and choose “Read it now”, or type: firmus register read"},
		{report.Order{Act: report.RetireDisc, Disc: "QD-0031"}, `firmus disc retire QD-0031 --reason "…"`, `firmus disc retire QD-0031 --reason "…"`},
		{report.Order{Act: report.Choose, Means: "new-transfer"}, "--new-transfer", "“It is a better transfer, made on purpose” (--new-transfer)"},
	} {
		if got := tc.o.String(); got != tc.terminal {
			t.Errorf("terminal: %q, want %q", got, tc.terminal)
		}
		if got := tc.o.In(letter); got != tc.letter {
			t.Errorf("letter: %q, want %q", got, tc.letter)
		}
		if got := tc.o.In(report.LetterSay("")); got != tc.terminal {
			t.Errorf("a letter without pages: %q, want %q", got, tc.terminal)
		}
	}
}
