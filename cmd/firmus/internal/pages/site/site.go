package site

import (
	"context"
	"embed"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/reading"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/pages/stave"
	"firmus/cmd/firmus/internal/people"
	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Options say what is served.
type Options struct {
	Archive *archive.Archive
	Name    string // of the holdings
	Log     *slog.Logger
	Where   report.Where
	// Public is the address by which people elsewhere reach the pages, "https://…"; "" if
	// they are served on this computer only.
	Public string
	// Listen is the address that is served, for whoever comes by its name.
	Listen string
	// Proxies are those whose word on where a request came from is believed.
	Proxies []netip.Addr
	// Run begins something that goes on until it is done or its context ends: the context
	// is the program's, not that of a request.
	Run func(do func(context.Context))
	// Stores are how the promises about the stores stand, as far as a daemon knows; may be nil.
	Stores func() map[string]StoreNow
	// Sources are the folders that may be chosen to take from: what is plugged in, and what
	// the configuration names. May be nil.
	Sources func() []string
	// Guarded are the folders into which nothing is laid out.
	Guarded guarded.Folders
	// Drive is where discs are read; "" if the configuration names none. OpenDisc opens what
	// lies in it.
	Drive    string
	OpenDisc func(ctx context.Context, at discs.At) (discs.Opened, error)
	// Desk is what the desk card and the take-over sheet are made from; nil if it isn't known.
	Desk func() statements.Desk
	// Memory is what earlier pages of this program remember; nil if there were none.
	Memory *Memory
	// Config is the configuration's file, and Account who acts on this computer where nobody
	// has an account of their own, as commands have it.
	Config, Account string
	// Register is where the archive's register comes from; the zero value if none is configured.
	Register reading.Source
	// Reels counts what comes next with all sides.
	Reels *reels.Counter
	// Check says what would not work tonight, and sends a test letter if it is asked to; may be
	// nil.
	Check func(ctx context.Context, letter bool) ([]Checked, error)
	// NextLetter is when the next weekly letter is due; zero if none is sent. May be nil.
	NextLetter func(context.Context) time.Time
}

// Checked is what was found out about one thing of a configuration that isn't written yet.
type Checked struct {
	What, Detail string
	Mark         string // in a word, as "firmus check" says it
	OK           bool
}

// StoreNow is what a daemon knows of a store besides the ledger.
type StoreNow struct {
	Running bool
	Next    time.Time // audit
	Oldest  time.Time // reading of a copy that was read
	Unread  int64     // copies that were never read
	Within  time.Duration
}

// Memory is what pages remember and no ledger holds: what was ordered and what came of it,
// and how often passwords were guessed. A program that makes other pages, under another
// configuration, hands it on. The zero Memory is empty.
type Memory struct {
	jobs      jobs
	addresses people.Throttle // by where a try came from
	names     people.Throttle // by whose account was tried
}

// addressWaits and nameWaits are how long an address and an account wait at most after wrong
// passwords. An account's is short: else anybody could lock somebody else out. Whoever
// guesses is held up by their own address, and many addresses together have two guesses a
// minute. Where a person signed in before they don't hold them up at all (signIn).
const (
	addressWaits = 15 * time.Minute
	nameWaits    = 30 * time.Second
)

// Site is what is served.
type Site struct {
	*Memory
	Options
	views  views
	mux    *http.ServeMux
	origin *http.CrossOriginProtection
	busy   chan struct{}
	hosts  []string // names by which it may be called
	Cookie string   // the name of the session's
	secure bool
	veils  veils
	made   made
}

// Route is a page or an act.
type Route struct {
	Pattern string
	Needs   fixity.PersonRole // the least that a person must be; "" for everybody, without a session
	Do      func(*Request) error
}

//go:embed static
var static embed.FS

// Routes are signing in and out, how an act that was ordered goes on, and every address
// that no page has.
var Routes = []Route{
	{"GET /enter", "", enterPage},
	{"POST /enter", "", enter},
	{"GET /sign-in", "", signInPage},
	{"POST /sign-in", "", signIn},
	{"POST /sign-out", fixity.Viewer, signOut},
	{"GET /work/jobs/{id}", fixity.Viewer, jobPage},
	{"GET /work/jobs/{id}/events", fixity.Viewer, jobEvents},
	{"GET /work/jobs/{id}/form", fixity.Technician, jobForm},
	{"POST /work/jobs/{id}/stop", fixity.Technician, jobStop},
	{"/", "", nowhere},
}

// mostAtOnce is how many requests are answered at the same time; others wait.
const mostAtOnce = 24

// waitAtMost is how long a request waits for its turn.
const waitAtMost = 10 * time.Second

// mostInForm is how many bytes a form may have, and formWithin how long it may take to come.
const (
	mostInForm = 128 << 10
	formWithin = 20 * time.Second
)

// New makes a site of routes. It refuses what mustn't be served: see people.Needs.
func New(o Options, routes []Route) (*Site, error) {
	if o.Archive != nil { // the first run has none
		mine := *o.Archive
		mine.Words = Words()
		o.Archive = &mine
	}
	v, err := parse()
	if err != nil {
		return nil, err
	}
	s := &Site{Options: o, views: v, Memory: o.Memory, mux: http.NewServeMux(), origin: http.NewCrossOriginProtection(), busy: make(chan struct{}, mostAtOnce)}
	if s.Memory == nil {
		s.Memory = &Memory{}
	}
	s.hosts = []string{"localhost", "127.0.0.1", "::1"}
	port := ""
	if host, p, err := net.SplitHostPort(o.Listen); err == nil {
		port = p
		if ip := net.ParseIP(host); host != "" && (ip == nil || !ip.IsUnspecified()) {
			s.hosts = append(s.hosts, strings.ToLower(host))
		}
	}
	if u, err := url.Parse(o.Public); err == nil && u.Host != "" {
		s.hosts = append(s.hosts, strings.ToLower(u.Hostname()))
		s.secure = u.Scheme == "https"
		if err := s.origin.AddTrustedOrigin(u.Scheme + "://" + u.Host); err != nil {
			return nil, err
		}
	}
	// Cookies don't tell ports apart: two daemons on one computer would sign each other out.
	s.Cookie = "firmus_" + port
	for _, r := range routes {
		s.mux.Handle(r.Pattern, s.guarded(r))
	}
	files, err := fs.Sub(static, "static")
	if err != nil {
		return nil, err
	}
	s.mux.Handle("GET /static/stave.css", cached(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/css; charset=utf-8")
		_, _ = io.WriteString(w, stave.CSS)
	})))
	// Each file has a route of its own: what the folder holds is not listed.
	err = fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			s.mux.Handle("GET /static/"+path, http.StripPrefix("/static/", cached(http.FileServerFS(files))))
		}
		return err
	})
	return s, err
}

