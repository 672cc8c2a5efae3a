package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
)

// What is put in is noticed; what lay in the drive before, or is told of twice, isn't
// taken for the disc that is asked for.
func TestASittingNoticesTheNextDisc(t *testing.T) {
	const drive = "/dev/quillmere"
	had, open, none, starts := optical.HasDisc, optical.TrayOpen, optical.NoDisc, optical.NotReady
	type step struct {
		seen bool // see is what is in the drive; else line is typed
		see  optical.Presence
		line string
		end  bool // nothing more is typed
	}
	see := func(ps ...optical.Presence) (out []step) {
		for _, p := range ps {
			out = append(out, step{seen: true, see: p})
		}
		return out
	}
	typed := func(before []step, line string, behind ...step) []step {
		return append(append(before, step{line: line}), behind...)
	}
	for _, tc := range []struct {
		name    string
		before  []string // typed while another disc was read
		steps   []step
		written string
		err     error
		waits   bool // nothing comes of it
		says    string
	}{
		{name: "put in", steps: see(open, none, starts, had)},
		{name: "an empty drive", steps: see(none, had)},
		{name: "plugged in with a disc", steps: see(optical.NoDrive, had)},
		{name: "it lay there", steps: see(had), waits: true, says: "lies in the drive already"},
		{name: "it lay there, and is told of again", steps: see(had, starts, had, had), waits: true, says: "lies in the drive already"},
		{name: "the drive doesn't say", steps: see(optical.Unknown, had), waits: true},
		{name: "it lay there, and is the one", steps: typed(see(had), "")},
		{name: "it lay there, and is exchanged", steps: see(had, open, had)},
		{name: "Enter on a drive that says nothing", steps: typed(nil, "")},
		{name: "another is said and then put in", steps: typed(see(open), "QD-0031 B", see(had)...), written: "QD-0031 B", says: "put in QD-0031 B now"},
		{name: "another is said, and Enter", steps: typed(typed(see(open), "QD-0031 B"), ""), written: "QD-0031 B"},
		{name: "another lay there", steps: typed(see(had), "qd 31 b"), written: "qd 31 b"},
		{name: "skipped", steps: typed(see(open), "s"), err: checking.ErrSkip},
		{name: "ended", steps: typed(see(open), "q"), err: io.EOF},
		{name: "nothing can be typed any more", steps: []step{{end: true}}, err: io.EOF},
		{name: "typed too late", before: []string{"QD-0031 B", ""}, steps: see(open, had), says: `"QD-0031 B" was typed while a disc was read`},
		{name: "ended while a disc was read", before: []string{"q"}, err: io.EOF},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				lines, changes := make(chan string, 10), make(chan optical.Change)
				var said strings.Builder
				tray := &driveTray{
					say:   func(f string, a ...any) { fmt.Fprintf(&said, f+"\n", a...) },
					drive: drive, lines: lines, begun: tc.before != nil,
					watch: func(_ context.Context, d string) <-chan optical.Change {
						if d != drive {
							t.Errorf("watches %s", d)
						}
						return changes
					},
				}
				for _, l := range tc.before {
					lines <- l
				}
				go func() {
					for _, s := range tc.steps {
						time.Sleep(time.Second)
						switch {
						case s.end:
							close(lines)
						case s.seen:
							select {
							case changes <- optical.Change{Presence: s.see}:
							case <-ctx.Done():
								return
							}
						default:
							lines <- s.line
						}
					}
					if tc.waits {
						time.Sleep(time.Hour)
						cancel()
					}
				}()
				began := time.Now()
				at, written, err := tray.Next(ctx, ledger.Disc{Number: "QD-0031", Twin: "A", Box: "Box 4"})
				waited := time.Since(began) > time.Hour
				cancel()
				if tc.waits {
					if !waited || !errors.Is(err, io.EOF) {
						t.Errorf("it didn't wait: %v, %q, %v", at, written, err)
					}
				} else if waited || !errors.Is(err, tc.err) || err == nil && at.Drive != drive || written != tc.written {
					t.Errorf("%v, %q, %v", at, written, err)
				}
				if tc.says != "" && !strings.Contains(said.String(), tc.says) || strings.Count(said.String(), "lies in the drive") > 1 {
					t.Errorf("it said %q", said.String())
				}
				if len(tc.before) == 0 && !strings.Contains(said.String(), "put in QD-0031 A of box 4 (look at its letter).") {
					t.Errorf("it said %q", said.String())
				}
			})
		})
	}
}
