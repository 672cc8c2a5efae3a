// Package clouds opens the stores that services keep, each once, by the configuration; says
// what is wrong with them, and signs in to them. What it gives of a store is only read.
package clouds

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"net/url"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/drive"
	"firmus/replicas/cloud/s3"
	"firmus/replicas/cloud/webdav"
	"firmus/replicas/loopback"
)

// Stores are the stores that services keep, each opened once: a listing is of the
// whole store and serves all its sets.
type Stores struct {
	mu    sync.Mutex
	Now   func() time.Time
	Place func(ctx context.Context, store, set, path string) (cloud.Expected, error) // nil: nothing is known
	Held  func(store string)                                                         // told of each call that must be made again; may be nil
	open  map[string]*cloud.Store
}

// Store opens a store, or gives it as it was opened.
func (c *Stores) Store(s config.Store) (*cloud.Store, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if st := c.open[s.Name]; st != nil {
		return st, nil
	}
	service, folder, err := c.service(s)
	if err != nil {
		return nil, err
	}
	o := cloud.Options{Folder: folder, Now: c.Now}
	if c.Place != nil {
		o.Place = func(ctx context.Context, set, path string) (cloud.Expected, error) {
			return c.Place(ctx, s.Name, set, path)
		}
	}
	if c.Held != nil {
		o.Again = func(error) { c.Held(s.Name) }
	}
	if nearby(s.Endpoint) { // a test server on this computer is there, or it isn't: no network to wait for
		o.Retry = cloud.Retry{Attempts: 3, Base: 100 * time.Millisecond}
	}
	st, err := cloud.New(service, o)
	if err != nil {
		return nil, err
	}
	if c.open == nil {
		c.open = map[string]*cloud.Store{}
	}
	c.open[s.Name] = st
	return st, nil
}

// service opens a store's service, and gives the id of its folder there.
func (c *Stores) service(s config.Store) (cloud.Service, string, error) {
	switch s.Service {
	case config.WebDAV:
		w, err := webdav.Open(webdav.Options{Endpoint: s.Endpoint, Folder: s.Folder, Credential: s.Credentials, Now: c.Now})
		if err != nil {
			return nil, "", err
		}
		return w, w.Root(), nil
	case config.S3:
		b, err := s3.Open(s3.Options{Endpoint: s.Endpoint, Bucket: s.Bucket, Folder: s.Folder, Region: s.Region, Addressing: s.Addressing, Credential: s.Credentials, Now: c.Now})
		if err != nil {
			return nil, "", err
		}
		return b, b.Root(), nil
	default:
		d, err := drive.Open(context.Background(), drive.Options{Credential: s.Credentials, Endpoint: s.Endpoint, TokenURL: s.Tokens, Now: c.Now})
		if err != nil {
			return nil, "", err
		}
		return d, s.Folder, nil
	}
}

// nearby says that a service is on this computer.
func nearby(endpoint string) bool {
	u, err := url.Parse(endpoint)
	return err == nil && loopback.Host(u.Hostname())
}

// PlaceIn is what the ledger knows of a place in a store that a service keeps.
func PlaceIn(ctx context.Context, l *ledger.Ledger, store, set, path string) (p cloud.Expected, err error) {
	err = l.View(ctx, func(t *ledger.Tx) error {
		if p.ID, err = t.Services.ID(store, set, path); err != nil {
			return err
		}
		p.Sums, err = t.Services.ReportsAt(store, set, path)
		return err
	})
	return p, err
}

// ErrCredential says that a store's credential can't be used; another one may come.
var ErrCredential = errors.New("the credential can't be used")

// Forget has a store opened anew by whoever needs it next: a person may have put
// another credential in the place of one that is dead.
func (c *Stores) Forget(store string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.open, store)
}

// OnlyRead is a root on which nothing is ever written.
type OnlyRead struct {
	*cloud.Folder
	Blind func() // is told when the credential turns out to be dead
}

// Identify says of a dead credential in the error's text that it is one: of the error
// only that text is kept, and a dead credential doesn't come to life by waiting.
func (r OnlyRead) Identify(ctx context.Context) (fixity.Identity, error) {
	id, err := r.Folder.Identify(ctx)
	if errors.Is(err, cloud.ErrBlind) {
		err = fmt.Errorf("%s: %w", cloud.ErrBlind.Error(), err)
		r.Blind()
	}
	return id, unseen(err)
}

