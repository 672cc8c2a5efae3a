package main

import (
	"strings"
	"testing"
)

// What a file's name says to a terminal never reaches one, however it was cut.
func TestNoNameEverReachesTheTerminal(t *testing.T) {
	const text = "a\x1b[2Jb\r\a\x00\x7f \u009b31m \u202egnp.exe \x9b ö 歌\t\n"
	const want = `a\x1b[2Jb\x0d\x07\x00\u007f \u009b31m \u202egnp.exe \x9b ö 歌` + "\t\n"
	for cut := range len(text) {
		var b strings.Builder
		p := &plain{w: &b}
		for _, part := range []string{text[:cut], text[cut:]} {
			if n, err := p.Write([]byte(part)); n != len(part) || err != nil {
				t.Fatal(n, err)
			}
		}
		if b.String() != want {
			t.Fatalf("cut at %d: %q", cut, b.String())
		}
	}
}
