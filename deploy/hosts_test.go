package deploy_test

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// The hosts of the compose file differ in where their pages are, and in nothing else: else
// they would refuse each other.
func TestHostsOfTheComposeFileAgree(t *testing.T) {
	text, err := os.ReadFile("compose.yaml")
	if err != nil {
		t.Fatal(err)
	}
	of := regexp.MustCompile(`(?ms)^  (host-[abc]):\n    content: \|\n(.*?)(?:^  \w|\z)`)
	rest, seen, first := string(text), 0, ""
	listens := regexp.MustCompile(`listen = "127.0.0.1:\d+"`)
	for _, name := range []string{"host-a", "host-b", "host-c"} {
		i := strings.Index(rest, "\n  "+name+":\n    content:")
		if i < 0 {
			t.Fatalf("%s has no configuration", name)
		}
		m := of.FindStringSubmatch(rest[i+1:])
		if m == nil || !listens.MatchString(m[2]) {
			t.Fatalf("%s: %q", name, m)
		}
		own := listens.ReplaceAllString(m[2], "")
		if seen++; first == "" {
			first = own
		}
		if own != first {
			t.Errorf("%s has\n%s\nand another\n%s", name, own, first)
		}
	}
	if strings.Count(string(text), "FIRMUS_HOST: ") != seen {
		t.Error("not every host has a name of its own")
	}
}
