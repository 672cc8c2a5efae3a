package config

import (
	"os"
	"path/filepath"
	"strings"
)

// CommandIn is how a command begins in a folder that uses a configuration.
func CommandIn(dir, path string) string {
	abs, err := filepath.Abs(path)
	if found, err2 := Find("", os.Getenv, dir); err == nil && err2 == nil && found == abs {
		return "firmus"
	}
	return "firmus --config " + InShell(path)
}

// InShell is a path as it is typed into a shell.
func InShell(path string) string {
	if !strings.ContainsAny(path, " '&()$;\"") {
		return path
	}
	if strings.ContainsAny(path, `$"`) && !strings.Contains(path, "'") {
		return "'" + path + "'"
	}
	return `"` + path + `"`
}
