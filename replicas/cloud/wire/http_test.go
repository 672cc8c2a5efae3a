package wire_test

import (
	"errors"
	"net/http"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/wire"
)

// TestRightBytes: which answers have the bytes of a version. What has none is asked for again,
// and is no reason to give up the store.
func TestRightBytes(t *testing.T) {
	noon := time.Date(2026, 3, 2, 12, 0, 0, 1, time.UTC)
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
		changed   time.Time
	}{
		"its version":               {"a.wav", `"e"`, with("ETag", `"e"`), true, time.Time{}},
		"its version, weak":         {"a.wav", `"e"`, with("ETag", `W/"e"`), true, time.Time{}},
		"its version, a page's":     {"a.wav", `"e"`, with("ETag", `"e"`, "Content-Type", "text/html; charset=utf-8"), true, time.Time{}},
		"another version":           {"a.wav", `"e"`, with("ETag", `"f"`), false, time.Time{}},
		"no version":                {"a.wav", `"e"`, with(), false, time.Time{}},
		"no version, a page":        {"a.wav", `"e"`, with("Content-Type", "text/html"), false, time.Time{}},
		"none is known":             {"a.wav", "", with(), true, time.Time{}},
		"none is known, one is":     {"a.wav", "", with("ETag", `"f"`), true, time.Time{}},
		"none is known, a page":     {"a.wav", "", with("Content-Type", "text/html"), false, time.Time{}},
		"none is known, page named": {"a.html", "", with("Content-Type", "text/html"), true, time.Time{}},
		"its version, other bytes":  {"a.wav", `"e"`, with("ETag", `"e"`, "Content-Range", "bytes 1-15/16"), false, time.Time{}},
		// A server that tells ETags in listings alone.
		"only its time":             {"a.wav", `"e"`, with("Last-Modified", "Mon, 02 Mar 2026 12:00:00 GMT"), true, noon},
		"only its length":           {"a.wav", `"e"`, with(), true, noon},
		"another time":              {"a.wav", `"e"`, with("Last-Modified", "Mon, 02 Mar 2026 12:00:01 GMT"), false, noon},
		"no time":                   {"a.wav", `"e"`, with("Last-Modified", "today"), false, noon},
		"its time, another version": {"a.wav", `"e"`, with("ETag", `"f"`, "Last-Modified", "Mon, 02 Mar 2026 12:00:00 GMT"), false, noon},
		"its time, a page":          {"a.wav", `"e"`, with("Content-Type", "text/html", "Last-Modified", "Mon, 02 Mar 2026 12:00:00 GMT"), false, noon},
	} {
		err := wire.RightBytes(&http.Response{StatusCode: http.StatusPartialContent, Header: c.header, ContentLength: 16}, c.file, c.tag, c.changed, 0, 16)
		var e *cloud.Error
		if (err == nil) != c.right || !c.right && (!errors.As(err, &e) || e.Class != cloud.Later || e.Status != http.StatusPartialContent || errors.Is(err, fixity.ErrAway)) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
