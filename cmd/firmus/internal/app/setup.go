package app

import (
	"context"
	"net"
	"os"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/pages/firstrun"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/setup"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
)

// Setup says how a daemon makes a configuration where there is none.
type Setup struct {
	Path string // where it is to lie
	// Check says what would not work with a configuration, Cloud tries its cloud alone, and
	// Mail sends a letter to try.
	Check, Cloud, Mail func(context.Context, *config.Config) ([]site.Checked, error)
}

// usualListen is where the pages are without a word in the configuration.
const usualListen = "127.0.0.1:7340"

// setUp serves the pages of the first run until a configuration is written, or ctx ends.
// The address goes on to be served: who set up stays where they are. holder is their
// session.
func (d *Daemon) setUp(ctx context.Context) (holder []byte, err error) {
	l, err := net.Listen("tcp", usualListen)
	other := err != nil
	if other {
		if l, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
			return nil, err
		}
	}
	addr := l.Addr().String()
	done := make(chan struct{})
	site, url, err := firstrun.New(firstrun.Options{
		Path: d.o.Setup.Path, Listen: addr, Other: other, Log: d.o.Log, Guarded: guarded.Of(nil),
		Places: func() []string { return setup.Places(d.o.Setup.Path, os.Getenv, disk.PluggedIn()) },
		Check:  d.o.Setup.Check, Cloud: d.o.Setup.Cloud, Mail: d.o.Setup.Mail,
		Done: func() { close(done) },
	}, "http://"+addr)
	if err != nil {
		l.Close()
		return nil, err
	}
	d.web.Show(site)
	d.web.Take(l, addr)
	d.o.Log.Info("there is no configuration: the pages ask for what it needs", "config", d.o.Setup.Path)
	if d.o.Link != nil {
		d.o.Link(url)
	}
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-done:
		return site.Holder(), nil
	}
}

// adopt lets who set up go on in their session.
func (a *App) adopt(ctx context.Context, holder []byte) error {
	return a.Ledger.Tx(ctx, a.Acts.Now(), func(t *ledger.Tx) error { return firstrun.Adopt(t, holder) })
}
