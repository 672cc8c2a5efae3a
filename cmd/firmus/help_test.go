package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/spf13/cobra"
)

// Every command's help has our layout: how it is used, sentences, lines that fit.
func TestHelpOfEveryCommand(t *testing.T) {
	var names [][]string
	var walk func(cmd *cobra.Command, path []string)
	walk = func(cmd *cobra.Command, path []string) {
		names = append(names, path)
		for _, sub := range cmd.Commands() {
			if sub.IsAvailableCommand() {
				walk(sub, append(path[:len(path):len(path)], sub.Name()))
			}
		}
	}
	c := &command{out: &bytes.Buffer{}, err: &bytes.Buffer{}}
	walk(c.root(), nil)
	if len(names) < 40 {
		t.Fatalf("only %d commands", len(names))
	}
	for _, path := range names {
		var out, errOut bytes.Buffer
		if status := run(append(path, "--help"), strings.NewReader(""), &out, &errOut); status != 0 || errOut.Len() > 0 {
			t.Errorf("%v: status %d, %s", path, status, errOut.String())
		}
		text := out.String()
		first, _, _ := strings.Cut(text, "\n")
		if !strings.HasPrefix(first, "Use: firmus") || strings.Contains(first, "[flags]") {
			t.Errorf("%v: begins with %q", path, first)
		}
		paragraph := strings.Split(text, "\n\n")[1]
		if !strings.ContainsAny(paragraph[len(paragraph)-1:], ".:") {
			t.Errorf("%v: says %q", path, paragraph)
		}
		for line := range strings.SplitSeq(text, "\n") {
			if n := utf8.RuneCountInString(line); n > helpWidth {
				t.Errorf("%v: a line of %d characters: %s", path, n, line)
			}
			for _, raw := range []string{"(needed)", "(default", " string", "[flags]", "..", " strings"} {
				if strings.Contains(line, raw) {
					t.Errorf("%v: %q in %s", path, raw, line)
				}
			}
		}
	}
}
