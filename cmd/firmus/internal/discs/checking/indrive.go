package checking

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
	"firmus/replicas/optical"
)

// InDrive is what the daemon knows of the disc in a drive.
type InDrive struct {
	Drive string    `json:"drive"`
	At    time.Time `json:"at"`
	Disc  string    `json:"disc"` // the registered ones that it may be; "" if none or not known
	State string    `json:"state"`
	Says  string    `json:"says"`
}

// What the daemon did with a disc that was put in.
const (
	DriveEmpty    = "empty"
	DriveLeft     = "left-alone" // somebody works with the drive, or it can't be opened
	DriveKnown    = "recognised"
	DriveStrange  = "not-registered"
	DriveReading  = "reading"
	DriveRead     = "read"
	DriveUnread   = "not-read" // begun, and not finished
	sameDiscAgain = time.Minute
)

// Words are what a person who has put a disc in wants to know.
func (d InDrive) Words() string {
	name := ""
	if d.Disc != "" {
		name = d.Disc + ": "
	}
	return fmt.Sprintf("%s%s (%s)", name, d.Says, d.At.Local().Format("2 Jan 2006 15:04 MST"))
}

func inDriveFile(state, drive string) string {
	return filepath.Join(Folder(state), "in-"+hex.EncodeToString([]byte(drive))+".json")
}

// InDrives is what the daemon has noticed in some drives, as long as one runs; state is
// the state folder.
func InDrives(state string, drives []string) []InDrive {
	var out []InDrive
	for _, drive := range drives {
		b, err := os.ReadFile(inDriveFile(state, drive))
		if err != nil {
			continue
		}
		var d InDrive
		if json.Unmarshal(b, &d) == nil && d.State != DriveEmpty {
			out = append(out, d)
		}
	}
	return out
}

// Drive is a drive that is watched: a disc that is put in is recognised, and read if it is
// due.
type Drive struct {
	Desk
	Device string
	Log    *slog.Logger
	Last   *Last

	was optical.Presence
	at  time.Time // when a disc was seen
}

// Last is what was seen in each drive last: a disc isn't read twice in a row.
type Last struct {
	mu   sync.Mutex
	seen map[string]string
}

// again notes what is seen in a drive, and says whether that is what was seen before.
func (l *Last) again(drive, seen string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.seen == nil {
		l.seen = map[string]string{}
	}
	was := l.seen[drive]
	l.seen[drive] = seen
	return was == seen
}

// Follow deals with what is told of the drive until ctx ends.
func (r *Drive) Follow(ctx context.Context, changes <-chan optical.Change) {
	defer os.Remove(inDriveFile(r.Ledger.State(), r.Device)) // nobody knows what comes next
	var work chan struct{}                                   // closed when what was begun has ended
	stop := func() {}
	defer func() { stop() }()
	for {
		select {
		case <-ctx.Done():
			stop()
			if work != nil {
				<-work
			}
			return
		case <-work:
			work = nil
		case c, ok := <-changes:
			if !ok {
				changes = nil
				continue
			}
			switch {
			case c.Eject, c.Presence != optical.HasDisc && c.Presence != optical.NotReady && c.Presence != optical.Unknown:
				// The button was pressed, or the disc is gone: let go of it.
				stop()
				if work != nil {
					<-work
					work = nil
				}
				if c.Presence != optical.HasDisc {
					r.note(InDrive{State: DriveEmpty, Says: c.Presence.String()})
				}
			case c.Presence == optical.HasDisc && work == nil:
				// A change may be told twice, and opening the drive may make one.
				if r.was == optical.HasDisc && r.Now().Sub(r.at) < sameDiscAgain {
					break
				}
				r.at = r.Now()
				var workCtx context.Context
				workCtx, stop = context.WithCancel(ctx)
				done := make(chan struct{})
				work = done
				go func() { defer close(done); r.look(workCtx) }()
			}
			r.was = c.Presence
		}
	}
}