// unseen makes any answer of the service that isn't about one file a store that can't
// be seen now: the others are audited all the same.
func unseen(err error) error {
	var e *cloud.Error
	if errors.As(err, &e) && !errors.Is(err, fixity.ErrAway) && !errors.Is(err, fixity.ErrDenied) {
		return fmt.Errorf("%w: %w", fixity.ErrAway, err)
	}
	return err
}

// notToday ends the reading of a whole store where the service gives no more of
// anything before the next day.
func notToday(err error) error {
	if errors.Is(err, cloud.ErrTomorrow) && !errors.Is(err, fixity.ErrAway) {
		return fmt.Errorf("%w: %w: %w", cloud.ErrTomorrow, fixity.ErrAway, err)
	}
	return err
}

// Stat is that of the folder.
func (r OnlyRead) Stat(ctx context.Context, path string) (fixity.Entry, error) {
	e, err := r.Folder.Stat(ctx, path)
	return e, notToday(err)
}

// Open is that of the folder.
func (r OnlyRead) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	f, err := r.Folder.Open(ctx, e, offset)
	if err != nil {
		return nil, notToday(err)
	}
	return today{f}, nil
}

// today is a reader whose service may give no more of anything before the next day.
type today struct{ fixity.Reader }

func (r today) Read(p []byte) (int, error) {
	n, err := r.Reader.Read(p)
	return n, notToday(err)
}

// ConfirmGone asks the service again for what its listing doesn't show.
func (r OnlyRead) ConfirmGone(ctx context.Context, gone []ledger.ServiceItem) (map[string]ledger.SecondLook, error) {
	lost := make([]cloud.Lost, len(gone))
	for i, x := range gone {
		lost[i] = cloud.Lost{Path: x.Path, ID: x.ID}
	}
	found, err := r.Confirm(ctx, lost)
	out := map[string]ledger.SecondLook{}
	for _, f := range found {
		out[f.Path] = ledger.SecondLook{Said: f.Seen, There: f.Fate == cloud.IsThere, Entry: f.Entry}
	}
	return out, err
}

// Items are the service's names for the files and folders of the set, after the path ""
// with the account that the store's folder belongs to. A folder's path ends in a slash.
func (r OnlyRead) Items(ctx context.Context) iter.Seq2[ledger.ServiceItem, error] {
	return func(yield func(ledger.ServiceItem, error) bool) {
		owner, err := r.Owner(ctx)
		if !yield(ledger.ServiceItem{Owner: owner}, err) || err != nil {
			return
		}
		for f, err := range r.Places(ctx) {
			if !yield(ledger.ServiceItem{Path: f.Entry.Path, ID: f.ID, Owner: f.Owner}, err) {
				return
			}
		}
	}
}

// Public are the paths of the files that whoever has a link may read.
func (r OnlyRead) Public(ctx context.Context) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		for f, err := range r.Places(ctx) {
			if err != nil || f.Public && !strings.HasSuffix(f.Entry.Path, "/") {
				if !yield(f.Entry.Path, err) {
					return
				}
			}
		}
	}
}

// Remarks are what is noteworthy in the newest listing.
func (r OnlyRead) Remarks(ctx context.Context) ([]string, error) {
	notes, err := r.Notes(ctx)
	var out []string
	for _, n := range notes {
		out = append(out, n.Text)
	}
	return out, err
}

// ReplaceVerified is refused: the cloud is only read.
func (OnlyRead) ReplaceVerified(_ context.Context, path string, _ func(io.Writer) error, _ func(fixity.Reader) error) error {
	return fmt.Errorf("write %q: the cloud is only read: %w", path, fixity.ErrRefused)
}

// Names are none: nothing of Firmus lies in the cloud.
func (OnlyRead) Names(context.Context, string) ([]string, error) { return nil, nil }

// RenameOwn is refused: the cloud is only read.
func (OnlyRead) RenameOwn(_ context.Context, from, _ string) error {
	return fmt.Errorf("rename %q: the cloud is only read: %w", from, fixity.ErrRefused)
}

