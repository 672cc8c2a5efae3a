package config_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/config"
)

func TestFind(t *testing.T) {
	cwd, other := t.TempDir(), t.TempDir()
	elsewhere := filepath.Join(other, "elsewhere.toml")
	env := func(named string) func(string) string {
		return func(key string) string {
			switch key {
			case "FIRMUS_CONFIG":
				return named
			case "ProgramData":
				return filepath.Join(other, "none")
			}
			return ""
		}
	}
	if _, err := os.Stat("/etc/firmus/firmus.toml"); err == nil && runtime.GOOS != "windows" {
		t.Skip("this computer has a configuration of its own")
	}
	_, err := config.Find("", env(""), cwd)
	if !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), filepath.Join(cwd, "firmus.toml")) {
		t.Errorf("nowhere: error = %v", err)
	}
	if err := os.WriteFile(filepath.Join(cwd, "firmus.toml"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	cases := []struct{ name, flag, env, want string }{
		{"here", "", "", filepath.Join(cwd, "firmus.toml")},
		{"by the variable", "", elsewhere, elsewhere},
		{"by the variable, relative", "", "a.toml", filepath.Join(cwd, "a.toml")},
		{"by the flag", "b.toml", elsewhere, filepath.Join(cwd, "b.toml")},
		{"by the flag, absolute", elsewhere, "a.toml", elsewhere},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if got, err := config.Find(c.flag, env(c.env), cwd); err != nil || got != c.want {
				t.Errorf("Find = %q, %v, want %q", got, err, c.want)
			}
		})
	}
}
