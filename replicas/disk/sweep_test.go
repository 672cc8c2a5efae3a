package disk_test

import (
	"context"
	"errors"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"
)

// What a sweep may not take stays: other names, folders, what lies in our own folders
// unless it is asked for, and litter.
func TestASweepNeverTakesWhatIsNotALeftover(t *testing.T) {
	const name = ".firmus-new-0123456789abcdef-ABCDEFGHI2"
	ctx := context.Background()
	d := open(t, disk.Options{LeaveOut: func(p string, isDir bool) bool { return p == "litter" }}, map[string]string{
		"QV-0107/a.wav": "x", name: "x", "QV-0107/sub/" + name: "x", "QV-0107/" + name + ".wav": "x", "QV-0107/sub/.firmus-new-0123-ABC": "x",
		".firmus-ledger/" + name: "x", ".firmus-ledger/events/" + name: "x", "litter/" + name: "x", ".firmus-kept/7/" + name: "x", "QV-0107/.firmus-kept/7/" + name: "x", ".firmus-kept/7/a.wav.damaged": "x",
		".firmus-new-0123456789abcdef-ABCDEFGHI3/a": "x",
	})
	for _, c := range []struct {
		sweep func() (int, error)
		want  int
	}{
		{func() (int, error) { return d.Sweep(ctx, nil) }, 4}, {func() (int, error) { return d.Sweep(ctx, nil) }, 0},
		{func() (int, error) { return d.SweepOwn(ctx, ".firmus-ledger", nil) }, 2}, {func() (int, error) { return d.SweepOwn(ctx, ".firmus-none", nil) }, 0},
	} {
		if n, err := c.sweep(); n != c.want || err != nil {
			t.Errorf("%d removed, want %d, %v", n, c.want, err)
		}
	}
	for _, p := range []string{"QV-0107/a.wav", "QV-0107/" + name + ".wav", "QV-0107/sub/.firmus-new-0123-ABC", "litter/" + name, ".firmus-kept/7/a.wav.damaged", ".firmus-new-0123456789abcdef-ABCDEFGHI3/a"} {
		if content(t, d, p) != "x" {
			t.Errorf("%s is gone", p)
		}
	}
	away, err := disk.Open(d.Root()+"/none", disk.Options{})
	check(t, err)
	if _, err := away.Sweep(ctx, nil); !errors.Is(err, fixity.ErrAway) {
		t.Errorf("a root that isn't there: %v", err)
	}
}
