package ledger

import (
	"database/sql"
	"fmt"
	"time"

	"firmus/fixity"
)

// Account is a person who may open the pages.
type Account struct {
	Name   string
	Role   fixity.PersonRole
	Secret string // what is kept of the password; never the password
	Made   time.Time
	MadeBy string
}

// WebSession is a browser that somebody signed in with.
type WebSession struct {
	Account string // "" for whoever opened a one-time link
	Began   time.Time
	Seen    time.Time // when it was used last, to the minute or so
	Ends    time.Time
	Looked  time.Time // when the person was here before this session; zero if never
}

// Accounts are all, by name.
func (t People) Accounts() ([]Account, error) {
	return list(t.Tx, `SELECT name, role, secret, made_at, made_by FROM account ORDER BY name`, nil, scanAccount)
}

func scanAccount(r row) (a Account, err error) {
	var made int64
	err = r.Scan(&a.Name, &a.Role, &a.Secret, &made, &a.MadeBy)
	a.Made = fromNanos(made)
	return a, err
}

// Account reads one; fixity.ErrNotFound if there is none of that name.
func (t People) Account(name string) (a Account, err error) {
	var made int64
	err = t.row(`SELECT name, role, secret, made_at, made_by FROM account WHERE name = $1`, []any{name}, &a.Name, &a.Role, &a.Secret, &made, &a.MadeBy)
	a.Made = fromNanos(made)
	return a, err
}

// CountAccounts counts the accounts, and those of reviewers.
func (t People) CountAccounts() (all, reviewers int64, err error) {
	err = t.row(`SELECT count(*), coalesce(sum(CASE WHEN role = 'reviewer' THEN 1 ELSE 0 END), 0) FROM account`, nil, &all, &reviewers)
	return all, reviewers, err
}

// AddAccount makes an account, with its event; fixity.ErrRefused if the name is taken.
func (t People) AddAccount(a Account, by string) error {
	n, err := t.exec(`INSERT INTO account (name, role, secret, made_at, made_by) VALUES ($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING`,
		a.Name, string(a.Role), a.Secret, nanos(t.now), by)
	if err != nil {
		return err
	}
	if n == 0 {
		return fmt.Errorf("there is an account %q already: %w", a.Name, fixity.ErrRefused)
	}
	t.Event(Event{Verb: fixity.AccountAdded, By: by, Data: map[string]any{"account": a.Name, "role": string(a.Role)}})
	return nil
}

// ChangeAccount gives an account another secret or role, with its event, and ends its
// sessions. What is "" stays.
func (t People) ChangeAccount(name, secret string, role fixity.PersonRole, by string) error {
	a, err := t.Account(name)
	if err != nil {
		return err
	}
	data := map[string]any{"account": name}
	if secret != "" {
		a.Secret, data["password"] = secret, "new"
	}
	if role != "" {
		a.Role, data["role"] = role, string(role)
	}
	if _, err := t.exec(`UPDATE account SET role = $2, secret = $3 WHERE name = $1`, name, string(a.Role), a.Secret); err != nil {
		return err
	}
	if secret != "" { // whoever had the old password knows a place, too
		if err := t.forgetPlaces(name); err != nil {
			return err
		}
	}
	t.Event(Event{Verb: fixity.AccountChanged, By: by, Data: data})
	return t.EndSessionsOf(name)
}

// RemoveAccount removes an account and ends its sessions, with its event.
func (t People) RemoveAccount(name, by string) error {
	n, err := t.exec(`DELETE FROM account WHERE name = $1`, name)
	if err != nil {
		return err
	}
	if n == 0 {
		return fixity.ErrNotFound
	}
	t.Event(Event{Verb: fixity.AccountRemoved, By: by, Data: map[string]any{"account": name}})
	if err := t.forgetPlaces(name); err != nil {
		return err
	}
	return t.EndSessionsOf(name)
}

// ActForbidden records that somebody ordered what their role doesn't allow.
func (t People) ActForbidden(account, act string) {
	t.Event(Event{Verb: fixity.ActForbidden, By: account, Data: map[string]any{"act": act}})
}

// BeginSession keeps a session by the hash of its token. Sessions and links that have
// ended are forgotten.
func (t People) BeginSession(hash []byte, s WebSession) error {
	if err := t.forgetEnded(); err != nil {
		return err
	}
	var looked sql.NullInt64
	if err := t.one(`SELECT max(seen_at) FROM web_session WHERE account = $1`, s.Account).Scan(&looked); err != nil {
		return err
	}
	_, err := t.exec(`INSERT INTO web_session (token, account, began_at, seen_at, ends_at, looked_at) VALUES ($1, $2, $3, $4, $5, $6)`,
		hash, s.Account, nanos(t.now), nanos(t.now), nanos(s.Ends), looked.Int64)
	return err
}

