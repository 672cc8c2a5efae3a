package optical

import (
	"context"

	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
)

// SetRun puts a run into a map, as a check does sector by sector.
func (m *Map) SetRun(r Run) {
	for i := r.LBA; i < r.LBA+r.Count; i++ {
		m.set(i, r.State, r.Tries, r.Sense)
	}
}

// SetTwice makes a map one of sound that is read twice.
func (m *Map) SetTwice() { m.twice = true }

// Concerns and PresenceIn give tests the parts of Watch that need no drive.
var Concerns = concerns

func PresenceIn(ctx context.Context, t scsi.Transport) Presence { return presence(ctx, mmc.New(t)) }

// WatchBy is Watch with ask and events in place of the system's.
func WatchBy(ctx context.Context, ask func() (Presence, uint64), wake <-chan bool) <-chan Change {
	w := &watcher{ask: func(context.Context) look { p, s := ask(); return look{p, s} }, wake: wake}
	out := make(chan Change)
	go w.run(ctx, out)
	return out
}