// RemoveOwn is refused: the cloud is only read.
func (OnlyRead) RemoveOwn(_ context.Context, path string) error {
	return fmt.Errorf("remove %q: the cloud is only read: %w", path, fixity.ErrRefused)
}

// Problem is something that is wrong with a store that a service keeps.
type Problem struct {
	Store string
	Grave bool // it can't be audited with it
	Away  bool // it visits, and was not reached
	Text  string
}

// Check says in plain words what is wrong with each store that a service keeps:
// credential, clock, folder. A store without a grave problem can be audited now.
func Check(ctx context.Context, c *config.Config, now func() time.Time) ([]Problem, error) {
	var out []Problem
	open := Stores{Now: now}
	for _, s := range c.Stores {
		if s.Kind != config.Cloud {
			continue
		}
		st, err := open.Store(s)
		if err != nil {
			out = append(out, Problem{Store: s.Name, Grave: true, Text: err.Error()})
			continue
		}
		if end := SignInEnds(s); !end.IsZero() {
			out = append(out, Problem{Store: s.Name, Text: report.SignInUntil(end, now())})
		}
		var sets []string
		for _, r := range s.Sets {
			sets = append(sets, r.Set)
		}
		ps, err := st.Check(ctx, sets...)
		if err != nil {
			return out, err
		}
		grave := false
		for _, p := range ps {
			text := p.Text
			if p.Do != "" {
				text += ". " + strings.ToUpper(p.Do[:1]) + p.Do[1:]
			}
			// Whether a visiting one has been away for too long, the ledger knows.
			out = append(out, Problem{Store: s.Name, Grave: p.Grave && !s.Visiting, Away: p.Grave && s.Visiting, Text: text})
			grave = grave || p.Grave
		}
		if !grave {
			out = append(out, Problem{Store: s.Name, Text: "can be audited"})
		}
	}
	return out, nil
}

// SignInEnds is when the sign-in to a store ends, the zero time if the service didn't
// say so, or where there is none: a service account's key says nothing of its end.
func SignInEnds(s config.Store) time.Time {
	if s.Service != config.Drive || s.Credentials == "" {
		return time.Time{}
	}
	c, err := drive.LoadCredential(s.Credentials)
	if err != nil {
		return time.Time{} // whoever uses it says what is wrong
	}
	return c.RunsOut()
}

// SignIn lets a person sign in to the service of a store with their own account, in
// their browser, and keeps what comes of it where the configuration says the store's
// credentials are. Only reading is asked for. show is given the address to open.
func SignIn(ctx context.Context, c *config.Config, store string, client []byte, now func() time.Time, show func(url string) error) (string, error) {
	s, ok := c.Store(store)
	if !ok || s.Service != config.Drive || s.Credentials == "" {
		return "", fmt.Errorf("store %q is no cloud store with service = \"drive\" and credentials in the configuration: %w", store, fixity.ErrRefused)
	}
	if err := guarded.Of(c).Replaceable(s.Credentials, guarded.Credential); err != nil {
		return "", fmt.Errorf("sign in for store %s: %w", store, err)
	}
	text, err := drive.SignIn{Client: client, Show: show, Now: now}.Run(ctx)
	if err != nil {
		return "", fmt.Errorf("sign in for store %s: %w", store, err)
	}
	return s.Credentials, guarded.Of(c).Secret(s.Credentials, guarded.Credential, func(w io.Writer) error { _, err := w.Write(append(text, '\n')); return err })
}

// Changes are what a store's service tells of since a token.
func (c *Stores) Changes(ctx context.Context, s config.Store, token string) (out acts.Changes, err error) {
	st, err := c.Store(s)
	if err != nil {
		return out, fmt.Errorf("%w: %w", ErrCredential, err)
	}
	w, err := st.Changes(ctx, token)
	if err != nil {
		if errors.Is(err, cloud.ErrBlind) {
			c.Forget(s.Name)
		}
		return out, err
	}
	out = acts.Changes{Unsure: w.Unsure, Token: w.Token}
	for _, x := range w.List {
		out.List = append(out.List, acts.Change{Set: x.Set, Path: x.Path, ID: x.ID, Dir: x.Dir, Bytes: x.What == cloud.WasChanged || x.What == cloud.WasAdded})
	}
	return out, nil
}
