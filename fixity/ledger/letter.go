package ledger

import (
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger/database"
)

// Letter is a letter as it was written. It isn't changed by being sent.
type Letter struct {
	ID        int64
	Kind      string // LetterFirst and the like
	Thread    string
	Subject   string
	MessageID string   // without angle brackets
	Refs      []string // message ids of the thread's earlier letters, the oldest first
	Text      string
	HTML      string
	Calendar  string // "" if none goes with it
	Made      time.Time
}

// Kinds of a letter. Stored: never change one.
const (
	LetterFirst  = "first"  // tells trouble
	LetterMore   = "more"   // what was found out since, or that it grew worse
	LetterDeputy = "deputy" // nothing was done for some days
	LetterEnd    = "end"    // it is put right
	LetterWeekly = "weekly"
)

// Delivery is a letter for one address.
type Delivery struct {
	Letter   Letter
	Address  string
	Due      time.Time // of the next try
	Attempts int64
	Sent     time.Time // zero if no server took it yet
	Failed   time.Time // when a server refused it for good
	Trouble  string    // of the last try
}

// LetterCursor is how far the outbox has followed the record.
type LetterCursor struct {
	Seq    int64     // the first event that no letter rests on yet
	Fills  int64     // counts up with each move
	Weekly time.Time // for when the newest weekly letter was due; zero: none yet
	Begun  time.Time // letters have been written since
}

// Cursor reads the cursor; the zero one if no letter was ever thought of.
func (t Post) Cursor() (LetterCursor, error) {
	var c LetterCursor
	var weekly, begun int64
	err := t.row(`SELECT seq, fills, weekly_at, begun_at FROM letter_cursor`, nil, &c.Seq, &c.Fills, &weekly, &begun)
	if errors.Is(err, fixity.ErrNotFound) {
		return LetterCursor{}, nil
	}
	c.Weekly, c.Begun = fromNanos(weekly), fromNanos(begun)
	return c, err
}

// MoveCursor moves the cursor from where it was read to c. If another has
// moved it, the error is fixity.ErrLost and the transaction must be given up.
func (t Post) MoveCursor(from, c LetterCursor) error {
	if from.Fills == 0 {
		n, err := t.exec(`INSERT INTO letter_cursor (id, seq, fills, weekly_at, begun_at) VALUES (1, $1, 1, $2, $3) ON CONFLICT DO NOTHING`,
			c.Seq, nanos(c.Weekly), nanos(c.Begun))
		if err == nil && n == 0 {
			err = fixity.ErrLost
		}
		return err
	}
	n, err := t.exec(`UPDATE letter_cursor SET seq = $1, fills = fills + 1, weekly_at = $2, begun_at = $3 WHERE fills = $4`,
		c.Seq, nanos(c.Weekly), nanos(c.Begun), from.Fills)
	if err == nil && n == 0 {
		err = fixity.ErrLost
	}
	return err
}

