package optical

import (
	"context"
	"errors"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
)

// Presence is what is in a drive.
type Presence uint8

// Presences.
const (
	Unknown  Presence = iota // the drive didn't say
	NoDrive                  // unplugged
	TrayOpen                 // no disc
	NoDisc
	NotReady // a disc is being recognised, perhaps
	HasDisc
)

func (p Presence) String() string {
	switch p {
	case NoDrive:
		return "no drive"
	case TrayOpen:
		return "tray open"
	case NoDisc:
		return "no disc"
	case NotReady:
		return "not ready"
	case HasDisc:
		return "disc"
	}
	return "unknown"
}

// Change says that the disc in a drive may have been changed. Who gets it opens the
// drive anew and looks.
type Change struct {
	Presence Presence
	Eject    bool // a person pressed the button, and something holds the disc
}

// PollTime is how often a drive is asked for its disc.
const PollTime = 3 * time.Second

// look is what a drive says when it is asked.
type look struct {
	presence Presence
	seq      uint64 // goes up with each disc, where the system counts them
}

// watcher asks one drive again and again.
type watcher struct {
	ask  func(context.Context) look
	wake <-chan bool // the system says that something happened; true: the button
	last look
}

// Watch tells of changes of the disc in the drive at path, until ctx ends; then the
// channel is closed. The first Change is what is there at the beginning. On Linux the
// kernel's events are listened to as well; where it has none of a drive, and on other
// systems, the drive is asked every PollTime. An event can be lost and a change be told
// twice; nothing may rest on none having come.
func Watch(ctx context.Context, path string) <-chan Change {
	w := &watcher{ask: func(ctx context.Context) look { return ask(ctx, path) }, wake: events(ctx, path)}
	out := make(chan Change)
	go w.run(ctx, out)
	return out
}

func (w *watcher) run(ctx context.Context, out chan<- Change) {
	defer close(out)
	t := time.NewTicker(PollTime)
	defer t.Stop()
	begun, eject, told := false, false, false
	for {
		now := w.ask(ctx)
		if !begun || told || eject || now != w.last && now.presence != Unknown {
			if now.presence != Unknown {
				w.last = now
			}
			select {
			case out <- Change{now.presence, eject}:
			case <-ctx.Done():
				return
			}
		}
		begun, eject, told = true, false, false
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		case button, ok := <-w.wake:
			if !ok {
				w.wake = nil // events ended; asking goes on
				continue
			}
			eject, told = button, true
		}
	}
}

// Look asks the drive at path what lies in it, and no more: nothing is read, and a disc
// that rests isn't made to turn. Errors are those of package scsi and of fixity: no
// drive, no right to use it, busy.
func Look(ctx context.Context, path string) (Presence, error) {
	dev, err := scsi.Open(path)
	if err != nil {
		return Unknown, err
	}
	defer dev.Close()
	return presence(ctx, mmc.New(dev)), nil
}

// presence asks a drive by TEST UNIT READY.
func presence(ctx context.Context, d *mmc.Drive) Presence {
	err := d.Ready(ctx)
	if errors.Is(err, mmc.ErrChanged) {
		err = d.Ready(ctx)
	}
	switch {
	case err == nil, errors.Is(err, mmc.ErrFormat):
		return HasDisc
	case errors.Is(err, mmc.ErrTrayOpen):
		return TrayOpen
	case errors.Is(err, mmc.ErrNoDisc):
		return NoDisc
	case errors.Is(err, mmc.ErrNotReady):
		return NotReady
	case errors.Is(err, fixity.ErrAway):
		return NoDrive
	}
	return Unknown
}
