package report_test

import (
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/ledger"
)

// A stave shows each copy on a line of its own, and says what its signs mean.
func TestStave(t *testing.T) {
	at := time.Date(2026, 3, 2, 2, 11, 0, 0, time.UTC)
	copyOf := func(store string, s fixity.State) ledger.Copy {
		return ledger.Copy{Store: store, State: s, Size: 1000, Read: fixity.Evidence{At: at, OK: s == fixity.Intact}}
	}
	sec := func(from, to int) []damage.Span {
		return []damage.Span{{InSound: true, From: time.Duration(from) * time.Second, To: time.Duration(to) * time.Second}}
	}
	voice := func(store string, s fixity.State, how fixity.Anatomy, hurt []damage.Span) report.Voice {
		return report.Voice{Name: store, Copy: copyOf(store, s), Kind: fixity.Kind(s), How: how, Hurt: hurt, Words: string(s)}
	}
	reported := voice("cloud", fixity.Intact, "", nil)
	reported.Copy.Read, reported.Copy.Reported = fixity.Evidence{}, fixity.Evidence{At: at, OK: true}
	away := voice("vault", fixity.Intact, "", nil)
	away.Away = true
	for _, c := range []struct {
		name   string
		voices []report.Voice
		want   string
	}{
		{"wrong bytes, beside what was read and what was reported", []report.Voice{voice("studio", fixity.Altered, fixity.Zeroed, sec(50, 51)), reported, away}, `
        0:00:00.000          0:01:40.000
studio  ━━━━━━━━━━━━━━━━▒━━━━━━━━━━━━━━━  altered
cloud   ────────────────────────────────  intact
vault   ════════════════════════════════  intact
━ read and right   ─ reported right, not read   ═ right when last read, not here now   ▒ other bytes`},
		{"cut short, awaited, missing", []report.Voice{voice("studio", fixity.Altered, fixity.CutShort, sec(60, 100)), voice("cloud", fixity.Awaited, "", nil), voice("vault", fixity.Missing, "", nil)}, `
        0:00:00.000          0:01:40.000
studio  ━━━━━━━━━━━━━━━━━━━┃              altered
cloud   ┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈  awaited
vault                                     missing
━ read and right   ┈ awaited   ┃ it ends here`},
		{"grown, and what can't be read", []report.Voice{voice("studio", fixity.Altered, fixity.Grown, sec(100, 120)), voice("cloud", fixity.Unreadable, "", sec(25, 50))}, `
        0:00:00.000          0:01:40.000
studio  ━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━▶  altered
cloud   ━━━━━━━━        ━━━━━━━━━━━━━━━━  unreadable
━ read and right   ▶ it goes on behind the end   a gap: can't be read`},
		{"nothing is known of where", []report.Voice{voice("studio", fixity.Altered, "", nil)}, `
        0:00:00.000          0:01:40.000
studio  ▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒  altered
▒ other bytes`},
		{"the description alone", []report.Voice{voice("studio", fixity.Altered, fixity.DescriptionOnly, []damage.Span{{}})}, `
        0:00:00.000          0:01:40.000
studio  ━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━  altered
━ read and right`},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := "\n" + strings.Join(report.Stave{Length: 100 * time.Second, Voices: c.voices}.Lines(32), "\n")
			if got != c.want {
				t.Errorf("got%s\nwant%s", got, c.want)
			}
		})
	}
	if lines := (report.Stave{Voices: []report.Voice{voice("studio", fixity.Intact, "", nil)}}).Lines(32); lines != nil {
		t.Errorf("a recording of unknown length has a stave: %q", lines)
	}
}
