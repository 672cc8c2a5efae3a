// Package config reads firmus.toml. What it gives is plain data: every path
// absolute, every default filled in, and nothing in it that contradicts itself. It
// opens no store and no ledger: a folder that isn't there is a fact about tonight,
// not about the configuration. Other packages don't import it; app hands each of
// them what it needs.
//
// The format is TOML 1.0. Unknown keys are errors, and all that is wrong with a
// file is told at once, each with its line and column.
package config

import (
	"slices"

	"firmus/fixity"
	"firmus/replicas/loopback"
)

// Config is what firmus.toml says, with the defaults filled in.
type Config struct {
	File            string // absolute path of the file
	Name            string // of the holdings, as letters and pages show it
	State           string // absolute folder of the ledger, its backups and the outbox
	TitlesInLetters bool   // titles and performers may leave the house by mail
	Closed          []Days // nobody is there: promises wait
	Sets            []Set  // in the file's order
	Stores          []Store
	Rule            Rule
	Ledger          Ledger
	Host            Host
	Mail            *Mail // nil: no letters are sent
	Web             Web
	Work            Work
	Register        *Register // nil: none is read
}

// Set is a part of the holdings whose files are treated alike.
type Set struct {
	Name    string
	Role    fixity.Role
	Editing Duration // an access file at rest this long counts as finished; 0 for masters
	Pattern string   // finds item, barcode, side and track in the path in the set; "": the item is the first folder
	// Restricted hides from those who only look what the recordings are called, and how they
	// sound.
	Restricted bool
	// TwoPeople asks a second person to confirm what ends or changes a version: a sign-off,
	// retiring files or a store, a migration, replacing a store, settling.
	TwoPeople bool
	LeaveOut  []string // own patterns, in the syntax of path.Match, besides the usual litter
}

// Kind is a kind of store.
type Kind string

// The kinds of store.
const (
	Disk    Kind = "disk"
	Cloud   Kind = "cloud"
	Optical Kind = "optical"
)

// Store is a place where files are kept. Fields that a kind doesn't have are zero.
type Store struct {
	Name         string
	Kind         Kind
	Place        string   // where it stands, in words; two stores in one place can go in one fire
	Medium       string   // what it is, in words
	Sets         []Root   // in the file's order; none for the discs
	Arrivals     bool     // new files appear here
	Visiting     bool     // it is seldom there, and then read whole
	Follows      string   // the store that a program keeps it in step with
	Manifests    bool     // manifests and backups of the ledger are written into it
	OwnDrive     bool     // it counts as a copy of its own although it shares a volume with another store
	Marker       bool     // its roots carry a marker; false where nothing can be written
	ReadWithin   Duration // every byte is read at least this often
	ExpectWithin Duration // new files are there, and a visit is made, within this
	DrillWithin  Duration // some files are brought back as a proof at least this often; 0: nobody asked for it
	Schedule     string   // five fields as in cron; "" for the discs
	Window       Window   // reading is allowed then; zero: at any time
	Rate         Rate     // bytes a second that reading may take, of all its readers; 0: as it can
	Readers      int      // files that are read side by side; 0: as many as suit its drive
	Hosts        []string // computers that alone reach it, of those that share the ledger; none: those that have its folders
	AtOnce       int      // how many of them read it at the same time; 0: it is measured

	// A cloud store's own.
	Patterns    []Naming // how it names the files of sets that it files in another way; in the file's order
	Service     string   // Drive, S3 or WebDAV
	Folder      string   // that holds one sub-folder a set, named like the set: its id, elsewhere than on Drive its path; "" there is the endpoint's or bucket's own
	Credentials string   // absolute path of the file of a key or password; on Drive with Endpoint only if Tokens is there
	Endpoint    string   // the service's address; of Drive a test server on this computer, "" for the service itself
	Bucket      string   // on S3
	Region      string   // on S3; "" where the service has none
	Addressing  string   // on S3, how a bucket is named: "path", "host", or "" as suits the endpoint
	Tokens      string   // where a test server on this computer gives out tokens; "" without Endpoint
	ReadADay    Size     // bytes that are read in a day because it is their turn

	// The discs' own.
	Drive string // device that discs are read in; "": named with each command
}

// The services that keep cloud stores.
const (
	Drive  = "drive"
	S3     = "s3"
	WebDAV = "webdav"
)

// Root is where a store keeps a set.
type Root struct {
	Set  string
	Path string // absolute folder on a disk store; "" in the cloud
}

// Naming is how a store names the files of a set.
type Naming struct{ Set, Pattern string }

// Rule says how many copies each file should have. Copies count if they are of full
// quality and independent: of stores that follow one another, one counts.
type Rule struct {
	Copies int      // 1 or more
	Places int      // in so many different places; 0: not asked
	Within Duration // fewer than that for longer than this is a finding
}

// Ledger says where the record is kept.
type Ledger struct {
	URL string // postgres://…; "": a file in the state folder
}

// Host is this computer among those that share a ledger.
type Host struct {
	Name string // "": as the system calls it
}

// Mail says how letters leave.
type Mail struct {
	Server       string // host:port
	From         string
	To           []string
	TLS          string // "starttls", "tls" or "none"
	User         string // "": the server asks for none
	PasswordFile string // absolute path; "" without User
	Deputy       string // told too what stays at risk for some days; "": nobody
	Weekly       Weekly // when the weekly letter is due
}

// Web says where the pages are served.
type Web struct {
	Listen      string   // host:port
	Address     string   // by which people elsewhere reach the pages, "https://firmus.example.org"; "": on this computer only
	Certificate string   // absolute path of a PEM file; "": no TLS of its own
	Key         string   // absolute path of its key
	Proxies     []string // IP addresses of proxies that end TLS, and whose word on where a request came from is believed
}

// Work says what the work of the day begins with.
type Work struct {
	Sources []string // absolute folders that recordings may be received from, besides what is plugged in
}

// TwoPeople says that a set asks for a second person.
func (c *Config) TwoPeople() bool {
	return slices.ContainsFunc(c.Sets, func(s Set) bool { return s.TwoPeople })
}

// Beyond says that the pages are served beyond this computer.
func (w Web) Beyond() bool {
	host, _, ok := hostPort(w.Listen)
	return ok && !loopback.Host(host) || len(w.Proxies) > 0
}

// Only is the configuration with no other stores than those.
func (c *Config) Only(stores []string) *Config {
	out := *c
	out.Stores = slices.DeleteFunc(slices.Clone(c.Stores), func(s Store) bool { return !slices.Contains(stores, s.Name) })
	return &out
}

// StoreNames are the stores' names, in the file's order.
func (c *Config) StoreNames() (out []string) {
	for _, s := range c.Stores {
		out = append(out, s.Name)
	}
	return out
}

// Store finds a store by its name.
func (c *Config) Store(name string) (Store, bool) {
	for _, s := range c.Stores {
		if s.Name == name {
			return s, true
		}
	}
	return Store{}, false
}

// Set finds a set by its name.
func (c *Config) Set(name string) (Set, bool) {
	for _, s := range c.Sets {
		if s.Name == name {
			return s, true
		}
	}
	return Set{}, false
}
