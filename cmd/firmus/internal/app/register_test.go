package app_test

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

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

// The daemon reads the register when its file has changed, and when the configuration has.
func TestDaemonReadsTheRegister(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, `[register]
file = "register.csv"
columns = { item = "Number", restricted = "Access" }
`)
	row := "Number,Access\nQV-0100,open\n"
	w.put("register.csv", []byte(row), time.Now().Add(-time.Hour))
	r := w.daemon(addr)
	reads := func(n int) func() bool {
		return func() bool { return strings.Count(r.log.text(), "the register was read") >= n }
	}
	restricted := func(want bool) {
		t.Helper()
		a := w.open()
		defer a.Close()
		if got, err := a.Acts.Restricted(t.Context(), "QV-0100"); err != nil || got != want {
			t.Errorf("restricted: %v, %v; want %v", got, err, want)
		}
	}
	r.within(20*time.Second, "it is read", reads(1))
	restricted(false)
	w.put("register.csv", []byte(row+"QV-0101,closed\n"), time.Now())
	r.within(20*time.Second, "it is read once it changes", reads(2))
	text, err := os.ReadFile(w.path("firmus.toml"))
	if err != nil {
		t.Fatal(err)
	}
	w.put("firmus.toml", bytes.Replace(text, []byte("[register]"), []byte("[register]\nrestricted = { open = \"yes\" }"), 1), time.Now())
	r.reload <- struct{}{}
	r.within(20*time.Second, "it is read once the configuration changes", reads(3))
	restricted(true)
}
