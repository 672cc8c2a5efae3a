package app_test

import (
	"path/filepath"
	"slices"
	"testing"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/preview"
	"firmus/cmd/firmus/internal/register/workbook"
)

// What the configuration says of the register is what it is held against the ledger by.
func TestRegisterSettings(t *testing.T) {
	t.Parallel()
	c, err := config.Parse([]byte(`name = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[store.studio]
kind = "disk"
arrivals = true
sets = { masters = "masters" }
[register]
file = "register.csv"
columns = { item = "Number", restricted = "Access" }
restricted = { Public = "no", "no " = "no", NO = "yes" }
`), filepath.Join(t.TempDir(), "firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	var rows []register.Row
	for i, w := range []string{"public", "no", "open", ""} {
		rows = append(rows, register.Row{Line: i + 2, Cells: map[register.Field]register.Cell{
			register.Item: {Text: string(rune('1' + i)), Kind: register.TextCell}, register.Restricted: {Text: w}}})
	}
	var got []bool
	for _, s := range register.Reconcile(rows, register.Known{}, app.RegisterSettings(c.Register)).Says {
		got = append(got, s.Restricted)
	}
	if want := []bool{false, true, true, true}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// The configuration knows no package that reads registers: its names are held against theirs.
func TestRegisterNames(t *testing.T) {
	t.Parallel()
	var fields, rules []string
	for _, f := range register.Fields {
		fields = append(fields, preview.Key(f))
	}
	for _, r := range register.Rules {
		rules = append(rules, string(r))
	}
	for _, x := range [][2][]string{{config.RegisterColumns, fields}, {config.RegisterRules, rules}, {config.RegisterEncodings, workbook.Encodings}} {
		if !slices.Equal(slices.Sorted(slices.Values(x[0])), slices.Sorted(slices.Values(x[1]))) {
			t.Errorf("the configuration has %q, and it is read as %q", x[0], x[1])
		}
	}
}
