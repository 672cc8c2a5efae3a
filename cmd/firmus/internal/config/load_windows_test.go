package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/config"
)

// A path without a drive lies on the configuration's, one without a root beside it; a drive
// without a root is refused, since nobody can say where on it that is.
func TestPathsOfWindows(t *testing.T) {
	file := filepath.Join(t.TempDir(), "firmus.toml")
	load := func(state string) (string, error) {
		text := "name = 'Q'\nstate = '" + state + "'\n[set.masters]\nrole = 'master'\n[store.studio]\nkind = 'disk'\narrivals = true\nsets = { masters = 'studio' }\n"
		if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		c, err := config.Load(file)
		if err != nil {
			return "", err
		}
		return c.State, nil
	}
	for state, want := range map[string]string{
		`state`:                filepath.Join(filepath.Dir(file), "state"),
		`keep/state`:           filepath.Join(filepath.Dir(file), "keep", "state"),
		`/keep/state`:          filepath.VolumeName(file) + `\keep\state`,
		`\keep\state`:          filepath.VolumeName(file) + `\keep\state`,
		`D:\keep\state`:        `D:\keep\state`,
		`d:/keep/../state`:     `d:\state`,
		`\\server\share\state`: `\\server\share\state`,
	} {
		if got, err := load(state); err != nil || got != want {
			t.Errorf("%s: %s, %v, want %s", state, got, err, want)
		}
	}
	if _, err := load(`D:state`); err == nil || !strings.Contains(err.Error(), `lacks a backslash`) || !strings.Contains(err.Error(), "2:") {
		t.Errorf("a drive without a root: %v", err)
	}
}
