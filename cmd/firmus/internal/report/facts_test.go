package report_test

import (
	"encoding/json"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// examples are facts of each kind, as ledgers hold them.
func examples(t *testing.T) []fixity.Fact {
	t.Helper()
	b, err := os.ReadFile("../../../../fixity/testdata/facts.json")
	if err != nil {
		t.Fatal(err)
	}
	var all []fixity.Fact
	if err := json.Unmarshal(b, &all); err != nil || len(all) < 40 {
		t.Fatalf("%d facts: %v", len(all), err)
	}
	return all
}

// TestAFactIsNeverWithoutWords: each kind has its sentence, with all that the fact holds.
func TestAFactIsNeverWithoutWords(t *testing.T) {
	odd := regexp.MustCompile(`%!|\bmap\[|  |\[\]|0001-01-01`)
	for _, x := range examples(t) {
		s := report.Fact(x)
		if s == "" || odd.MatchString(s) {
			t.Errorf("%s: %q", x.Is, s)
		}
		for _, p := range x.Places {
			if !strings.Contains(s, ledger.DisplayPath(string(p))) {
				t.Errorf("%s: %q doesn't name %q", x.Is, s, p)
			}
		}
		if x.Root != "" && !strings.Contains(s, x.Root) {
			t.Errorf("%s: %q doesn't say where", x.Is, s)
		}
		here := report.Facts([]fixity.Fact{x}, func(time.Time) string { return "HERE" })
		if n := strings.Count(here, "HERE"); n < len(x.At) || strings.Contains(here, "UTC") && x.Is != fixity.AsTold {
			t.Errorf("%s: %q has %d of %d times in the zone of the reader", x.Is, here, n, len(x.At))
		}
	}
}

func TestFactsStandOneBehindTheOther(t *testing.T) {
	got := report.Facts([]fixity.Fact{{Is: fixity.SignKept}, {Is: fixity.NoSave}, {Is: fixity.Lacks, Code: "empty"}, {Is: fixity.ServiceRight}}, nil)
	want := "size and date of the file have not changed; somebody saved it while it was being edited, but this is no new version: " +
		"it is empty: there is not a single byte in it; the service goes on reporting the right checksum: only reading shows it"
	if got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
