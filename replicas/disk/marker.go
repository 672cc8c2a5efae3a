package disk

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"firmus/fixity"
)

// maxMarker is the longest marker that is read, in bytes; ours have some hundred.
const maxMarker = 64 << 10

// markerName is the name of the marker's file in the root.
func (d *Dir) markerName() string { return fixity.MarkerPrefix + d.o.Store }

// markerText is what a marker says, first to the person who finds it.
func markerText(id fixity.Identity) []byte {
	var b bytes.Buffer
	b.WriteString("This file says which store of Firmus this folder is.\n" +
		"Do not delete it, and do not copy it to another folder or drive:\n" +
		"without it the store counts as away, and with two of them nobody knows which is which.\n\n")
	fmt.Fprintf(&b, "holdings: %s\nstore: %s\nset: %s\n", id.Holdings, id.Store, id.Set)
	return b.Bytes()
}

// parseMarker reads a marker: lines "key: value", of which each of holdings,
// store and set is there once. Other lines, blanks around a line, CR before LF
// and a byte order mark don't count: people open it in editors.
func parseMarker(text []byte) (fixity.Identity, error) {
	var id fixity.Identity
	values := map[string]*string{"holdings": &id.Holdings, "store": &id.Store, "set": &id.Set}
	if bytes.IndexByte(text, 0) >= 0 {
		return id, errors.New("holds NUL bytes")
	}
	for line := range strings.Lines(strings.TrimPrefix(string(text), "\ufeff")) {
		key, value, ok := strings.Cut(line, ":")
		to := values[strings.TrimSpace(key)]
		if !ok || to == nil {
			continue
		}
		if *to != "" {
			return fixity.Identity{}, fmt.Errorf("says %q twice", strings.TrimSpace(key))
		}
		*to = strings.TrimSpace(value)
	}
	for _, key := range []string{"holdings", "store", "set"} {
		if *values[key] == "" {
			return fixity.Identity{}, fmt.Errorf("doesn't say %q", key)
		}
	}
	return id, nil
}

// valid says whether id can be written as a marker and read again.
func valid(id fixity.Identity) error {
	back, err := parseMarker(markerText(id))
	if err == nil && (back.Holdings != id.Holdings || back.Store != id.Store || back.Set != id.Set) {
		err = errors.New("has a line end, a blank at either end or a NUL")
	}
	if err != nil {
		return fmt.Errorf("identity %q %q %q: %w", id.Holdings, id.Store, id.Set, err)
	}
	return nil
}
