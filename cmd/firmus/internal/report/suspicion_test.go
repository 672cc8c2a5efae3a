package report_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// What looks edited is said as a question, and what doesn't isn't said at all.
func TestSuspicions(t *testing.T) {
	heard := func(path string, begins time.Duration, peak int64) ledger.Heard {
		b, err := json.Marshal(sound.Sound{Format: sound.WAVE, Codec: sound.PCM, Bits: 24, Begins: begins, Peak: peak})
		if err != nil {
			t.Fatal(err)
		}
		return ledger.Heard{Path: path, Sound: string(b)}
	}
	const minus1 = 1913946815 // 10^(-1/20) of 2^31
	const full = (1<<23 - 1) << 8
	for _, c := range []struct {
		name    string
		masters []ledger.Heard
		want    []string
	}{
		{"two transfers", []ledger.Heard{heard("a.wav", 0, 1_200_000_000), heard("b.wav", 0, 1_500_000_000)}, nil},
		{"one that begins in silence", []ledger.Heard{heard("QV-1/a.wav", 2*time.Second, 1), heard("b.wav", 0, 1_500_000_000)}, []string{"1 master begins in digital silence: a.wav (2.00 s). A tape that runs is never quite silent. Was it edited"}},
		{"two that do", []ledger.Heard{heard("a.wav", time.Second, 5), heard("b.wav", time.Second, 1_500_000_000)}, []string{"2 masters begin in digital silence"}},
		{"one level, of two", []ledger.Heard{heard("a.wav", 0, minus1), heard("b.wav", 0, minus1)}, []string{"both masters peak at just one level, 1.00 dB below"}},
		{"one level", []ledger.Heard{heard("a.wav", 0, minus1), heard("b.wav", 0, minus1+100), heard("c.wav", 0, minus1)}, []string{"all 3 masters peak at just one level, 1.00 dB below"}},
		{"one master has no other to compare", []ledger.Heard{heard("a.wav", 0, minus1)}, nil},
		{"two that clip", []ledger.Heard{heard("a.wav", 0, full), heard("b.wav", 0, full)}, nil},
		{"one of which nothing is known", []ledger.Heard{heard("a.wav", 0, minus1), heard("b.wav", 0, minus1), {Path: "c.flac"}}, nil},
		{"two of an earlier version of the ledger", []ledger.Heard{heard("a.wav", 0, 0), heard("b.wav", 0, 0)}, nil},
	} {
		got := report.Suspicions(c.masters)
		if len(got) != len(c.want) {
			t.Errorf("%s: %q", c.name, got)
			continue
		}
		for i := range got {
			if !strings.HasPrefix(got[i], c.want[i]) || !strings.Contains(got[i], "?") {
				t.Errorf("%s: %q, want %q", c.name, got[i], c.want[i])
			}
		}
	}
}
