package hosts

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// WhereSet begins what hosts need not say, and must say alike if they do.
const WhereSet = "where they are set, "

// Agreed is what all hosts must say alike: texts by what they are of, in people's words
// ("store vault, root of masters").
type Agreed map[string]string

// text is how it is kept for other hosts.
func (a Agreed) text() string {
	b, _ := json.Marshal(a) // texts always can be
	return string(b)
}

// mostDiffers bounds how many differences are told.
const mostDiffers = 5

// differs says in which points the host that says a differs from one that said other.
func (a Agreed) differs(other, mine, its string) (out []string) {
	var b Agreed
	if err := json.Unmarshal([]byte(other), &b); err != nil {
		return []string{"what " + its + " said of its configuration can't be read"}
	}
	all := maps.Clone(a)
	maps.Copy(all, b)
	for _, what := range slices.Sorted(maps.Keys(all)) {
		x, ok := a[what]
		y, also := b[what]
		switch {
		case ok != also && strings.HasPrefix(what, WhereSet):
		case !ok:
			out = append(out, fmt.Sprintf("%s is unknown on %s", what, mine))
		case !also:
			out = append(out, fmt.Sprintf("%s is unknown on %s", what, its))
		case x != y:
			out = append(out, fmt.Sprintf("%s is %s on %s and %s on %s", what, orNothing(x), mine, orNothing(y), its))
		}
	}
	if n := len(out); n > mostDiffers {
		out = append(out[:mostDiffers], fmt.Sprintf("and %d more", n-mostDiffers))
	}
	return out
}

func orNothing(s string) string {
	if s == "" {
		return "not set"
	}
	return fmt.Sprintf("%q", s)
}
