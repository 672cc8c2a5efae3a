package webdav

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/wire"
	"firmus/replicas/loopback"
)

// Options of a Service.
type Options struct {
	// Endpoint is the address of a folder: https, or plain http on this computer.
	Endpoint string
	// Folder is the path of a folder below it, as people write it; "" is the endpoint's own.
	Folder string
	// Credential is a file with lines "user = …" and "password = …"; "" only on this computer.
	Credential string
	// Transport carries the calls; nil is one of its own that uses no proxy.
	Transport http.RoundTripper
	// Now is the clock; needed.
	Now func() time.Time
}

// Service is a WebDAV server. It is a cloud.Service and cloud.Checker, and may be used by
// several goroutines at once. Ids are escaped paths from the folder; a folder's ends in a
// slash, and the folder's own is its whole address.
type Service struct {
	base           url.URL  // scheme and host
	names          []string // of the folder, from the server's root
	root           string
	user, password string
	client         *http.Client
	clock          *wire.Dated
}

var (
	_ cloud.Service = (*Service)(nil)
	_ cloud.Checker = (*Service)(nil)
)

// Open reads the credential and makes a Service. Nothing is asked of the net. It fails with
// fixity.ErrRefused for an address that isn't one, over plain http on another computer, or
// with a user in it, and for a credential that is not to be used (see wire.Secret).
func Open(o Options) (*Service, error) {
	if o.Now == nil {
		return nil, errors.New("webdav: no clock")
	}
	u, err := url.Parse(o.Endpoint)
	if err != nil || u.User != nil || u.RawQuery != "" || u.Host == "" || u.Scheme != "https" && !loopback.Plain(o.Endpoint) {
		return nil, fmt.Errorf("webdav: %w: the endpoint must be an https address without a user in it; plain http is for a server on this computer", fixity.ErrRefused)
	}
	s := &Service{base: url.URL{Scheme: u.Scheme, Host: u.Host}}
	if s.names, err = names("/" + u.EscapedPath()); err != nil {
		return nil, fmt.Errorf("webdav: %w: %w", fixity.ErrRefused, err)
	}
	in, err := wire.Names(o.Folder)
	if err != nil {
		return nil, fmt.Errorf("webdav: %w", err)
	}
	s.names = append(s.names, in...)
	s.root = s.base.String() + "/" + escaped(s.names, true)
	switch {
	case o.Credential != "":
		got, err := wire.Pairs(o.Credential, []string{"user", "password"})
		if err != nil {
			return nil, fmt.Errorf("webdav: %w", err)
		}
		s.user, s.password = got["user"], got["password"]
	case !loopback.Host(u.Hostname()):
		return nil, fmt.Errorf("webdav: %w: no credential", fixity.ErrRefused)
	}
	if o.Transport == nil {
		o.Transport = wire.Transport()
	}
	s.clock = &wire.Dated{Base: o.Transport, Now: o.Now}
	s.client = &http.Client{Transport: s.clock, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return s, nil
}

// Root is the id of the folder.
func (s *Service) Root() string { return s.root }

// path is the names from the server's root to an id, and whether it is a folder's.
func (s *Service) path(id string) (all []string, dir bool, err error) {
	if id == s.root {
		return s.names, true, nil
	}
	in, err := names("/" + id)
	dir = strings.HasSuffix(id, "/")
	if err != nil || len(in) == 0 || escaped(in, dir) != id {
		return nil, false, &cloud.Error{Class: cloud.NotVisible, Text: "there is no such thing"}
	}
	return append(s.names[:len(s.names):len(s.names)], in...), dir, nil
}

// call makes a request of an id. The answer's body is the caller's to close.
func (s *Service) call(ctx context.Context, method, id string, header map[string]string, body string) (*http.Response, error) {
	all, dir, err := s.path(id)
	if err != nil {
		return nil, err
	}
	u := s.base
	u.RawPath = "/" + escaped(all, dir)
	if u.Path, err = url.PathUnescape(u.RawPath); err != nil {
		return nil, err
	}
	for hops := 0; ; hops++ {
		var text io.Reader
		if body != "" {
			text = strings.NewReader(body)
		}
		r, err := http.NewRequestWithContext(ctx, method, u.String(), text)
		if err != nil {
			return nil, err
		}
		for k, v := range header {
			r.Header.Set(k, v)
		}
		r.Header.Set("User-Agent", "firmus")
		if s.user != "" {
			r.SetBasicAuth(s.user, s.password)
		}
		res, err := s.client.Do(r)
		if err != nil {
			return nil, wire.Unreached(err)
		}
		if res.StatusCode/100 != 3 {
			return res, nil
		}
		res.Body.Close()
		to, err := res.Location()
		if err != nil || to.Scheme != s.base.Scheme || to.Host != s.base.Host || method != http.MethodGet || hops == 3 {
			return nil, elsewhere(res.StatusCode, to)
		}
		u = *to
		u.User = nil
	}
}

// longestHost is of a name (RFC 1035, section 2.3.4) with a port.
const longestHost = 255 + len(":65535")

// elsewhere is the error for an answer that sends the call to another place. Of that place
// only the host is told: what follows may hold a key.
func elsewhere(status int, to *url.URL) error {
	where := "another address"
	if to != nil && to.Host != "" && len(to.Host) <= longestHost {
		where = strconv.Quote(to.Scheme + "://" + to.Host)
	}
	return &cloud.Error{Class: cloud.Refused, Status: status, Text: "the service sends the call to " + where + ": no password is sent there. If the folder has moved, put its new address into the configuration"}
}

// Get is the item with that id.
func (s *Service) Get(ctx context.Context, id string) (cloud.Item, error) {
	all, dir, err := s.path(id)
	if err != nil {
		return cloud.Item{}, err
	}
	var it cloud.Item
	n := 0
	err = s.propfind(ctx, id, "0", func(x found) error {
		if rest, ok := below(all, x.names); x.odd != "" || !ok || len(rest) > 0 {
			return fmt.Errorf("it is about another thing (%q)", x.address())
		}
		it = x.item
		n++
		return nil
	})
	switch {
	case err != nil:
		return cloud.Item{}, err
	case n != 1:
		return cloud.Item{}, wire.Nonsense(http.StatusMultiStatus, fmt.Errorf("%d things were told of where one was asked for", n))
	case it.Hazy != "" && id != s.root:
		return cloud.Item{}, &cloud.Error{Class: cloud.ThisFile, Status: http.StatusMultiStatus, Text: it.Hazy}
	case it.Hazy != "":
		return cloud.Item{}, wire.Nonsense(http.StatusMultiStatus, errors.New(it.Hazy))
	case (it.Kind == cloud.Dir) != dir:
		return cloud.Item{}, &cloud.Error{Class: cloud.NotVisible, Text: "another kind of thing lies there now"}
	}
	s.put(&it, all)
	return it, nil
}

// put says of an item where it lies: all are the names on the way to it.
func (s *Service) put(it *cloud.Item, all []string) {
	in := all[len(s.names):]
	if len(in) == 0 {
		it.ID, it.Name = s.root, s.base.Host
		if len(all) > 0 {
			it.Name = all[len(all)-1]
		}
		return
	}
	it.ID, it.Name = escaped(in, it.Kind == cloud.Dir), in[len(in)-1]
	if it.Parent = escaped(in[:len(in)-1], true); it.Parent == "" {
		it.Parent = s.root
	}
}

// shownAddress is how many bytes of an address that can't be one are shown.
const shownAddress = 200

// address is where a thing lies by its entry, as far as it is shown.
func (x *found) address() string {
	text := x.odd
	if text == "" {
		text = "/" + strings.Join(x.names, "/")
	}
	if len(text) > shownAddress {
		text = strings.ToValidUTF8(text[:shownAddress], "") + "…"
	}
	return text
}

// astray is what a listing of a folder names at an address that can't be right there. No
// thing has its id.
func (s *Service) astray(folder []string, address string) cloud.Item {
	it := cloud.Item{Hazy: fmt.Sprintf("the service lists it at the address %q, which can't be right. Give it a name there without #, ? and %%", address)}
	s.put(&it, append(folder[:len(folder):len(folder)], address[strings.LastIndexByte(strings.TrimRight(address, "/"), '/')+1:]))
	it.ID = "?" + address
	return it
}

// Page is what lies directly in one of the folders of q: in the first one, or the one whose
// number is the token.
func (s *Service) Page(ctx context.Context, q cloud.Query, token string) (cloud.Page, error) {
	i := 0
	if token != "" {
		n, err := strconv.Atoi(token)
		if err != nil || n < 0 || n >= len(q.Parents) {
			return cloud.Page{}, &cloud.Error{Class: cloud.Refused, Text: "that is no page"}
		}
		i = n
	}
	if len(q.Parents) == 0 {
		return cloud.Page{}, &cloud.Error{Class: cloud.Refused, Text: "a folder must be asked for"}
	}
	id := q.Parents[i]
	all, _, err := s.path(id)
	if err != nil {
		return cloud.Page{}, err
	}
	var p cloud.Page
	own := false
	err = s.propfind(ctx, id, "1", func(x found) error {
		rest, ok := below(all, x.names)
		switch {
		case x.odd != "" || !ok || len(rest) > 1:
			// It is about something here, and nobody can say what: all else is listed.
			p.Items = append(p.Items, s.astray(all, x.address()))
			return nil
		case len(rest) == 0:
			own = true
			if x.item.Kind != cloud.Dir {
				return errors.New("it is about no folder")
			}
			return nil
		}
		s.put(&x.item, x.names)
		p.Items = append(p.Items, x.item)
		return nil
	})
	var e *cloud.Error
	switch {
	case errors.As(err, &e) && e.Status == http.StatusForbidden && id != s.root:
		// The folder is shown, what lies in it isn't.
		it := cloud.Item{Kind: cloud.Dir, Closed: true}
		s.put(&it, all)
		p.Items = []cloud.Item{it}
	case err != nil:
		return cloud.Page{}, err
	case !own:
		return cloud.Page{}, wire.Nonsense(http.StatusMultiStatus, errors.New("a listing lacks the folder that was asked for"))
	}
	if i+1 < len(q.Parents) {
		p.Next = strconv.Itoa(i + 1)
	}
	return p, nil
}

// propfind asks for the properties of an id, and with depth 1 of what lies in it.
func (s *Service) propfind(ctx context.Context, id, depth string, f func(found) error) error {
	res, err := s.call(ctx, "PROPFIND", id, map[string]string{"Depth": depth, "Content-Type": "application/xml; charset=utf-8"}, asked)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusMultiStatus {
		return s.answered(res, id == s.root, false)
	}
	err = read(res.Body, f)
	var syntax *xml.SyntaxError
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return wire.Unreached(ctx.Err())
	case errors.Is(err, errCut), errors.Is(err, io.ErrUnexpectedEOF), errors.As(err, &syntax):
		return &cloud.Error{Class: cloud.Later, Status: res.StatusCode, Text: "the listing was cut off, or is none", Err: err}
	}
	return wire.Nonsense(res.StatusCode, err)
}

