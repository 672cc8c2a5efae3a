package site_test

import (
	"testing"
	"time"

	"firmus/cmd/firmus/internal/pages/site"
)

func TestLeft(t *testing.T) {
	began := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		gone         time.Duration
		bytes, total int64
		share        float64
		takes        time.Duration
		want         string
	}{
		{time.Minute, 1e9, 4e9, 0, 0, ", about 3 min left"},
		{time.Second, 1e9, 4e9, 0, 0, ""}, // too early to say
		{time.Minute, 0, 4e9, 0, time.Hour, ""},
		{time.Minute, 5e9, 4e9, 0, 0, ""}, // more than was thought
		{10 * time.Hour, 1e9, 2e9, 0, 0, ", about 10 h 0 min left"},
		{30 * time.Second, 0, 0, 0, 75 * time.Second, ", about 45 s left"},
		{2 * time.Minute, 7, 0, 0, time.Minute, ""}, // longer than was thought
		{2 * time.Minute, 7, 0, 0, 0, ""},
		{time.Minute, 0, 0, 0.25, 0, ", about 3 min left"}, // a disc: so many of its sectors
		{time.Second, 0, 0, 0.25, 0, ""},
		{time.Minute, 0, 0, 1, 0, ""},
	} {
		if got := site.Left(began, began.Add(c.gone), c.bytes, c.total, c.share, c.takes); got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
	}
}

// Nothing leads from the sign-in to another site.
func TestNextIsHere(t *testing.T) {
	for next, want := range map[string]string{"/findings/7": "/findings/7", "/search?q=a+b": "/search?q=a+b", "": "/", "https://elsewhere.example/": "/", "//elsewhere.example": "/",
		`/\elsewhere.example`: "/", "javascript:alert(1)": "/", "findings": "/", "/sign-in?next=/": "/", "\x00": "/"} {
		if got := site.Local(next); got != want {
			t.Errorf("%q leads to %q, want %q", next, got, want)
		}
	}
}

func TestSentence(t *testing.T) {
	for text, want := range map[string]string{"": "", "so": "So.", "so!": "So!", "äh": "äh."} {
		if got := site.Sentence(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}

// A statement, which may be large, is let go when its time has passed.
func TestStatementIsLetGo(t *testing.T) {
	if site.StillKept(10 * time.Millisecond) {
		t.Error("a statement is held when its time has passed")
	}
}
