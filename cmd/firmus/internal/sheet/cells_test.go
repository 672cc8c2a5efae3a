package sheet_test

import (
	"testing"

	"firmus/cmd/firmus/internal/sheet"
)

// No cell is a formula, and each comes back as it was.
func TestCSVCells(t *testing.T) {
	for cell, want := range map[string]string{
		"": "", "a": "a", "-1": "-1", "+1.5": "+1.5", "'tis": "'tis", "a=b": "a=b",
		"=1+1": "'=1+1", "+cmd": "'+cmd", "-x.wav": "'-x.wav", "@A1": "'@A1", "\ta": "'\ta", "\ra": "'\ra", "'=1": "''=1", "--": "'--",
	} {
		got := sheet.CSVCells([][]string{{cell}})[0][0]
		if got != want {
			t.Errorf("%q: %q, not %q", cell, got, want)
		}
		if back := sheet.CSVCell(got); back != cell {
			t.Errorf("%q comes back as %q", cell, back)
		}
	}
}
