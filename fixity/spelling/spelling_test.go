package spelling_test

import (
	"testing"

	"firmus/fixity/spelling"
)

func TestAsk(t *testing.T) {
	items := []string{"TH-0553 (acetate)", "TH-0554", "TH-0560", "QV-0007", "QV-0100", "QV-0070", "QV-0071", "QV-0072"}
	for got, want := range map[string]string{
		"TH-0553": ` (did you mean "TH-0553 (acetate)"?)`,
		"th554":   ` (did you mean "TH-0554"?)`,
		"qv 7":    ` (did you mean "QV-0007"?)`,
		"TH-056":  ` (did you mean "TH-0560"?)`,
		"QV-007":  ` (did you mean "QV-0007"?)`,
		"QV-00":   "",
		"QV-7":    ` (did you mean "QV-0007"?)`,
		"qv":      ` (did you mean "QV-0007", "QV-0070" or "QV-0071"?)`,
		"HT-0554": ` (did you mean "TH-0554"?)`,
		"":        "",
		"song":    "",
	} {
		if a := spelling.Ask(got, items); a != want {
			t.Errorf("%q: %s, not %s", got, a, want)
		}
	}
}
