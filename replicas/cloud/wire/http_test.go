package wire_test

import (
	"errors"
	"net/http"
	"testing"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/wire"
)

// TestRightBytes: which answers have the bytes of a version. What has none is asked for again,
// and is no reason to give up the store.
func TestRightBytes(t *testing.T) {
	whole := http.Header{"Content-Range": {"bytes 0-15/16"}}
	with := func(more ...string) http.Header {
		h := whole.Clone()
		for i := 0; i < len(more); i += 2 {
			h.Set(more[i], more[i+1])
		}
		return h
	}
	for name, c := range map[string]struct {
		file, tag string
		header    http.Header
		right     bool
	}{
		"its version":               {"a.wav", `"e"`, with("ETag", `"e"`), true},
		"its version, weak":         {"a.wav", `"e"`, with("ETag", `W/"e"`), true},
		"its version, a page's":     {"a.wav", `"e"`, with("ETag", `"e"`, "Content-Type", "text/html; charset=utf-8"), true},
		"another version":           {"a.wav", `"e"`, with("ETag", `"f"`), false},
		"no version":                {"a.wav", `"e"`, with(), false},
		"no version, a page":        {"a.wav", `"e"`, with("Content-Type", "text/html"), false},
		"none is known":             {"a.wav", "", with(), true},
		"none is known, one is":     {"a.wav", "", with("ETag", `"f"`), true},
		"none is known, a page":     {"a.wav", "", with("Content-Type", "text/html"), false},
		"none is known, page named": {"a.html", "", with("Content-Type", "text/html"), true},
		"its version, other bytes":  {"a.wav", `"e"`, with("ETag", `"e"`, "Content-Range", "bytes 1-15/16"), false},
	} {
		err := wire.RightBytes(&http.Response{StatusCode: http.StatusPartialContent, Header: c.header, ContentLength: 16}, c.file, c.tag, 0, 16)
		var e *cloud.Error
		if (err == nil) != c.right || !c.right && (!errors.As(err, &e) || e.Class != cloud.Later || e.Status != http.StatusPartialContent || errors.Is(err, fixity.ErrAway)) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
