package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// Find says which configuration file is to be read: flag if it isn't empty, else
// $FIRMUS_CONFIG, else firmus.toml in the folder cwd, else the person's own place
// (OwnPlace), else the system's usual place. What flag or the variable names is taken at its word and need not exist;
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
	places := []string{filepath.Join(cwd, "firmus.toml")}
	if own := OwnPlace(getenv); own != "" {
		places = append(places, own)
	}
	places = append(places, usualPlace(runtime.GOOS, getenv))
	for _, path := range places {
		if _, err := os.Stat(path); err == nil {
			return path, nil
		} else if !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("look for a configuration: %w", err)
		}
	}
	return "", fmt.Errorf("no configuration: none of %s is there, and neither --config nor FIRMUS_CONFIG names one: %w",
		strings.Join(places, ", "), fs.ErrNotExist)
}

// OwnPlace is where the configuration lies of a person who starts the program by a double
// click, in no folder of theirs: where their other programs keep such files (XDG Base
// Directory Specification; Apple's File System Programming Guide; Windows' AppData). "" if
// the environment doesn't say.
func OwnPlace(getenv func(string) string) string { return ownPlace(runtime.GOOS, getenv) }

func ownPlace(goos string, getenv func(string) string) string {
	below := func(dir string, names ...string) string {
		if dir == "" {
			return ""
		}
		return filepath.Join(append([]string{dir}, names...)...)
	}
	switch goos {
	case "windows":
		return below(getenv("AppData"), "Firmus", "firmus.toml")
	case "darwin":
		return below(getenv("HOME"), "Library", "Application Support", "Firmus", "firmus.toml")
	}
	if dir := getenv("XDG_CONFIG_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "firmus", "firmus.toml")
	}
	return below(getenv("HOME"), ".config", "firmus", "firmus.toml")
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
