package config

import (
	"errors"
	"net"
	"net/mail"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/replicas/loopback"
)

// check tells what the file contradicts or leaves out, key by key having been read.
func (r *reader) check(c *Config) {
	if c.Name == "" && r.root.find("name") == nil {
		r.fail(place{1, 1}, "the holdings have no name: name = \"…\" at the top of the file")
	}
	if len(c.Sets) == 0 {
		r.fail(place{1, 1}, "there is no set: at least one [set.NAME]")
	}
	if len(c.Stores) == 0 {
		r.fail(place{1, 1}, "there is no store: at least one [store.NAME]")
	}
	for _, s := range c.Sets {
		r.checkSet(s)
	}
	for _, s := range c.Stores {
		r.checkStore(c, s)
	}
	r.checkArrivals(c)
	r.checkRule(c)
	r.checkRoots(c)
	r.checkHosts(c)
	if c.Mail != nil {
		r.checkMail(*c.Mail)
	}
	r.checkWeb(c.Web)
	if c.Register != nil {
		r.checkRegister(c, *c.Register)
	}
	if u := c.Ledger.URL; u != "" { // it may hold a password, so it isn't repeated
		if p, err := url.Parse(u); err != nil || p.Scheme != "postgres" && p.Scheme != "postgresql" {
			r.fail(r.at("ledger", "url"), "url must be a PostgreSQL database's, postgres://USER@HOST/DATABASE; leave it out to keep the ledger in the state folder")
		}
	}
}

func (r *reader) checkSet(s Set) {
	at := func(key string) place { return r.at("set", s.Name, key) }
	if s.Role == "" && r.root.find("set", s.Name, "role") == nil {
		r.fail(at("role"), "set %q has no role: %s", s.Name, either([]string{string(fixity.Master), string(fixity.Access)}))
	}
	if s.Role == fixity.Master && r.root.find("set", s.Name, "editing") != nil {
		r.fail(at("editing"), "editing is for sets of role \"access\": a master is frozen")
	}
	if s.Pattern != "" {
		r.checkPattern(s.Pattern, at("pattern"))
	}
	for _, p := range s.LeaveOut {
		if _, err := path.Match(strings.TrimSuffix(p, "/"), ""); err != nil || p == "/" {
			r.fail(at("leave_out"), "leave_out: %q is not a well-formed pattern", p)
		}
	}
}

func (r *reader) checkPattern(text string, at place) {
	_, err := care.NewPattern(text)
	if err == nil {
		return
	}
	r.fail(at, "pattern %q: %v", text, err)
	var unknown care.UnknownField
	if errors.As(err, &unknown) {
		r.suggest(unknown.Name, care.FieldNames)
	}
}

// checkPatterns holds the sets that a store files in another way against those that
// it holds.
func (r *reader) checkPatterns(s Store, at func(...string) place) {
	var held []string
	for _, root := range s.Sets {
		held = append(held, root.Set)
	}
	for _, x := range s.Patterns {
		if !slices.Contains(held, x.Set) {
			r.fail(at("patterns", x.Set), "patterns: store %q holds no set %q", s.Name, x.Set)
			r.suggest(x.Set, held)
		}
		r.checkPattern(x.Pattern, at("patterns", x.Set))
	}
}

func (r *reader) checkStore(c *Config, s Store) {
	at := func(path ...string) place { return r.at(slices.Concat([]string{"store", s.Name}, path)...) }
	needs := func(key, value, like string) {
		if value == "" && r.root.find("store", s.Name, key) == nil {
			r.fail(at(key), "store %q has no %s: %s = %q", s.Name, key, key, like)
		}
	}
	if s.Name == care.UnnamedDiscs && s.Kind != Optical && s.Kind != "" {
		r.fail(at(), "the name %q is kept for the store of the discs (kind = %q); give this store another name", s.Name, Optical)
	}
	switch s.Kind {
	case Disk:
		if n := r.root.find("store", s.Name, "sets"); n == nil || n.table && len(n.below) == 0 {
			r.fail(at("sets"), "store %q has no sets: sets = { NAME = \"FOLDER\" }", s.Name)
		}
	case Cloud:
		needs("service", s.Service, Drive)
		r.checkService(s, at, needs)
		r.checkPatterns(s, at)
		if s.Visiting && !loopback.Plain(s.Endpoint) { // what it may hide is a sign-in that has ended
			r.fail(at("visiting"), "visiting: a service on the net is always there; only a test server on this computer may come and go")
		}
	}
	var names []string
	for _, set := range c.Sets {
		names = append(names, set.Name)
	}
	seen := map[string]bool{}
	for _, root := range s.Sets {
		if !slices.Contains(names, root.Set) {
			r.fail(at("sets", root.Set), "there is no set %q", root.Set)
			r.suggest(root.Set, names)
		} else if seen[root.Set] {
			r.fail(at("sets"), "set %q is named twice", root.Set)
		}
		seen[root.Set] = true
	}
	r.checkFollows(c, s, at("follows"))
	if s.Schedule != "" {
		if err := checkSchedule(s.Schedule); err != nil {
			r.fail(at("schedule"), "schedule: %v", err)
		}
	}
}