// Warm begins to count before somebody asks.
func (s *Site) Warm(ctx context.Context) {
	if _, err := s.Reels.Newest(ctx); err != nil && ctx.Err() == nil {
		s.Log.Warn("the sides could not be counted yet", "error", err)
	}
}

// cached lets browsers keep what belongs to the program for a while.
func cached(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "private, max-age=300")
		h.ServeHTTP(w, r)
	})
}

// policy lets a page have nothing but what this server gives, and lie in no frame.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; media-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// ServeHTTP serves pages. What every answer must have is set here, and what no request
// may be is refused here.
func (s *Site) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Cache-Control", "no-store")
	q := &Request{Request: r, W: w, Site: s}
	if q.encrypted() {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
	if !s.called(r.Host) {
		// Another site's name that leads here would make its scripts this site's.
		q.fail(Status{http.StatusMisdirectedRequest, "This address is not one of this archive's",
			"The pages answer under the name of this computer, and under the address that the configuration gives as [web] address."})
		return
	}
	if err := s.origin.Check(r); err != nil {
		q.fail(Status{http.StatusForbidden, "This came from another site", "Nothing was changed. Open the page here and send its form again."})
		return
	}
	if live(r) {
		s.mux.ServeHTTP(w, r)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, mostInForm)
	if r.Method == http.MethodPost {
		if err := q.readForm(); err != nil {
			q.failed(err)
			return
		}
	}
	select {
	case s.busy <- struct{}{}:
	default:
		t := time.NewTimer(waitAtMost)
		defer t.Stop()
		select {
		case s.busy <- struct{}{}:
		case <-t.C:
			h.Set("Retry-After", "10")
			http.Error(w, "Too many requests at once. Try again in a moment.", http.StatusServiceUnavailable)
			return
		case <-r.Context().Done():
			return
		}
	}
	defer func() { <-s.busy }()
	s.mux.ServeHTTP(w, r)
}

