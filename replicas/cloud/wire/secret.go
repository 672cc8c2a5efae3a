package wire

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"strings"

	"firmus/fixity"
	"firmus/replicas/named"
)

// maxSecret bounds a credential's file.
const maxSecret = 1 << 16

// Secret is the text of a credential's file. It refuses (fixity.ErrRefused) one that other
// accounts of this computer can read, and what is no small file; the text says what to do.
func Secret(path string) ([]byte, error) {
	f, err := named.Open(path)
	if err != nil {
		return nil, fmt.Errorf("credential: %w", err)
	}
	defer f.Close()
	fi, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("credential: %w", err)
	}
	if fi.Size() > maxSecret {
		return nil, fmt.Errorf("credential %s: %w: no key file", path, fixity.ErrRefused)
	}
	if why := readByOthers(fi); why != "" {
		return nil, fmt.Errorf("credential %s: %w: %s can read it: make it yours alone (chmod 600)", path, fixity.ErrRefused, why)
	}
	text, err := io.ReadAll(io.LimitReader(f, maxSecret))
	if err != nil {
		return nil, fmt.Errorf("credential: %w", err)
	}
	return text, nil
}

// Pairs are the lines "KEY = VALUE" of a credential's file, by their keys, as PairsIn has
// them. It refuses (fixity.ErrRefused) a file as Secret does, and one that isn't as it must be.
func Pairs(path string, keys []string, may ...string) (map[string]string, error) {
	text, err := Secret(path)
	if err != nil {
		return nil, err
	}
	got, wrong := PairsIn(text, keys, may...)
	if wrong != "" {
		return nil, fmt.Errorf("credential %s: %w: it %s", path, fixity.ErrRefused, wrong)
	}
	return got, nil
}

// PairsIn are the lines "KEY = VALUE" of a text, by their keys. Blank lines and those that
// begin with #, ; or [ are left out: a file of the form that programs for S3 share is one
// such. All of keys must be there and hold something, and those in may be there; what is
// wrong is told without any value, as what the text does or lacks.
func PairsIn(text []byte, keys []string, may ...string) (got map[string]string, wrong string) {
	known := map[string]bool{}
	for _, k := range append(append([]string(nil), keys...), may...) {
		known[k] = true
	}
	got = map[string]string{}
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, maxSecret+1)
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(strings.TrimPrefix(lines.Text(), "\ufeff"))
		if line == "" || strings.ContainsRune("#;[", rune(line[0])) {
			continue
		}
		key, value, ok := strings.Cut(line, "=")
		key = strings.TrimSpace(key)
		switch {
		case !ok:
			return nil, fmt.Sprintf("has a line %d that is none of the form KEY = VALUE", n)
		case got[key] != "":
			return nil, "says " + key + " twice: keep one"
		case known[key]:
			got[key] = strings.TrimSpace(value)
		}
	}
	for _, k := range keys {
		if got[k] == "" {
			return nil, "lacks a line " + k + " = …"
		}
	}
	return got, ""
}
