package database

import (
	"context"
	"database/sql/driver"
	"errors"
	"strconv"
	"strings"
	"sync"
)

// keeping opens SQLite connections that keep the statements they have prepared: to parse
// one takes longer than to run most of ours. SQLite itself prepares a kept one anew when
// the schema has changed since (sqlite3_prepare_v2). PostgreSQL's driver keeps them by
// itself.
type keeping struct {
	driver.Connector
	*opened
}

func (k keeping) Connect(ctx context.Context) (driver.Conn, error) {
	c, err := k.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	k.opened.mu.Lock()
	k.opened.n++
	k.opened.mu.Unlock()
	return &keeper{sqliteConn: c.(sqliteConn), of: k, kept: map[string]*kept{}}, nil
}

// opened are the connections to one database. From hold to release at least one is open: the
// pools give up a connection whose transaction couldn't be ended, and it may be the only one.
type opened struct {
	mu      sync.Mutex
	n       int // of the pools
	holding bool
	held    driver.Conn // stands in for theirs
}

func (o *opened) hold() {
	o.mu.Lock()
	o.holding = true
	o.mu.Unlock()
}

// ends counts a connection off that is about to be closed.
func (o *opened) ends(c driver.Connector) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.n--; o.n == 0 && o.holding && o.held == nil {
		// An error is the next transaction's as well, which says it.
		o.held, _ = c.Connect(context.Background())
	}
}

// release lets the last one go when the pools close theirs, and returns what closes the one
// that stands in.
func (o *opened) release() (last func() error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.holding = false
	if o.held == nil {
		return func() error { return nil }
	}
	return o.held.Close
}

// sqliteConn is all that a connection of the driver can do.
type sqliteConn interface {
	driver.Conn
	driver.ConnBeginTx
	driver.ConnPrepareContext
	driver.ExecerContext
	driver.QueryerContext
	driver.Pinger
	driver.SessionResetter
	driver.Validator
}

// keeper is a connection with the statements it keeps, by their text. database/sql uses
// it from one goroutine at a time.
type keeper struct {
	sqliteConn
	of   keeping
	kept map[string]*kept
	uses int64
}

type kept struct {
	sqliteStmt
	takes []int // which argument each place takes, the first is 0
	used  int64 // the use of the connection that was its last
	open  bool  // its rows are being read
}

type sqliteStmt interface {
	driver.Stmt
	driver.StmtExecContext
	driver.StmtQueryContext
}

// maxKept is how many statements a connection keeps: more than an audit, or a letter,
// asks. One takes some ten KiB.
const maxKept = 300

// Unwrap is the driver's own connection.
func (k *keeper) Unwrap() driver.Conn { return k.sqliteConn }

// prepared is a kept statement; nil where the text isn't kept, or its rows are being read.
func (k *keeper) prepared(ctx context.Context, query string) (*kept, error) {
	k.uses++
	if s := k.kept[query]; s != nil {
		s.used = k.uses
		if s.open {
			return nil, nil
		}
		return s, nil
	}
	switch word, _, _ := strings.Cut(query, " "); word {
	case "SELECT", "INSERT", "UPDATE", "DELETE", "WITH":
	default:
		return nil, nil // what is rare, or changes the schema
	}
	text, takes := nameless(query)
	p, err := k.sqliteConn.PrepareContext(ctx, text)
	if err != nil {
		return nil, err
	}
	if len(k.kept) >= maxKept {
		if err := k.drop(); err != nil {
			return nil, errors.Join(err, p.Close())
		}
	}
	s := &kept{sqliteStmt: p.(sqliteStmt), takes: takes, used: k.uses}
	k.kept[query] = s
	return s, nil
}

// nameless is a statement whose places are no $1, $2 and so on but +?, in their order, and
// which argument each takes. SQLite's driver asks for the name of each place, and SQLite goes
// through all names for it: of a statement with hundreds of places that took most of the time.
// A bare ? that is compared as in the condition of an index has SQLite prepare the statement
// anew with each value, which might be the condition's; the plus, which does nothing, hides it.
func nameless(query string) (text string, takes []int) {
	var b strings.Builder
	for i := 0; i < len(query); {
		end := i + 1
		switch c := query[i]; c {
		case '\'', '"': // up to the next one; of two in a row each ends one
			if n := strings.IndexByte(query[end:], c); n >= 0 {
				end += n + 1
			}
		case '$':
			for end < len(query) && query[end] >= '0' && query[end] <= '9' {
				end++
			}
			if n, err := strconv.Atoi(query[i+1 : end]); err == nil && n > 0 {
				takes = append(takes, n-1)
				b.WriteString("+?")
				i = end
				continue
			}
		}
		b.WriteString(query[i:end])
		i = end
	}
	return b.String(), takes
}

// given are the arguments in the order of the places.
func (s *kept) given(args []driver.NamedValue) []driver.NamedValue {
	if len(s.takes) == 0 { // a library's, with places of its own kind
		return args
	}
	same := len(args) == len(s.takes)
	for i, n := range s.takes {
		same = same && n == i
		if n >= len(args) {
			return nil // the driver says that they lack
		}
	}
	if same {
		return args
	}
	out := make([]driver.NamedValue, len(s.takes))
	for i, n := range s.takes {
		out[i] = driver.NamedValue{Ordinal: i + 1, Value: args[n].Value}
	}
	return out
}

// drop gives up the statement that was used longest ago.
func (k *keeper) drop() error {
	oldest := ""
	for query, s := range k.kept {
		if !s.open && (oldest == "" || s.used < k.kept[oldest].used) {
			oldest = query
		}
	}
	if oldest == "" {
		return nil // the rows of all are being read
	}
	s := k.kept[oldest]
	delete(k.kept, oldest)
	return s.Close()
}

func (k *keeper) ExecContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Result, error) {
	s, err := k.prepared(ctx, query)
	if err != nil {
		return nil, err
	}
	if s == nil {
		return k.sqliteConn.ExecContext(ctx, query, args)
	}
	return s.ExecContext(ctx, s.given(args))
}

func (k *keeper) QueryContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Rows, error) {
	s, err := k.prepared(ctx, query)
	if err != nil {
		return nil, err
	}
	if s == nil {
		return k.sqliteConn.QueryContext(ctx, query, args)
	}
	rs, err := s.QueryContext(ctx, s.given(args))
	if err != nil {
		return nil, err
	}
	s.open = true
	return keptRows{rs, s}, nil
}

// Close gives up the statements first: SQLite keeps a file open as long as one is left.
func (k *keeper) Close() error {
	k.of.ends(k.of.Connector)
	var err error
	for _, s := range k.kept {
		err = errors.Join(err, s.Close())
	}
	k.kept = nil
	return errors.Join(err, k.sqliteConn.Close())
}

type keptRows struct {
	driver.Rows
	of *kept
}

func (r keptRows) Close() error {
	r.of.open = false
	return r.Rows.Close()
}