// checkService holds the keys of a cloud store against its service.
func (r *reader) checkService(s Store, at func(...string) place, needs func(key, value, like string)) {
	for _, x := range []struct{ key, value, service string }{
		{"tokens", s.Tokens, Drive}, {"bucket", s.Bucket, S3}, {"region", s.Region, S3}, {"addressing", s.Addressing, S3},
	} {
		if x.value != "" && s.Service != "" && s.Service != x.service {
			r.fail(at(x.key), "%s is for service = %q; store %q has service = %q", x.key, x.service, s.Name, s.Service)
		}
	}
	switch s.Service {
	case WebDAV:
		needs("endpoint", s.Endpoint, "https://cloud.example.org/remote.php/dav/files/firmus/")
	case S3:
		needs("endpoint", s.Endpoint, "https://s3.example.org")
		needs("bucket", s.Bucket, "quillmere")
	default:
		needs("folder", s.Folder, "FOLDER-ID")
		r.checkEndpoint(s, at, needs)
		return
	}
	if u, err := url.Parse(s.Endpoint); s.Endpoint != "" && (err != nil || u.Host == "" || u.Scheme != "https" && !loopback.Plain(s.Endpoint)) {
		r.fail(at("endpoint"), "endpoint: an https address, such as \"https://cloud.example.org/\"; plain http is for a server on this computer")
	} else if s.Endpoint != "" && (u.User != nil || u.RawQuery != "" || u.Fragment != "") {
		r.fail(at("endpoint"), "endpoint: the address alone; user and password, or a key, stand in the credentials file")
	} else if s.Service == S3 && s.Endpoint != "" && u.Path != "" && u.Path != "/" {
		r.fail(at("endpoint"), "endpoint: the service's address without a path; the bucket has a key of its own: bucket = \"quillmere\"")
	}
	if !loopback.Plain(s.Endpoint) || s.Service == S3 { // an S3 server knows nobody without a key
		needs("credentials", s.Credentials, s.Service+"-key")
	}
	for name := range strings.SplitSeq(s.Folder, "/") {
		if name == "." || name == ".." {
			r.fail(at("folder"), "folder: a path below the endpoint, such as \"archive\"")
		}
	}
}

// checkEndpoint keeps a key from being sent anywhere but to the service itself.
func (r *reader) checkEndpoint(s Store, at func(...string) place, needs func(key, value, like string)) {
	if s.Endpoint == "" {
		needs("credentials", s.Credentials, "drive-key.json")
		if s.Tokens != "" {
			r.fail(at("tokens"), "tokens: the service gives out its own; this is for a test server, with endpoint")
		}
		return
	}
	u, err := url.Parse(s.Endpoint)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.User != nil || !loopback.Host(u.Hostname()) {
		r.fail(at("endpoint"), "endpoint: only a test server on this computer, such as \"http://127.0.0.1:8099/drive/v3/\"")
	}
	if s.Tokens != "" {
		if u, err := url.Parse(s.Tokens); err != nil || u.Scheme != "http" || u.User != nil || !loopback.Host(u.Hostname()) {
			r.fail(at("tokens"), "tokens: only a test server on this computer, such as \"http://127.0.0.1:8099/token\"")
		}
		needs("credentials", s.Credentials, "test-key.json")
	} else if s.Credentials != "" {
		r.fail(at("credentials"), "credentials are not given to an endpoint, which is for test servers; a test server's own key needs tokens = \"http://127.0.0.1:8099/token\"")
	}
}

func (r *reader) checkFollows(c *Config, s Store, at place) {
	if s.Follows == "" {
		return
	}
	var others []string
	for _, o := range c.Stores {
		if o.Name != s.Name {
			others = append(others, o.Name)
		}
	}
	switch o, ok := c.Store(s.Follows); {
	case s.Follows == s.Name:
		r.fail(at, "store %q can't follow itself", s.Name)
	case !ok:
		r.fail(at, "follows: there is no store %q", s.Follows)
		r.suggest(s.Follows, others)
	case o.Kind == Optical:
		r.fail(at, "follows: %q is of kind %q, and discs are kept in step with nothing", s.Follows, Optical)
	case c.leader(s.Name) == s.Name:
		r.fail(at, "follows: %q follows %q, which in the end follows %q", s.Name, s.Follows, s.Name)
	}
}