// Put lays a letter into the outbox, due at once for each address. Its number
// must be a new one of the counter "letter".
func (t Post) Put(l Letter, to []string) error {
	if _, err := t.exec(`INSERT INTO letter (id, kind, thread, subject, message_id, refs, body, html, calendar, made_at) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		l.ID, l.Kind, l.Thread, l.Subject, l.MessageID, strings.Join(l.Refs, " "), l.Text, l.HTML, l.Calendar, nanos(l.Made)); err != nil {
		return err
	}
	for _, a := range to {
		if _, err := t.exec(`INSERT INTO letter_to (letter, address, due_at) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING`, l.ID, a, nanos(l.Made)); err != nil {
			return err
		}
	}
	return nil
}

// ThreadIDs are the message ids of a thread's letters, the oldest first.
func (t Post) ThreadIDs(thread string) ([]string, error) {
	return list(t.Tx, `SELECT message_id FROM letter WHERE thread = $1 ORDER BY id`, []any{thread}, func(r row) (string, error) {
		var id string
		err := r.Scan(&id)
		return id, err
	})
}

const deliveryQuery = `SELECT l.id, l.kind, l.thread, l.subject, l.message_id, l.refs, l.body, l.html, l.calendar, l.made_at,
	d.address, d.due_at, d.attempts, d.sent_at, d.failed_at, d.trouble FROM letter l JOIN letter_to d ON d.letter = l.id `

func (t Post) deliveries(where string, args ...any) ([]Delivery, error) {
	return list(t.Tx, deliveryQuery+where, args, func(r row) (Delivery, error) {
		var d Delivery
		var refs string
		var made, due, sent, failed int64
		err := r.Scan(&d.Letter.ID, &d.Letter.Kind, &d.Letter.Thread, &d.Letter.Subject, &d.Letter.MessageID, &refs, &d.Letter.Text, &d.Letter.HTML, &d.Letter.Calendar, &made,
			&d.Address, &due, &d.Attempts, &sent, &failed, &d.Trouble)
		d.Letter.Refs, d.Letter.Made = strings.Fields(refs), fromNanos(made)
		d.Due, d.Sent, d.Failed = fromNanos(due), fromNanos(sent), fromNanos(failed)
		return d, err
	})
}

// farthest is how far ahead the next try of a delivery can lie. One beyond was dated
// by a clock that was wrong.
const farthest = 24 * time.Hour

// DueDeliveries are up to n deliveries that should be tried by now, the oldest
// letters first.
func (t Post) DueDeliveries(now time.Time, n int) ([]Delivery, error) {
	return t.deliveries(`WHERE d.sent_at = 0 AND d.failed_at = 0 AND (d.due_at <= $1 OR d.due_at > $3) ORDER BY l.id, d.address LIMIT $2`,
		nanos(now), n, nanos(now.Add(farthest)))
}

// Deliveries are all deliveries of letters from the number on, in their order.
func (t Post) Deliveries(from int64) ([]Delivery, error) {
	return t.deliveries(`WHERE l.id >= $1 ORDER BY l.id, d.address`, from)
}

// UndeliveredSince are the deliveries that have failed since a time, and those that
// were tried and wait.
func (t Post) UndeliveredSince(since time.Time) ([]Delivery, error) {
	return t.deliveries(`WHERE d.sent_at = 0 AND (d.failed_at >= $1 OR d.failed_at = 0 AND d.attempts > 0) ORDER BY l.id, d.address`, nanos(since))
}

// Hand takes a delivery for a try, and says whether it is this try's: not if another one took it
// since it was read. Until it is noted what became of it, it is due again at a later time: whoever
// tries it may be killed.
func (t Post) Hand(d Delivery, again time.Time) (bool, error) {
	n, err := t.exec(`UPDATE letter_to SET due_at = $4 WHERE letter = $1 AND address = $2 AND due_at = $3 AND sent_at = 0 AND failed_at = 0`,
		d.Letter.ID, d.Address, nanos(d.Due), nanos(again))
	return n > 0, err
}

// Delivered notes that a server took the letter for the address.
func (t Post) Delivered(letter int64, address string) error {
	_, err := t.exec(`UPDATE letter_to SET sent_at = $3, attempts = attempts + 1, trouble = '' WHERE letter = $1 AND address = $2`, letter, address, nanos(t.now))
	return err
}

// Deferred notes that a try failed and when the next is due.
func (t Post) Deferred(letter int64, address string, due time.Time, trouble string) error {
	_, err := t.exec(`UPDATE letter_to SET due_at = $3, attempts = attempts + 1, trouble = $4 WHERE letter = $1 AND address = $2`, letter, address, nanos(due), trouble)
	return err
}

// Refused notes that the server will never take the letter for the address.
func (t Post) Refused(letter int64, address, trouble string) error {
	_, err := t.exec(`UPDATE letter_to SET failed_at = $3, attempts = attempts + 1, trouble = $4 WHERE letter = $1 AND address = $2`, letter, address, nanos(t.now), trouble)
	return err
}

// TryAgain makes all deliveries that wait or have failed due now, and says how many.
func (t Post) TryAgain() (int64, error) {
	return t.exec(`UPDATE letter_to SET due_at = $1, failed_at = 0 WHERE sent_at = 0`, nanos(t.now))
}

// LetterCounts are what metrics and checks show of the outbox.
type LetterCounts struct {
	Waiting  int64     // deliveries that no server took yet
	Failed   int64     // deliveries that a server refused for good
	Oldest   time.Time // when the oldest that waits was written; zero if none does
	LastSent time.Time // zero if none ever was
	Trouble  string    // of the newest try that failed and has no success since; "" if none
}

// Counts counts deliveries.
func (t Post) Counts() (LetterCounts, error) {
	var c LetterCounts
	var oldest, sent int64
	if err := t.row(`SELECT count(*) FILTER (WHERE d.failed_at = 0), count(*) FILTER (WHERE d.failed_at > 0), coalesce(min(CASE WHEN d.failed_at = 0 THEN l.made_at END), 0)
		FROM letter_to d JOIN letter l ON l.id = d.letter WHERE d.sent_at = 0`, nil, &c.Waiting, &c.Failed, &oldest); err != nil {
		return c, err
	}
	if err := t.row(`SELECT coalesce(max(sent_at), 0) FROM letter_to`, nil, &sent); err != nil {
		return c, err
	}
	c.Oldest, c.LastSent = fromNanos(oldest), fromNanos(sent)
	err := t.row(`SELECT trouble FROM letter_to WHERE sent_at = 0 AND trouble <> '' ORDER BY letter DESC, address LIMIT 1`, nil, &c.Trouble)
	if errors.Is(err, fixity.ErrNotFound) {
		err = nil
	}
	return c, err
}

// Told is what letters have said of a finding.
type Told struct {
	Finding  int64
	Thread   string
	Kind     fixity.Kind
	Urgency  fixity.Urgency
	First    time.Time // first told
	Readings []string  // stores whose copies were said to be read since
	Deputy   time.Time // when the deputy was told; zero if not
	Ended    time.Time // its end was told, or needs no letter
	WrongWay bool      // told that it may have been copied the wrong way round
}

// PutTold writes what was said of findings, none of them twice.
func (t Post) PutTold(all ...Told) error {
	var rows [][]any
	for _, x := range all {
		rows = append(rows, []any{x.Finding, x.Thread, string(x.Kind), string(x.Urgency), nanos(x.First), strings.Join(x.Readings, " "), nanos(x.Deputy), nanos(x.Ended), b2i(x.WrongWay)})
	}
	return database.Insert(`INSERT INTO told (finding, thread, kind, urgency, first_at, readings, deputy_at, ended_at, wrong_way)`, "", rows, func(query string, args ...any) (int64, error) {
		return t.exec(query+` ON CONFLICT (finding) DO UPDATE SET thread = excluded.thread, kind = excluded.kind, urgency = excluded.urgency, first_at = excluded.first_at,
			readings = excluded.readings, deputy_at = excluded.deputy_at, ended_at = excluded.ended_at, wrong_way = excluded.wrong_way`, args...)
	})
}

// Told is what was said of findings whose end was not told yet, by number.
func (t Post) Told() ([]Told, error) {
	return list(t.Tx, `SELECT finding, thread, kind, urgency, first_at, readings, deputy_at, ended_at, wrong_way FROM told WHERE ended_at = 0 ORDER BY finding`, nil, func(r row) (Told, error) {
		var x Told
		var kind, urgency, readings string
		var first, deputy, ended, wrongWay int64
		err := r.Scan(&x.Finding, &x.Thread, &kind, &urgency, &first, &readings, &deputy, &ended, &wrongWay)
		x.Kind, x.Urgency, x.Readings = fixity.Kind(kind), fixity.Urgency(urgency), strings.Fields(readings)
		x.WrongWay = wrongWay != 0
		x.First, x.Deputy, x.Ended = fromNanos(first), fromNanos(deputy), fromNanos(ended)
		return x, err
	})
}

// Urgent are the open findings that are more than untidy, the oldest first.
func (t Findings) Urgent() ([]Finding, error) {
	return t.where(`WHERE settled = '' AND urgency IN ('none-intact', 'at-risk') ORDER BY id`)
}

// NotUrgent are the findings that letters told of, whose end they didn't tell yet, and that
// are not among Urgent any more, by number.
func (t Findings) NotUrgent() ([]Finding, error) {
	return t.where(`WHERE id IN (SELECT finding FROM told WHERE ended_at = 0) AND NOT (settled = '' AND urgency IN ('none-intact', 'at-risk')) ORDER BY id`)
}

// SettledSince are the findings that ended at or after a time, the oldest first.
func (t Findings) SettledSince(since time.Time) ([]Finding, error) {
	return t.where(`WHERE settled <> '' AND settled_at >= $1 ORDER BY id`, nanos(since))
}

// Taken is what was taken in of one item.
type Taken struct {
	Item  string
	Files int64
}

// TakenSince are the items of the files taken in at or after a time that are still
// under care, in the order of their names, and how many copies of these files are in
// which state in which store.
func (t Post) TakenSince(since time.Time) ([]Taken, []Tally, error) {
	var items []Taken
	if err := t.rows(`SELECT item, count(*) FROM file WHERE taken_at >= $1 AND retired_at = 0 GROUP BY item ORDER BY item`, []any{nanos(since)}, func(r *sql.Rows) error {
		var item []byte
		var x Taken
		err := r.Scan(&item, &x.Files)
		x.Item = string(item)
		items = append(items, x)
		return err
	}); err != nil {
		return nil, nil, err
	}
	var copies []Tally
	err := t.rows(`SELECT i.store, i.state, count(*) FROM instance i JOIN file f ON f.id = i.file WHERE f.taken_at >= $1 AND f.retired_at = 0 AND i.carrier = 0
		GROUP BY i.store, i.state ORDER BY i.store, i.state`, []any{nanos(since)}, func(r *sql.Rows) error {
		var x Tally
		var state string
		err := r.Scan(&x.Store, &state, &x.Files)
		x.State = fixity.State(state)
		copies = append(copies, x)
		return err
	})
	return items, copies, err
}

// StoreWeek is what a store was asked and showed since a time.
type StoreWeek struct {
	Store     string
	Files     int64 // copies that were ever seen there
	Read      int64 // of these: read since, and not from the page cache
	Reported  int64 // of these: reported right by the service since
	Oldest    time.Time
	NeverRead int64
	Unread    time.Time // since when the copy waits that waited longest to be read; zero if none does
	Listed    time.Time // the oldest last complete listing of its sets; zero if one was never listed
	Listings  []time.Time
	Seen      time.Time
	Adopted   bool
}

// Weeks sums up each store since a time, by name.
func (t Post) Weeks(since time.Time) ([]StoreWeek, error) {
	var out []StoreWeek
	at := map[string]int{}
	if err := t.rows(`SELECT s.name, s.adopted_at, s.seen_at, coalesce(min(x.listed_complete_at), 0) FROM store s LEFT JOIN store_set x ON x.store = s.name AND x.adopted_at <> 0
		WHERE s.retired_at = 0 GROUP BY s.name, s.adopted_at, s.seen_at ORDER BY s.name`, nil, func(r *sql.Rows) error {
		var x StoreWeek
		var adopted, seen, listed int64
		err := r.Scan(&x.Store, &adopted, &seen, &listed)
		x.Adopted, x.Seen, x.Listed = adopted != 0, fromNanos(seen), fromNanos(listed)
		at[x.Store] = len(out)
		out = append(out, x)
		return err
	}); err != nil {
		return nil, err
	}
	if err := t.rows(`SELECT store, count(*), count(*) FILTER (WHERE read_at >= $1 AND read_cache <> 'allowed'), count(*) FILTER (WHERE reported_at >= $1 AND reported_ok = 1),
			count(*) FILTER (WHERE reported_ok = 1 AND `+basisSays+`),
			coalesce(min(CASE WHEN read_at > 0 THEN read_at END), 0), count(*) FILTER (WHERE read_at = 0),
			coalesce(min(CASE WHEN `+held+` THEN `+countsFrom+` END), 0)
		FROM instance WHERE size >= 0 GROUP BY store`, []any{nanos(since)}, func(r *sql.Rows) error {
		var x StoreWeek
		var oldest, unread, right int64
		if err := r.Scan(&x.Store, &x.Files, &x.Read, &x.Reported, &right, &oldest, &x.NeverRead, &unread); err != nil {
			return err
		}
		if i, ok := at[x.Store]; ok {
			out[i].Unread = fromNanos(unread)
			// Reports that agree again are not written: a complete listing says them anew.
			if !out[i].Listed.Before(since) {
				x.Reported = right
			}
			out[i].Files, out[i].Read, out[i].Reported, out[i].Oldest, out[i].NeverRead = x.Files, x.Read, x.Reported, fromNanos(oldest), x.NeverRead
		}
		return nil
	}); err != nil {
		return nil, err
	}
	err := t.rows(`SELECT store, began_at FROM audit WHERE kind = $2 AND complete = 1 AND ended_at >= $1 ORDER BY id`, []any{nanos(since), Plain}, func(r *sql.Rows) error {
		var store string
		var began int64
		err := r.Scan(&store, &began)
		if i, ok := at[store]; ok {
			out[i].Listings = append(out[i].Listings, fromNanos(began))
		}
		return err
	})
	return out, err
}

// Mark is how many events the record has and the beginning of its root, as a letter
// prints it: whoever keeps the letter can show later that the record was not
// rewritten since.
func (t Post) Mark() (events int64, root string, err error) {
	var b []byte
	if err := t.row(`SELECT size, root FROM log_head`, nil, &events, &b); err != nil {
		return 0, "", err
	}
	if len(b) < 8 {
		return 0, "", fmt.Errorf("the record's root has %d bytes: %w", len(b), ErrRewritten)
	}
	return events, fmt.Sprintf("%x-%x", b[:4], b[4:8]), nil
}
