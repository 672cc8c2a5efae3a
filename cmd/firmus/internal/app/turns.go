package app

import (
	"context"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/cmd/firmus/internal/watch"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// acts are those that the daemon orders. Windows are for what the clock orders: what a
// person or a drive that has come waits for is done at once. but are what happened: a
// recording that grows there doesn't hold them up.
func (s *parts) acts(windows, hurry bool, but ...watch.Event) *archive.Archive {
	env := *s.a.Acts.Archive
	env.Progress.Note = func(sh fixity.Shard, text string) {
		s.log.Debug("note", "store", sh.Store, "set", sh.Set, "text", text)
	}
	env.Order = stores.Order{Windows: windows, Hurry: hurry,
		Growing: func(store string) string { return s.watcher.Growing(env.Turns.Shared(store), but...) },
		Read:    func(store string, n int64) { s.metrics.Read(store, n); s.a.did.read(store, n) },
		Paused: func(store, recording string) {
			s.metrics.Paused(store, recording != "")
			if recording != "" {
				s.log.Info("reading waits while a recording grows on the drive", "store", store)
			} else {
				s.log.Info("reading goes on", "store", store)
			}
		},
		Paced: s.paced}
	return &env
}

// leastPaced is how much must have been read for it to say how fast a store is.
const leastPaced = 16 << 20

func (s *parts) paced(store string, n int64, took time.Duration) {
	if n < leastPaced || took <= 0 {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	if err := s.a.Ledger.Tx(ctx, s.now(), func(t *ledger.Tx) error { return t.Clock.AddPace(store, n, took) }); err != nil {
		s.log.Warn("how fast the store was read could not be noted", "store", store, "error", err)
	}
}
