package main

import (
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/recovering"
)

// The line on the terminal counts the files that were dealt with, of how many.
func TestProgressCountsFiles(t *testing.T) {
	for _, c := range []struct {
		done, of int
		want     string
	}{{0, 1, "0 of 1 file, "}, {7, 5_000, "7 of 5,000 files, "}} {
		var b strings.Builder
		p := &progress{w: &b, fd: -1, began: time.Now()}
		p.ofFiles(c.done, c.of)
		p.add(2_500_000)
		p.show()
		if !strings.Contains(b.String(), c.want+"2.5 MB read") {
			t.Errorf("%d of %d: %q", c.done, c.of, b.String())
		}
	}
	(*progress)(nil).ofFiles(1, 2) // without a terminal
}

// The plan's time is told as roughly as it is known, and not at all where it isn't known.
func TestTakes(t *testing.T) {
	for _, c := range []struct {
		of   time.Duration
		want string
	}{
		{0, ""},
		{900 * time.Millisecond, ""},
		{1500 * time.Millisecond, ", about 2 s"},
		{90*time.Second + 400*time.Millisecond, ", about 2 min"},
		{3*time.Hour + 17*time.Minute + 12*time.Second, ", about 3 h 20 min"},
	} {
		if got := takes(recovering.Result{Takes: c.of}); got != c.want {
			t.Errorf("%s: %q, want %q", c.of, got, c.want)
		}
	}
}

// The exit status of an order is that of its worst file.
func TestRecoverStatus(t *testing.T) {
	for _, c := range []struct {
		states string
		dry    bool
		want   int
	}{
		{"", false, 0},
		{"put-back", false, 0},
		{"put-back no-donor", false, 1},
		{"refused put-back", false, 1},
		{"put-back not-done", false, 3},
		{"unread put-back", false, 3},
		{"no-donor not-done", false, 3},
		{"put-back planned", false, 3},
		{"to-upload", false, 3},
		{"planned", true, 0},
		{"planned no-donor", true, 1},
	} {
		res := recovering.Result{DryRun: c.dry}
		for s := range strings.FieldsSeq(c.states) {
			res.Items = append(res.Items, recovering.Item{State: recovering.State(s)})
		}
		if got := recoverStatus(res); got != c.want {
			t.Errorf("%q, dry run %t: %d, want %d", c.states, c.dry, got, c.want)
		}
	}
}