// look recognises the disc that is in the drive, and reads it if that is due.
func (r *Drive) look(ctx context.Context) {
	who, err := r.Identify(ctx, Order{At: discs.At{Drive: r.Device}})
	switch {
	case ctx.Err() != nil:
		return
	case errors.Is(err, fixity.ErrBusy):
		r.note(InDrive{State: DriveLeft, Says: "left alone: somebody works with the drive"})
		return
	case err != nil:
		r.note(InDrive{State: DriveLeft, Says: "not recognised: " + err.Error()})
		return
	}
	var names []string
	for _, d := range who.Found {
		names = append(names, d.Name())
	}
	// Discs of one size have one table of contents.
	again := r.Last.again(r.Device, fmt.Sprint(who.About.ID(), names, who.Sure))
	in := InDrive{Disc: strings.Join(names, " or "), State: DriveKnown}
	switch {
	case len(who.Found) == 0:
		in.State, in.Says = DriveStrange, "not registered; nothing is known of it (firmus disc add registers it)"
		r.note(in)
		return
	case !who.Sure && len(who.Found) == 1:
		// Damage, or another disc of its size. Read by itself it would be noted as that one.
		in.Disc, in.Says = "perhaps "+in.Disc, "what it holds doesn't show it; \"firmus disc check\" with what is written on it reads it"
		r.note(in)
		return
	case slices.ContainsFunc(who.Found, func(d ledger.Disc) bool { return d.Number != who.Found[0].Number }):
		in.Says = "what it holds doesn't say which; \"firmus disc check\" with what is written on it reads it"
		r.note(in)
		return
	case len(who.Found) > 1:
		in.Says = "twins can't be told apart by their contents; \"firmus disc check\" with what is written on it reads it"
		r.note(in)
		return
	}
	disc := who.Found[0]
	why, err := r.Due(ctx, disc)
	if err != nil {
		in.Says = "recognised; whether it should be read could not be found out: " + err.Error()
		r.note(in)
		return
	}
	switch {
	case why == "":
		in.Says = "recognised; it was read lately and need not be read now: may go back"
	case again:
		in.Says = "recognised, and not read once more by itself: \"firmus disc check\" reads it again"
	}
	if in.Says != "" {
		r.note(in)
		return
	}
	r.read(ctx, disc, in, why)
}

// read reads a disc that is due.
func (r *Drive) read(ctx context.Context, disc ledger.Disc, in InDrive, why string) {
	in.State, in.Says = DriveReading, "is being read, since "+why+": leave it in"
	r.note(in)
	c, err := r.Check(ctx, Order{Number: disc.Name(), At: discs.At{Drive: r.Device}})
	switch {
	case err != nil:
		in.State, in.Says = DriveUnread, "not read to its end: "+err.Error()
	case c.Unfinished():
		in.State, in.Says = DriveRead, "read; it could not be compared, and may go back: bring "+stores(c.Bring, " or ")
	case c.Good():
		in.State, in.Says = DriveRead, fmt.Sprintf("read: %s; may go back", c.Report.Verdict)
	default:
		in.State, in.Says = DriveRead, fmt.Sprintf("read: %s: see \"firmus findings\"; may go back", strings.ToUpper(string(c.Report.Verdict)))
	}
	r.note(in)
}

// note logs what is known of the disc, and leaves it where commands find it.
func (r *Drive) note(in InDrive) {
	in.Drive, in.At = r.Device, r.Now().UTC().Truncate(time.Second)
	level := slog.LevelInfo
	if in.State == DriveUnread {
		level = slog.LevelWarn
	}
	r.Log.Log(context.Background(), level, "disc in the drive", "drive", r.Device, "state", in.State, "disc", in.Disc, "says", in.Says)
	file := inDriveFile(r.Ledger.State(), r.Device)
	b, err := json.Marshal(in)
	if err == nil {
		if err = private.MkdirAll(filepath.Dir(file)); err == nil {
			err = private.Replace(file, b)
		}
	}
	if err != nil {
		r.Log.Warn("what is in the drive could not be noted", "drive", r.Device, "error", err)
	}
}

// stores are the names of those that are to be brought.
func stores(bs []discs.Bring, or string) string {
	var out []string
	for _, b := range bs {
		out = append(out, b.Store)
	}
	return strings.Join(out, or)
}