// Open gives the bytes of a file from offset on, of the version that it was listed as. The
// answer's ETag says so, not an If-Match of the call: that one matches nothing while an ETag
// is weak (RFC 9110, section 13.1.1), as it is for a moment after a change. Some servers tell
// a file's ETag and send none with its bytes: they are of the version if it is the same before
// and after, which package cloud asks, and nothing in the answer says otherwise.
func (s *Service) Open(ctx context.Context, it cloud.Item, offset int64) (io.ReadCloser, error) {
	res, err := s.call(ctx, http.MethodGet, it.ID, map[string]string{"Range": wire.Range(offset, it.Size), "Accept-Encoding": "identity"}, "")
	if err != nil {
		return nil, err
	}
	switch {
	case res.StatusCode == http.StatusRequestedRangeNotSatisfiable:
		err = wire.RightRange(res, offset, it.Size)
	case res.StatusCode/100 != 2:
		err = s.answered(res, false, true)
	case res.Header.Get("Content-Encoding") != "":
		err = wire.Nonsense(res.StatusCode, errors.New("the bytes come encoded, and nobody asked for that"))
	default:
		err = wire.RightBytes(res, it.Name, wire.TagOf(it.Version), it.ModTime, offset, it.Size)
	}
	if err != nil {
		res.Body.Close()
		return nil, err
	}
	return res.Body, nil
}

