package report

import (
	"encoding/json"
	"fmt"
	"math"
	"path"
	"strings"

	"firmus/fixity"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// alike is how near peaks are that are the same: one step of 16 bits.
const alike = 1 << 16

// Suspicions are signs that masters of one item aren't untouched transfers: one begins in
// digital silence, which no tape gives; or all peak at one value below full scale, as files
// do that a program brought to one level. *Common practice*; neither is a proof, so each is
// said as a question.
func Suspicions(masters []ledger.Heard) (out []string) {
	var silent []string
	peak, same := int64(0), len(masters) > 1
	for i, m := range masters {
		var s sound.Sound
		if m.Sound == "" || json.Unmarshal([]byte(m.Sound), &s) != nil {
			same = false
			continue
		}
		if s.Begins > 0 {
			silent = append(silent, fmt.Sprintf("%s (%s)", Show(path.Base(m.Path)), Lasts(s.Begins)))
		}
		full := int64(math.MaxInt32)
		if s.Bits > 0 && s.Bits <= 32 {
			full = (1<<(s.Bits-1) - 1) << (32 - s.Bits)
		}
		if i == 0 {
			peak = s.Peak
		}
		same = same && s.Peak > 0 && s.Peak < full && max(s.Peak-peak, peak-s.Peak) < alike
	}
	if len(silent) > 0 {
		out = append(out, fmt.Sprintf("%s begin in digital silence: %s. A tape that runs is never quite silent. Were they edited before they were taken in? Then keep the untouched transfer too, if it is still on the stick.",
			fixity.Count(len(silent), "master"), strings.Join(silent[:min(len(silent), toldMost)], ", ")))
		if len(silent) == 1 {
			out[0] = strings.Replace(out[0], "begin in", "begins in", 1)
			out[0] = strings.Replace(out[0], "Were they edited before they were", "Was it edited before it was", 1)
		}
	}
	if same {
		all := "both masters"
		if len(masters) > 2 {
			all = "all " + fixity.Count(len(masters), "master")
		}
		out = append(out, fmt.Sprintf("%s peak at just one level, %.2f dB below full scale. Were they brought to one level by a program before they were taken in?", all, -20*math.Log10(float64(peak)/(1<<31))))
	}
	return out
}
