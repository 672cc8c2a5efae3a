package optical_test

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"firmus/replicas/optical/iso"
	"firmus/replicas/optical/udf"
	"firmus/replicas/testing/discfstest"
	"firmus/testdata"
)

// TestRecipesMakeTheirTrees holds each recipe of testdata's README.md against the trees
// that its image must have.
func TestRecipesMakeTheirTrees(t *testing.T) {
	dir := discfstest.Write(t, map[string]int{"QV-0107/QV-0107_A.wav": 5000, "notes.txt": 10})
	for _, row := range testdata.Table("disc") {
		if row[1] == "mkudffs" {
			continue // its volume is empty: see package udf
		}
		t.Run(row[0], func(t *testing.T) {
			b, err := os.ReadFile(discfstest.Image(t, row[0], dir))
			if err != nil {
				t.Fatal(err)
			}
			var trees []string
			if _, err := udf.Open(bytes.NewReader(b), int64(len(b)), 0); err == nil {
				trees = append(trees, "udf")
			}
			m, err := iso.Open(bytes.NewReader(b), int64(len(b)), 0)
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range m.Views() {
				trees = append(trees, string(v))
			}
			if got := strings.Join(trees, " "); got != row[3] {
				t.Errorf("its trees are %s, and not %s", got, row[3])
			}
		})
	}
}