// answered is what an answer means that isn't what was asked for.
func (s *Service) answered(res *http.Response, root, file bool) error {
	e := &cloud.Error{Status: res.StatusCode, After: wire.After(res.Header, s.clock.Now())}
	switch c := res.StatusCode; {
	case c == http.StatusUnauthorized:
		e.Class, e.Text = cloud.Blind, "the service does not accept the user and the password"
	case c == http.StatusForbidden && root:
		e.Class, e.Text = cloud.Blind, "the service does not let this user look into the folder"
	case c == http.StatusForbidden, c == http.StatusLocked && file:
		e.Class, e.Text = cloud.ThisFile, "the service does not let this user read it"
	case c == http.StatusNotFound || c == http.StatusGone:
		e.Class, e.Text = cloud.NotVisible, "there is no such thing, or it is not shown to this user"
	case c == http.StatusMethodNotAllowed || c == http.StatusNotImplemented:
		e.Class, e.Text = cloud.Refused, "what answers at that address is no WebDAV folder"
	case c == http.StatusRequestTimeout || c == http.StatusTooEarly || c == http.StatusTooManyRequests || c == http.StatusLocked:
		e.Class, e.Text = cloud.Later, "the service asks to come back later"
	case c >= 500:
		e.Class, e.Text = cloud.Later, "the service has an outage"
	case c/100 == 2 && wire.IsPage(res, ""):
		return wire.PageInstead(c, "a listing")
	case c/100 == 2:
		e.Class, e.Text = cloud.Later, "the service gave no listing"
	default:
		e.Class, e.Text = cloud.Refused, "the service does not accept the call"
	}
	return e
}

