package app

import (
	"context"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"slices"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/pages"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/people"
	"firmus/cmd/firmus/internal/statements"
	"firmus/cmd/firmus/internal/web"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
)

// needsOf are what the configuration asks of the accounts.
func needsOf(c *config.Config) people.Needs {
	return people.Needs{Any: c.Web.Beyond(), Two: c.TwoPeople()}
}

// Needs are what the configuration asks of the accounts.
func (a *App) Needs() people.Needs { return needsOf(a.Config) }

func (a *App) pagesOptions(log *slog.Logger) site.Options {
	o := site.Options{Archive: a.Acts.Archive, Name: a.Config.Name, Log: log, Where: a.Where(), Public: a.Config.Web.Address,
		Listen: a.Config.Web.Listen, Drive: a.Drive(), OpenDisc: a.Discs.Open,
		Sources: func() []string { return sources(a.Config.Work.Sources) }}
	o.Check = a.Checks
	o.Desk = func() statements.Desk { return DeskOf(a.Config) }
	o.Guarded = guarded.Of(a.Config)
	o.Register = RegisterSource(a.Config)
	o.Config, o.Account = a.Config.File, people.OfComputer()
	for _, p := range a.Config.Web.Proxies {
		if addr, err := netip.ParseAddr(p); err == nil {
			o.Proxies = append(o.Proxies, addr.Unmap())
		}
	}
	return o
}

// sources are the folders that may be chosen on the pages to take from.
func sources(named []string) (out []string) {
	for _, dir := range append(slices.Clone(named), disk.PluggedIn()...) {
		if st, err := os.Stat(dir); err == nil && st.IsDir() && !slices.Contains(out, dir) {
			out = append(out, dir)
		}
	}
	return out
}

// pages are the daemon's.
func (s *parts) pages() (*site.Site, error) {
	o := s.a.pagesOptions(s.log)
	o.Archive = s.acts(false, false) // what a person waits for keeps to no window
	o.Run = func(do func(context.Context)) { s.spawn(func() { do(s.ctx) }) }
	o.Stores = func() map[string]site.StoreNow {
		out := map[string]site.StoreNow{}
		for _, x := range s.runner.States() {
			n := out[x.Store]
			n.Running, n.Next = x.Running, x.Next
			out[x.Store] = n
		}
		for _, st := range s.a.Config.Stores {
			if c, ok := s.survey.of(st.Name); ok {
				n := out[st.Name]
				n.Oldest, n.Unread, n.Within = c.Oldest, c.NeverRead, time.Duration(st.ReadWithin)
				out[st.Name] = n
			}
		}
		return out
	}
	o.NextLetter = func(ctx context.Context) time.Time {
		if s.letters == nil {
			return time.Time{}
		}
		next, err := s.letters.Next(ctx)
		if err != nil {
			return time.Time{}
		}
		return next
	}
	o.Memory = &s.d.pages
	return pages.New(o)
}

// PagesAt is the address at which the pages are reached on this computer, of what is
// listened on.
func PagesAt(c *config.Config, listen string) string {
	scheme := "http://"
	if c.Web.Certificate != "" {
		if c.Web.Address != "" {
			return c.Web.Address
		}
		scheme = "https://"
	}
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return scheme + listen
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return scheme + net.JoinHostPort(host, port)
}

// NewLink makes a link that opens the pages once. Where there are accounts it is the
// address to sign in at.
func (a *App) NewLink(ctx context.Context, listen string) (url string, err error) {
	base := PagesAt(a.Config, listen)
	err = a.Ledger.Tx(ctx, a.Acts.Now(), func(t *ledger.Tx) error {
		n, _, err := t.People.CountAccounts()
		if err != nil || n > 0 {
			url = base + "/sign-in"
			return err
		}
		url, err = site.NewLink(t, base)
		return err
	})
	return url, err
}

// ServePages serves the pages of an open archive until ctx ends, without a daemon; tell is
// told the link that opens them. What was ordered on them is stopped before it returns.
func (a *App) ServePages(ctx context.Context, log *slog.Logger, listen string, tell func(url string)) error {
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return err
	}
	var wg sync.WaitGroup
	defer wg.Wait()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	site, err := a.Site(log, l.Addr().String(), func(do func(context.Context)) { wg.Go(func() { do(ctx) }) })
	if err != nil {
		l.Close()
		return err
	}
	w := &web.Server{Log: log, Down: site}
	w.Take(l, l.Addr().String())
	defer w.Close()
	url, err := a.NewLink(ctx, l.Addr().String())
	if err != nil {
		return err
	}
	tell(url)
	<-ctx.Done()
	return nil
}

// Site are the pages of an open archive, without a daemon. run begins what goes on longer
// than a request.
func (a *App) Site(log *slog.Logger, listen string, run func(do func(context.Context))) (*site.Site, error) {
	o := a.pagesOptions(log)
	o.Listen, o.Run = listen, run
	o.Stores = a.storesNow()
	return pages.New(o)
}

// storesNow looks at each copy, where no daemon keeps count; what it found is good for a
// minute.
func (a *App) storesNow() func() map[string]site.StoreNow {
	var mu sync.Mutex
	var at time.Time
	var known map[string]site.StoreNow
	return func() map[string]site.StoreNow {
		mu.Lock()
		defer mu.Unlock()
		if now := a.Acts.Now(); known == nil || now.Sub(at) > time.Minute {
			at, known = now, map[string]site.StoreNow{}
			// Where it can't be found out, the page leaves it blank.
			_ = a.Ledger.View(context.Background(), func(t *ledger.Tx) error {
				for _, st := range a.Config.Stores {
					c, err := t.Copies.Coverage(st.Name, now)
					if err != nil {
						return err
					}
					known[st.Name] = site.StoreNow{Oldest: c.Oldest, Unread: c.NeverRead, Within: time.Duration(st.ReadWithin)}
				}
				return nil
			})
		}
		return known
	}
}