// checkArrivals: new files of each set appear in exactly one place.
func (r *reader) checkArrivals(c *Config) {
	if len(c.Stores) == 0 {
		return
	}
	for _, set := range c.Sets {
		first := ""
		for _, s := range c.Stores {
			if !s.Arrivals || !slices.ContainsFunc(s.Sets, func(root Root) bool { return root.Set == set.Name }) {
				continue
			}
			if first != "" {
				r.fail(r.at("store", s.Name, "arrivals"), "set %q has arrivals in %q already: one store a set", set.Name, first)
				continue
			}
			first = s.Name
		}
		if first == "" {
			r.fail(r.at("set", set.Name), "set %q has no arrivals store: one disk store that holds it needs arrivals = true", set.Name)
		}
	}
}

func (r *reader) checkRule(c *Config) {
	if n := c.independent(Disk, Cloud, Optical); c.Rule.Copies > n && n > 0 {
		r.fail(r.at("rule", "copies"), "copies = %d can't be kept: independent stores: %d", c.Rule.Copies, n)
	}
	places := map[string]bool{}
	for _, s := range c.Stores {
		if s.Place != "" {
			places[s.Place] = true
		}
	}
	if c.Rule.Places > len(places) {
		r.fail(r.at("rule", "places"), "places = %d can't be kept: different places that stores are said to stand in: %d", c.Rule.Places, len(places))
	}
}

func (r *reader) checkMail(m Mail) {
	lacks := func(key string) bool { return r.root.find("mail", key) == nil }
	if lacks("server") {
		r.fail(r.at("mail"), "mail has no server: server = \"mail.example.org:587\"")
	}
	if lacks("from") {
		r.fail(r.at("mail"), "mail has no sender: from = \"firmus@example.org\"")
	}
	if lacks("to") {
		r.fail(r.at("mail"), "mail goes to nobody: to = [\"archivist@example.org\"]")
	} else if n := r.root.find("mail", "to"); len(m.To) == 0 && isEmptyList(n.value) {
		r.fail(n.at, "mail goes to nobody: to = [\"archivist@example.org\"]")
	}
	host, port, ok := hostPort(m.Server)
	if m.Server != "" && (!ok || host == "" || port == 0) {
		r.fail(r.at("mail", "server"), "server: %q is not a host and a port such as \"mail.example.org:587\"", m.Server)
	} else if m.TLS == "none" && m.Server != "" && !loopback.Host(host) {
		r.fail(r.at("mail", "tls"), "tls = \"none\" is for a mail server on this computer; %q is none", host)
	}
	if _, err := mail.ParseAddress(m.From); err != nil && m.From != "" {
		r.fail(r.at("mail", "from"), "from: %q is not a mail address", m.From)
	}
	for _, a := range m.To {
		if _, err := mail.ParseAddress(a); err != nil {
			r.fail(r.at("mail", "to"), "to: %q is not a mail address", a)
		}
	}
	if _, err := mail.ParseAddress(m.Deputy); err != nil && m.Deputy != "" {
		r.fail(r.at("mail", "deputy"), "deputy: %q is not a mail address", m.Deputy)
	}
	if lacks("user") != lacks("password_file") {
		r.fail(r.at("mail"), "mail has only one of user and password_file")
	}
}

// checkWeb keeps the pages from being served to others without TLS: whoever listens on the
// net would have the passwords.
func (r *reader) checkWeb(w Web) {
	at := func(key string) place { return r.at("web", key) }
	host, _, ok := hostPort(w.Listen)
	if !ok && w.Listen != "" {
		r.fail(at("listen"), "listen: %q is not an address and a port such as \"127.0.0.1:7340\"", w.Listen)
	}
	if (w.Certificate == "") != (w.Key == "") {
		r.fail(r.at("web"), "web has only one of certificate and key")
	}
	for _, p := range w.Proxies {
		if net.ParseIP(p) == nil {
			r.fail(at("proxies"), "proxies: %q is not an IP address", p)
		}
	}
	if ok && !loopback.Host(host) && w.Certificate == "" && len(w.Proxies) == 0 {
		r.fail(at("listen"), "listen: beyond this computer the pages need TLS: certificate and key, or proxies = [\"ADDRESS\"] of the proxy that has them. Else listen on \"127.0.0.1:7340\"")
	}
	if w.Beyond() && w.Address == "" && r.root.find("web", "address") == nil {
		r.fail(at("address"), "web has no address: address = \"https://firmus.example.org\", as people elsewhere type it")
	}
	if u, err := url.Parse(w.Address); w.Address != "" && (err != nil || u.Host == "" || u.User != nil || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" ||
		u.Scheme != "https" && !(u.Scheme == "http" && loopback.Host(u.Hostname()))) {
		r.fail(at("address"), "address: %q is not like \"https://firmus.example.org\"", w.Address)
	}
}

func isEmptyList(v any) bool {
	list, ok := v.([]any)
	return ok && len(list) == 0
}

func hostPort(s string) (host string, port int, ok bool) {
	host, p, err := net.SplitHostPort(s)
	if err != nil {
		return "", 0, false
	}
	port, err = strconv.Atoi(p)
	return host, port, err == nil && port >= 0 && port <= 65535 && !strings.ContainsAny(host, " /@")
}
