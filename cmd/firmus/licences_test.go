package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// saying is what stands in a licence's text and in no other's of these, with blanks for line
// ends; of the published texts (SPDX License List).
var saying = map[string]string{
	"Apache-2.0":   "Apache License Version 2.0, January 2004",
	"BSD-2-Clause": "BSD 2-Clause License",
	"BSD-3-Clause": "either the name",
	"CC0-1.0":      "public domain with CC0 1.0",
	"MIT":          "Permission is hereby granted, free of charge",
	"MPL-2.0":      "Mozilla Public License Version 2.0",
	"Unlicense":    "This is free and unencumbered software released into the public domain",
	"Zlib":         "provided 'as-is', without any express or implied warranty",
}

var licenceName = regexp.MustCompile(`(?i)^((un)?licen[sc]e(\.txt|\.md)?|copying)$`)

// Each module that is in the program of some system has its row, which says what the
// module's own text says; and no row is left over.
func TestLicences(t *testing.T) {
	in := map[string]string{} // module's path to its folder
	for _, system := range []string{"linux", "windows", "darwin"} {
		list := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}}\t{{.Dir}}{{end}}{{end}}", ".")
		list.Env = append(os.Environ(), "GOOS="+system, "GOARCH=amd64", "CGO_ENABLED=0")
		out, err := list.Output()
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(out)) {
			module, dir, _ := strings.Cut(strings.TrimSpace(line), "\t")
			if module != "" {
				in[module] = dir
			}
		}
	}
	if len(in) < 30 {
		t.Fatalf("only %d modules", len(in))
	}
	for module, dir := range in {
		licence, ok := licences[module]
		if !ok {
			t.Errorf("licences.go has no row for %s, which lies in %s", module, dir)
			continue
		}
		text := licenceText(t, dir)
		if saying[licence] == "" || !strings.Contains(text, saying[licence]) {
			t.Errorf("%s: the text in %s isn't that of %s: %.80q", module, dir, licence, text)
		}
	}
	for module := range licences {
		if in[module] == "" {
			t.Errorf("licences.go has a row for %s, which is in no program", module)
		}
	}
}

// licenceText gives the text of the licence in a module's folder, with single blanks.
func licenceText(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if licenceName.MatchString(e.Name()) {
			text, err := os.ReadFile(filepath.Join(dir, e.Name()))
			if err != nil {
				t.Fatal(err)
			}
			return strings.Join(strings.Fields(string(text)), " ")
		}
	}
	t.Errorf("no text of a licence in %s", dir)
	return ""
}
