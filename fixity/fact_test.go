package fixity_test

import (
	"bytes"
	"encoding/json"
	"os"
	"reflect"
	"slices"
	"testing"
	"time"

	"firmus/fixity"
)

// TestAStoredFactIsNeverReadBackOtherwise: testdata/facts.json has one fact of each kind, as
// ledgers hold it. A name or a form that changes there would lose what findings of today tell.
func TestAStoredFactIsNeverReadBackOtherwise(t *testing.T) {
	golden, err := os.ReadFile("testdata/facts.json")
	if err != nil {
		t.Fatal(err)
	}
	d := json.NewDecoder(bytes.NewReader(golden))
	d.DisallowUnknownFields()
	var all []fixity.Fact
	if err := d.Decode(&all); err != nil {
		t.Fatal(err)
	}
	var kinds []string
	fields := map[string]bool{}
	for _, x := range all {
		kinds = append(kinds, string(x.Is))
		v := reflect.ValueOf(x)
		for i := range v.NumField() {
			if !v.Field(i).IsZero() {
				fields[v.Type().Field(i).Name] = true
			}
		}
	}
	want := constants(t)["FactKind"]
	slices.Sort(want)
	slices.Sort(kinds)
	if !slices.Equal(kinds, want) {
		t.Errorf("the golden file has facts of the kinds %q, want each once: %q", kinds, want)
	}
	for i := range reflect.TypeFor[fixity.Fact]().NumField() {
		if name := reflect.TypeFor[fixity.Fact]().Field(i).Name; !fields[name] {
			t.Errorf("no fact of the golden file has the field %s", name)
		}
	}
	again, err := json.MarshalIndent(all, "", "\t")
	if err != nil {
		t.Fatal(err)
	}
	if again = append(again, '\n'); !bytes.Equal(again, golden) {
		t.Errorf("written again, the golden file is\n%s", again)
	}
}

// TestAPathOfAFactIsNeverMangled: names on a medium need not be UTF-8.
func TestAPathOfAFactIsNeverMangled(t *testing.T) {
	for _, p := range []fixity.Path{"", "QV-0107/a.wav", "QV-0107/\xe9t\xe9.wav", "\x00a", `"\`, "é"} {
		b, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		var got fixity.Path
		if err := json.Unmarshal(b, &got); err != nil || got != p {
			t.Errorf("%q is written as %s and read back as %q, %v", p, b, got, err)
		}
	}
	var p fixity.Path
	for _, bad := range []string{`7`, "\"\\u0000not base64!\""} {
		if err := json.Unmarshal([]byte(bad), &p); err == nil {
			t.Errorf("%s is read as a path", bad)
		}
	}
}

func TestTimesOfFactsAreUTC(t *testing.T) {
	zone := time.FixedZone("", 7200)
	for _, at := range fixity.Instants(time.Date(2026, 3, 1, 1, 0, 0, 0, zone), time.Date(2026, 7, 1, 1, 0, 0, 0, zone)) {
		if at.Location() != time.UTC || at.Hour() != 23 {
			t.Errorf("%s", at)
		}
	}
	if fixity.Told("") != nil {
		t.Error("nothing was told, and there is a fact of it")
	}
}