// Check says what is wrong with the address, the credential and the clock. It makes one
// call.
func (s *Service) Check(ctx context.Context) (all []cloud.Problem) {
	if _, err := s.Get(ctx, s.root); err != nil {
		all = append(all, cloud.Problem{Grave: true, Text: err.Error(), Do: s.Advice(err)})
	}
	return append(all, s.clock.Skew("certificates are judged by it")...)
}

// Advice is what a person can do about err.
func (s *Service) Advice(err error) string {
	var e *cloud.Error
	if !errors.As(err, &e) {
		return ""
	}
	switch {
	case e.Status == http.StatusUnauthorized:
		return "see that user and password in the credentials file are right; where people sign in with a second factor, make a password for this program in the service's settings"
	case e.Class == cloud.Blind && e.Status == http.StatusForbidden:
		return "share the folder with this user, to be read"
	case e.Class == cloud.Blind:
		return "see that the endpoint in the configuration is the service's own; a server with a certificate of its own needs it among those that this computer trusts"
	case e.Class == cloud.NotVisible, e.Class == cloud.Refused && e.Status >= 400:
		return "see that endpoint and folder in the configuration are right: the service's settings show the address of WebDAV"
	case e.Class == cloud.Later:
		return "look whether this computer reaches the net, and try again"
	}
	return ""
}
