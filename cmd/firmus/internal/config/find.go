package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
)

// Find says which configuration file is to be read: flag if it isn't empty, else
// $FIRMUS_CONFIG, else firmus.toml in the folder cwd, else the system's usual
// place. What flag or the variable names is taken at its word and need not exist;
// a relative path is relative to cwd. If there is no file at the other places the
// error wraps fs.ErrNotExist and says where one was looked for.
func Find(flag string, getenv func(string) string, cwd string) (string, error) {
	for _, named := range []string{flag, getenv("FIRMUS_CONFIG")} {
		if named == "" {
			continue
		}
		if !filepath.IsAbs(named) {
			named = filepath.Join(cwd, named)
		}
		return named, nil
	}
	here, usual := filepath.Join(cwd, "firmus.toml"), usualPlace(runtime.GOOS, getenv)
	for _, path := range []string{here, usual} {
		if _, err := os.Stat(path); err == nil {
			return path, nil
		} else if !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("look for a configuration: %w", err)
		}
	}
	return "", fmt.Errorf("no configuration: neither %s nor %s is there, and neither --config nor FIRMUS_CONFIG names one: %w",
		here, usual, fs.ErrNotExist)
}

// usualPlace is where the system's own programs keep their configuration.
func usualPlace(goos string, getenv func(string) string) string {
	switch goos {
	case "windows":
		data := getenv("ProgramData")
		if data == "" {
			data = `C:\ProgramData`
		}
		return filepath.Join(data, "Firmus", "firmus.toml")
	case "darwin":
		return "/Library/Application Support/Firmus/firmus.toml"
	}
	return "/etc/firmus/firmus.toml"
}
