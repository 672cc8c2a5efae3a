package app_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
)

// A store that a command retires, or takes up again, beside the daemon: the daemon goes by
// that without a restart, and begins nothing anew for any other event.
func TestDaemonGoesByAStoreThatIsRetiredMeanwhile(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	r := w.daemon(addr, func(o *app.DaemonOptions) { o.Follow = 50 * time.Millisecond })
	r.watches("vault", "masters")
	command := func(do func(a *app.App) error) {
		t.Helper()
		cfg, err := config.Load(w.path("firmus.toml"))
		if err != nil {
			t.Fatal(err)
		}
		a, err := app.Open(context.Background(), app.Options{Config: cfg, By: "Ada Wren", TakesUp: true})
		if err != nil {
			t.Fatal(err)
		}
		defer a.Close()
		// The daemon may just be looking at the store.
		r.within(time.Minute, "the command is done", func() bool {
			err := do(a)
			if err != nil && !errors.Is(err, fixity.ErrBusy) {
				t.Fatal(err)
			}
			return err == nil
		})
	}
	shown := func(yes bool) func() bool {
		return func() bool {
			status, body := r.get("/metrics")
			return status == 200 && strings.Contains(body, `store="studio"`) && strings.Contains(body, `store="vault"`) == yes
		}
	}
	r.within(time.Minute, "the vault is in use", shown(true))
	command(func(a *app.App) error {
		_, err := a.Deciding.EndStore(t.Context(), deciding.EndStoreOrder{Store: "vault", Reason: "sold"})
		return err
	})
	r.within(time.Minute, "the vault is out of use", shown(false))
	command(func(a *app.App) error { _, err := a.Acts.AdoptStore(t.Context(), "vault", "bought back"); return err })
	r.within(time.Minute, "the vault is in use again", shown(true))
	r.within(time.Minute, "it is watched again", func() bool { return strings.Count(r.log.text(), "msg=watched store=vault set=masters") == 2 })
	r.stop()
	if n := strings.Count(r.log.text(), "the daemon goes by that now"); n != 2 {
		t.Errorf("it began anew %d times, want 2", n)
	}
}
