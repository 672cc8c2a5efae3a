package main

import (
	"bytes"
	"encoding/json"
	"path"
	"path/filepath"
	"strings"
	"testing"

	"firmus/testdata"
)

// No sample of a folder or a bag is better or worse than its table says.
func TestNoFolderIsAnotherThanItsTableSays(t *testing.T) {
	for _, kind := range []string{"manifest", "bag"} {
		seen := map[string]bool{}
		for _, row := range testdata.Table(kind) {
			seen[row[0]] = true
			var out, msg bytes.Buffer
			exit := run([]string{"--json", kind, "verify", filepath.Join("..", "..", "testdata", kind, row[0])}, nil, &out, &msg)
			var doc struct {
				Valid    bool
				Problems []struct{ Kind, Path string }
			}
			if err := json.Unmarshal(out.Bytes(), &doc); err != nil {
				t.Fatalf("%s %s: %v\n%s%s", kind, row[0], err, out.String(), msg.String())
			}
			var got []string
			for _, p := range doc.Problems {
				got = append(got, p.Kind+" "+p.Path)
			}
			if doc.Valid != (row[1] == "yes") || (exit == 0) != doc.Valid || strings.Join(got, ", ") != row[2] {
				t.Errorf("%s %s: valid %v, exit %d, problems %q; its table says %q, %q", kind, row[0], doc.Valid, exit, got, row[1], row[2])
			}
		}
		folders, err := filepath.Glob(path.Join("..", "..", "testdata", kind, "*"))
		if err != nil || len(folders) < 5 {
			t.Fatalf("%s: only %d samples, %v", kind, len(folders), err)
		}
		for _, f := range folders {
			if !seen[filepath.Base(f)] {
				t.Errorf("%s has no line in its table", f)
			}
		}
	}
}