// readForm reads a form before its request takes a turn: one that comes slowly, or never,
// keeps nobody else waiting.
func (q *Request) readForm() error {
	c := http.NewResponseController(q.W)
	_ = c.SetReadDeadline(time.Now().Add(formWithin)) // the server has a limit of its own besides
	err := q.ParseForm()
	if err == nil && strings.HasPrefix(q.Header.Get("Content-Type"), "multipart/form-data") {
		err = q.ParseMultipartForm(mostInForm)
	}
	if err == nil {
		_ = c.SetReadDeadline(time.Time{})
		return nil
	}
	q.W.Header().Set("Connection", "close") // what is still to come of it isn't waited for
	var long *http.MaxBytesError
	if errors.As(err, &long) {
		return Status{http.StatusRequestEntityTooLarge, "The form is too long", "Nothing was changed."}
	}
	return Status{http.StatusBadRequest, "The form could not be read", "Nothing was changed. " + err.Error()}
}

// called says that a Host header names this site.
func (s *Site) called(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	return slices.Contains(s.hosts, strings.ToLower(strings.Trim(name, "[]")))
}

// FromHere says that a request came from this computer, and through no proxy.
func FromHere(r *http.Request) bool {
	a, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && a.Addr().Unmap().IsLoopback() && r.Header.Get("X-Forwarded-For") == "" && r.Header.Get("Forwarded") == ""
}

// address is where a request came from: by a proxy's word if that is believed.
func (s *Site) address(r *http.Request) string {
	a, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	addr := a.Addr().Unmap()
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(hops) - 1; i >= 0 && slices.Contains(s.Proxies, addr); i-- {
		next, err := netip.ParseAddr(strings.TrimSpace(hops[i]))
		if err != nil {
			break
		}
		addr = next.Unmap()
	}
	if addr.Is6() { // one household or office has a /64
		if p, err := addr.Prefix(64); err == nil {
			return p.String()
		}
	}
	return addr.String()
}

// guarded lets only those come to a route who may.
func (s *Site) guarded(r Route) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, hr *http.Request) {
		q := &Request{Request: hr, W: w, Site: s}
		if err := q.serve(r); err != nil {
			q.failed(err)
		}
	})
}

func (q *Request) serve(r Route) error {
	if r.Needs == "" {
		return r.Do(q)
	}
	ok, err := q.known()
	if err != nil || !ok {
		return err
	}
	if !q.Who.Role.May(r.Needs) {
		if q.Method == http.MethodPost {
			if err := q.tx(func(t *ledger.Tx) error { t.People.ActForbidden(q.Who.Name, q.Method+" "+q.URL.Path); return nil }); err != nil {
				return err
			}
			q.Site.Log.Warn("somebody ordered what their role doesn't allow", "account", q.Who.Name, "role", q.Who.Role, "path", q.URL.Path)
		}
		return Status{http.StatusForbidden, "Your account may not do this",
			"Nothing was changed. It needs the role " + string(r.Needs) + "; yours is " + string(q.Who.Role) + "."}
	}
	if !q.Who.Role.May(fixity.Technician) {
		q.Restricted = q.lookRestricted()
	}
	return r.Do(q)
}