func (t People) forgetEnded() error {
	// A session that has ended tells for a while yet when its person was here last.
	if _, err := t.exec(`DELETE FROM web_session WHERE ends_at < $1`, nanos(t.now.AddDate(0, -2, 0))); err != nil {
		return err
	}
	_, err := t.exec(`DELETE FROM web_link WHERE ends_at < $1`, nanos(t.now))
	return err
}

// Session reads a session by its token's hash; fixity.ErrNotFound if there is none, or
// if it has ended at now.
func (t People) Session(hash []byte, now time.Time) (s WebSession, err error) {
	var began, seen, ends, looked int64
	err = t.row(`SELECT account, began_at, seen_at, ends_at, looked_at FROM web_session WHERE token = $1 AND ends_at > $2`, []any{hash, nanos(now)},
		&s.Account, &began, &seen, &ends, &looked)
	s.Began, s.Seen, s.Ends, s.Looked = fromNanos(began), fromNanos(seen), fromNanos(ends), fromNanos(looked)
	return s, err
}

// UseSession notes that a session was used.
func (t People) UseSession(hash []byte, ends time.Time) error {
	_, err := t.exec(`UPDATE web_session SET seen_at = $2, ends_at = $3 WHERE token = $1`, hash, nanos(t.now), nanos(ends))
	return err
}

// EndSession ends one session.
func (t People) EndSession(hash []byte) error {
	_, err := t.exec(`UPDATE web_session SET ends_at = $2 WHERE token = $1`, hash, nanos(t.now))
	return err
}

// EndSessionsOf ends all sessions of an account; "" are those of one-time links.
func (t People) EndSessionsOf(account string) error {
	_, err := t.exec(`UPDATE web_session SET ends_at = $2 WHERE account = $1 AND ends_at > $2`, account, nanos(t.now))
	return err
}

// PutLink keeps a one-time link by the hash of its key.
func (t People) PutLink(hash []byte, ends time.Time) error {
	if err := t.forgetEnded(); err != nil {
		return err
	}
	_, err := t.exec(`INSERT INTO web_link (token, made_at, ends_at) VALUES ($1, $2, $3)`, hash, nanos(t.now), nanos(ends))
	return err
}

// HasLink says that a link is there and hasn't ended.
func (t People) HasLink(hash []byte, now time.Time) (bool, error) {
	var n int64
	err := t.row(`SELECT count(*) FROM web_link WHERE token = $1 AND ends_at > $2`, []any{hash, nanos(now)}, &n)
	return n > 0, err
}

// TakeLink uses a link up. It is false if there is none, or if it was used or has ended.
func (t People) TakeLink(hash []byte) (bool, error) {
	n, err := t.exec(`DELETE FROM web_link WHERE token = $1 AND ends_at > $2`, hash, nanos(t.now))
	return n > 0, err
}

// ForgetAllSessions ends every session and link: a ledger that comes back from a backup
// begins none anew.
func (t People) forgetAllSessions() error {
	if _, err := t.exec(`UPDATE web_session SET ends_at = $1 WHERE ends_at > $1`, nanos(t.now)); err != nil {
		return err
	}
	_, err := t.exec(`DELETE FROM web_link`)
	return err
}

// placeFor is how long a place is remembered after a sign-in there.
const placeFor = 180 * 24 * time.Hour

// SignedInAt notes that a person signed in at a place: a hash of where they came from.
func (t People) SignedInAt(account string, place []byte) error {
	if _, err := t.exec(`DELETE FROM web_place WHERE at < $1`, nanos(t.now.Add(-placeFor))); err != nil {
		return err
	}
	_, err := t.exec(`INSERT INTO web_place (account, place, at) VALUES ($1, $2, $3) ON CONFLICT (account, place) DO UPDATE SET at = $3`, account, place, nanos(t.now))
	return err
}

// KnowsPlace says that a person signed in at a place before, not too long ago.
func (t People) KnowsPlace(account string, place []byte, now time.Time) (bool, error) {
	var n int64
	err := t.row(`SELECT count(*) FROM web_place WHERE account = $1 AND place = $2 AND at >= $3`, []any{account, place, nanos(now.Add(-placeFor))}, &n)
	return n > 0, err
}

func (t People) forgetPlaces(account string) error {
	_, err := t.exec(`DELETE FROM web_place WHERE account = $1`, account)
	return err
}
