package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/sheets"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
)

// sitting reads disc after disc.
func (c *command) sitting(ctx context.Context, a *app.App, pull checking.Pull, o checking.Order, page string) error {
	ds, err := a.Discs.Pull(ctx, pull)
	if err != nil {
		return err
	}
	var wanted []ledger.Disc
	for _, d := range checking.InBoxes(ds) {
		wanted = append(wanted, d.Disc)
	}
	var tray checking.Tray
	if o.At.Image != "" {
		if st, err := os.Stat(o.At.Image); err != nil || !st.IsDir() {
			return usageError{errors.New("in a sitting --image names a folder with an image of each disc, such as QD-0031-A.iso")}
		}
		tray = imageTray{c, o.At.Image, map[int64]bool{}}
	} else {
		tray = &driveTray{say: c.say, drive: o.At.Drive, watch: optical.Watch, eject: optical.Eject, lines: typedLines(c.in)}
		c.say("%s", caution)
	}
	s, err := a.Discs.Sit(ctx, pull.InWords(), wanted, o, tray)
	if err != nil {
		return err
	}
	for _, x := range s.Done {
		if !x.Good {
			c.exit = exitFinding
		}
	}
	for _, x := range s.Done {
		if x.Unfinished {
			c.exit = exitUnfinished
		}
	}
	if len(s.Left) > 0 {
		c.exit = exitUnfinished
	}
	sheet := sheets.SittingSheet{Archive: a.Config.Name, By: c.person(), Sitting: s}
	if page != "" {
		if err := guarded.Of(a.Config).Sheet(page, checkSheet, sheet.HTML); err != nil {
			return err
		}
		c.say("the sheet is in %s", page)
	}
	if c.json {
		if s.Done == nil {
			s.Done = []discs.Sat{}
		}
		c.document(map[string]any{"of": s.Of, "began": report.InstantOf(s.Began), "done": s.Done, "not_read": notNil(s.Left), "exit": c.exit})
		return nil
	}
	c.printf("\n")
	if err := sheet.Text(c.out); err != nil {
		return err
	}
	if len(s.Left) > 0 {
		c.say("the same command within a week goes on with what wasn't read")
	}
	return nil
}

// driveTray asks a person for one disc after the other, and notices it in the drive.
type driveTray struct {
	say   func(format string, args ...any)
	drive string
	watch func(ctx context.Context, drive string) <-chan optical.Change
	eject func(ctx context.Context, drive string) error
	lines <-chan string // that are typed; closed when there will be no more

	begun bool
}

// typedLines gives what is typed, line by line. A line waits until it is asked for.
func typedLines(r io.Reader) <-chan string {
	lines := make(chan string, 100)
	go func() {
		defer close(lines)
		for in := bufio.NewScanner(r); in.Scan(); {
			lines <- strings.TrimSpace(in.Text())
		}
	}()
	return lines
}

// firstLook is how long a drive may take to say what lies in it.
const firstLook = 5 * time.Second

// Next waits for a disc that is put in after the drive was seen without one, or for what
// is typed. A disc that lay in the drive before is taken at a word only: nobody put it in
// for the one that is asked for.
func (t *driveTray) Next(ctx context.Context, d ledger.Disc) (discs.At, string, error) {
	if t.begun && t.typedMeanwhile() {
		return discs.At{}, "", io.EOF
	}
	t.begun = true
	name := d.Name()
	if b := discs.Box(d.Box); b != "" {
		name += " of box " + b
	}
	if d.Twin != "" {
		name += " (look at its letter)"
	}
	watching, stop := context.WithCancel(ctx)
	defer stop()
	changes := t.watch(watching, t.drive)
	at := discs.At{Drive: t.drive}
	now, empty, written := optical.Unknown, false, ""
	take := func(c optical.Change) (disc bool) {
		now = c.Presence
		empty = empty || now == optical.TrayOpen || now == optical.NoDisc || now == optical.NoDrive
		return now == optical.HasDisc
	}
	// What lies in the drive is seen before anything is asked for.
	lay := false
	select {
	case c, ok := <-changes:
		lay = ok && take(c)
	case <-time.After(firstLook):
	case <-ctx.Done():
		return discs.At{}, "", io.EOF
	}
	t.say("put in %s. It is read once it is in the drive, or when you press Enter. Before you put in another disc, type what is written on that, and Enter. s skips this disc, q ends", name)
	if lay {
		t.say("a disc lies in the drive already. If it is the one, press Enter; else take it out")
	}
	for {
		select {
		case <-ctx.Done():
			return discs.At{}, "", io.EOF
		case line, ok := <-t.lines:
			switch {
			case !ok, line == "q":
				return discs.At{}, "", io.EOF
			case line == "s":
				return discs.At{}, "", checking.ErrSkip
			case line == "", now == optical.HasDisc, now == optical.Unknown:
				return at, cmp.Or(line, written), nil
			}
			written = line
			t.say("put in %s now", written)
		case c, ok := <-changes:
			if !ok {
				changes = nil
				continue
			}
			if take(c) && empty {
				return at, written, nil
			}
		}
	}
}

// typedMeanwhile drops what was typed while a disc was read: it isn't about the next one.
// true: the sitting is to end.
func (t *driveTray) typedMeanwhile() (end bool) {
	for {
		select {
		case line, ok := <-t.lines:
			if !ok || line == "q" {
				return true
			}
			if line != "" {
				t.say("%q was typed while a disc was read, and is dropped", line)
			}
		default:
			return false
		}
	}
}

func (t *driveTray) Says(line string) { t.say("%s", line) }

func (t *driveTray) Eject(ctx context.Context, at discs.At) {
	if err := t.eject(ctx, at.Drive); err != nil {
		t.say("the drive doesn't open by itself: press its button")
	}
}

// imageTray takes images of discs from a folder.
type imageTray struct {
	c     *command
	dir   string
	given map[int64]bool // discs whose image was given: another than the one asked for was in it
}

func (t imageTray) Next(_ context.Context, d ledger.Disc) (discs.At, string, error) {
	if t.given[d.ID] {
		return discs.At{}, "", checking.ErrSkip
	}
	t.given[d.ID] = true
	name := strings.NewReplacer("/", "-", `\`, "-").Replace(d.Name())
	for _, n := range []string{name, strings.ReplaceAll(name, " ", "-")} {
		for _, ext := range []string{".cue", ".iso"} {
			if file := filepath.Join(t.dir, n+ext); exists(file) {
				return discs.At{Image: file}, "", nil
			}
		}
	}
	t.c.say("%s", fmt.Sprintf("no image of %s lies in %s", d.Name(), t.dir))
	return discs.At{}, "", checking.ErrSkip
}

func exists(file string) bool {
	_, err := os.Stat(file)
	return err == nil
}

func (t imageTray) Says(line string) { t.c.say("%s", line) }

func (t imageTray) Eject(context.Context, discs.At) {}
