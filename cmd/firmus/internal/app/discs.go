package app

import (
	"context"
	"firmus/replicas/disk"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/opening"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/replicas/optical"
)

// discs wires the floor of discs to the rest.
func (a *App) discs() *checking.Desk {
	room := opening.Room{Dir: checking.Folder(a.Config.State), Free: disk.FreeBytes}
	return &checking.Desk{Desk: registering.Desk{Archive: a.Acts.Archive}, Open: room.Open}
}

// drivesOf are the drives in which discs are read.
func drivesOf(c *config.Config) []string {
	var out []string
	for _, s := range c.Stores {
		if d := strings.TrimSpace(s.Drive); s.Kind == config.Optical && d != "" && !slices.Contains(out, d) {
			out = append(out, d)
		}
	}
	return out
}

// Drive is the device that discs are read in where none is named; "" if the
// configuration has none.
func (a *App) Drive() string {
	for _, d := range drivesOf(a.Config) {
		return d
	}
	return ""
}

// InDrives is what the daemon has noticed in the drives that it watches, as long as one
// runs.
func InDrives(c *config.Config) []checking.InDrive { return checking.InDrives(c.State, drivesOf(c)) }

// CheckDrives says of each drive that discs are read in whether it can be used.
func CheckDrives(ctx context.Context, c *config.Config) (out []acts.StoreCheck) {
	for _, s := range c.Stores {
		if d := strings.TrimSpace(s.Drive); s.Kind == config.Optical && d != "" {
			says, away, ok := opening.Look(ctx, d)
			out = append(out, acts.StoreCheck{Store: s.Name, OK: ok, Away: away, Detail: says})
		}
	}
	return out
}

// watchDrives follows the drives of the configuration until the daemon's parts stop.
func (s *parts) watchDrives() {
	for _, drive := range drivesOf(s.a.Config) {
		changes := s.d.o.WatchDrive
		if changes == nil {
			changes = optical.Watch
		}
		d := &checking.Drive{Desk: *s.a.Discs, Device: drive, Log: s.log, Last: &s.d.lastDisc}
		s.spawn(func() { d.Follow(s.ctx, changes(s.ctx, drive)) })
	}
}
