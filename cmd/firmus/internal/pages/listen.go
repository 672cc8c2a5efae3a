package pages

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/clips"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/essence"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
)

var listenRoutes = []site.Route{
	{Pattern: "GET /findings/{id}/listen", Needs: fixity.Viewer, Do: listenPage},
	{Pattern: "GET /findings/{id}/clip/{store}", Needs: fixity.Viewer, Do: clipPage},
	{Pattern: "GET /findings/{id}/wave/{store}", Needs: fixity.Viewer, Do: wavePage},
}

// mostClips is how many clips are cut at the same time: each holds up to 24 MiB.
var mostClips = make(chan struct{}, 2)

// clipTurns is how many clips are cut or wait for their turn; more are told to come again,
// so that those who look at pages aren't kept waiting by those who listen.
var clipTurns = make(chan struct{}, 12)

const (
	// clipWaits is how long a clip waits for its turn, and clipTakes how long a store may
	// take to give it.
	clipWaits = 20 * time.Second
	clipTakes = 2 * time.Minute
	// mostPlaces is how many places of a finding are offered to listen to.
	mostPlaces = 12
)

// listenData is both versions of a finding's file at one place.
type listenData struct {
	Finding   int64
	At        string // the place, as it is typed
	From, To  string
	Places    []placeLine
	Versions  []heardVersion
	Told      bool // the versions were looked at: their words are there
	Differ    []essence.Difference
	Described bool // only descriptions differ
	Trouble   string
}

type placeLine struct {
	Path, Words string
	Here        bool
}

// heardVersion is one copy to look at and listen to.
type heardVersion struct {
	Store, Words string // whose, and what it is
	Clip, Wave   string
	Alt          string
	Trouble      string   // why it can't be heard
	Notes        []string // what must be known of what is heard
	From, To     string
}

// listening offers both versions to listen to: as it is now, and as it was taken in. nil: there
// are no two, or nothing that sounds.
func listening(q *site.Request, f ledger.Finding, copies []ledger.Copy, m report.Matter, away report.Absent, dmg acts.Damage) *listenData {
	if f.File == 0 || f.Carrier != 0 || q.Hides(f) {
		return nil
	}
	own, other := sidesOf(q, f, copies, away)
	if own == nil {
		return nil
	}
	d := &listenData{Finding: f.ID, Described: f.Anatomy == fixity.DescriptionOnly}
	at := placeOf(q, dmg)
	d.At = clockIn(at)
	from, to := around(at, dmg.Duration)
	d.From, d.To = damage.Clock(from), damage.Clock(to)
	for i, s := range dmg.Spans {
		if !s.InSound || len(dmg.Spans) < 2 || len(d.Places) == mostPlaces {
			continue
		}
		d.Places = append(d.Places, placeLine{fmt.Sprintf("/findings/%d?place=%d#listen", f.ID, i+1), damage.Clock(s.From), middle(s) == at})
	}
	disputed := report.InDispute(copies)
	for i, c := range []*ledger.Copy{own, other} {
		if c == nil {
			continue
		}
		v := heardVersion{Store: c.Store, Words: "as it is now"}
		if i == 1 {
			v.Words = "intact"
			if x, ok := takenIn(q, f); ok {
				v.Words = "as taken in, " + report.Day(x, q.Site.Now())
			}
		}
		if disputed {
			v.Words, _ = m.CopyInWords(*c, true)
		}
		v.Alt = fmt.Sprintf("Waveform of the copy on %s, from %s to %s", c.Store, d.From, d.To)
		query := "?at=" + strconv.FormatFloat(at.Seconds(), 'f', 3, 64)
		v.Clip = fmt.Sprintf("/findings/%d/clip/%s%s", f.ID, url.PathEscape(c.Store), query)
		v.Wave = fmt.Sprintf("/findings/%d/wave/%s%s", f.ID, url.PathEscape(c.Store), query)
		d.Versions = append(d.Versions, v)
	}
	return d
}

// takenIn is when the version under care was taken in.
func takenIn(q *site.Request, f ledger.Finding) (at time.Time, ok bool) {
	err := q.View(func(t *ledger.Tx) error {
		file, err := t.Files.Get(f.File)
		if err != nil {
			return err
		}
		v, err := t.Files.Version(f.File, file.Version)
		at = v.At
		return err
	})
	return at, err == nil
}

// sidesOf are the copy that a finding is about, and the best one that it is held against; nil
// where there is none that can be read.
func sidesOf(q *site.Request, f ledger.Finding, copies []ledger.Copy, away report.Absent) (own, other *ledger.Copy) {
	e := q.Site.Archive
	there := func(c ledger.Copy) bool {
		_, gone := away[c.Store]
		return !gone && c.Carrier == 0 && c.Size >= 0 && e.ListableStore(c.Store) && c.State != fixity.Missing && c.State != fixity.Awaited && c.State != fixity.Misplaced
	}
	disputed := report.InDispute(copies)
	for i, c := range copies {
		switch {
		case !there(c):
		case c.Store == f.Store:
			own = &copies[i]
		case !report.Holds(c) && !disputed:
		case other == nil || repair.Better(e.Rules, c, *other) < 0:
			other = &copies[i]
		}
	}
	return own, other
}

// placeOf is where is listened: what was typed or chosen, else the first damage.
func placeOf(q *site.Request, dmg acts.Damage) time.Duration {
	query := q.URL.Query()
	if at, ok := typedTime(query.Get("at")); ok {
		return at
	}
	if n, err := strconv.Atoi(query.Get("place")); err == nil && n >= 1 && n <= len(dmg.Spans) && dmg.Spans[n-1].InSound {
		return middle(dmg.Spans[n-1])
	}
	for _, s := range dmg.Spans {
		if s.InSound {
			return middle(s)
		}
	}
	return 0
}

// middle is where a span is listened to: in its middle, or, if it is longer than a clip,
// where it begins.
func middle(s damage.Span) time.Duration {
	if s.To-s.From > clips.Usual {
		return s.From
	}
	return (s.From + s.To) / 2
}

// around is what a clip at a place is of, as far as the recording goes.
func around(at, length time.Duration) (from, to time.Duration) {
	from = max(0, at-clips.Usual/2)
	if to = from + clips.Usual; length > 0 && to > length {
		to = length
		from = max(0, to-clips.Usual)
	}
	return from, to
}

// typedTime reads "17:42", "1:17:42.5" and "1062.34".
func typedTime(text string) (time.Duration, bool) {
	parts := strings.Split(strings.TrimSpace(text), ":")
	if text == "" || len(parts) > 3 {
		return 0, false
	}
	sum := 0.0
	for i, p := range parts {
		x, err := strconv.ParseFloat(p, 64)
		if err != nil || !(x >= 0) || x > 1e6 || i > 0 && x >= 60 {
			return 0, false
		}
		sum = sum*60 + x
	}
	return time.Duration(sum * float64(time.Second)), true
}

// clockIn is a time as it may be typed.
func clockIn(d time.Duration) string {
	return fmt.Sprintf("%d:%02d", d/time.Minute, d/time.Second%60)
}

// heard is one copy of a finding's file with what is known of its damage.
type heard struct {
	finding ledger.Finding
	copy    ledger.Copy
	order   clips.Order
}

// heardHere finds the copy that an address asks for: one of a finding's file, in a store that is
// read, and nothing else.
func heardHere(q *site.Request) (h heard, err error) {
	id, err := q.Number("id")
	if err != nil {
		return h, err
	}
	return heardOf(q, id, q.PathValue("store"))
}

func heardOf(q *site.Request, id int64, store string) (h heard, err error) {
	e := q.Site.Archive
	var open []ledger.Finding
	var copies []ledger.Copy
	if err := q.View(func(t *ledger.Tx) error {
		if h.finding, err = t.Findings.Get(id); err != nil || h.finding.File == 0 {
			return errors.Join(err, errNone(h.finding.File == 0))
		}
		if copies, err = t.Copies.Of(h.finding.File); err != nil {
			return err
		}
		open, err = t.Findings.Of(h.finding.File)
		return err
	}); err != nil {
		return h, err
	}
	i := slices.IndexFunc(copies, func(c ledger.Copy) bool { return c.Store == store && c.Carrier == 0 })
	if i < 0 || !e.ListableStore(store) {
		return h, fixity.ErrNotFound
	}
	if q.Hides(h.finding) {
		return h, site.Status{Code: http.StatusForbidden, Title: "This recording is restricted", Text: "Your account may not listen to it."}
	}
	h.copy = copies[i]
	for _, f := range open {
		if f.Store != store || !f.Open() && f.ID != id {
			continue
		}
		x, ok, err := acts.Of(e).DamageOf(q.Context(), f)
		if err != nil {
			return h, err
		}
		if ok {
			h.order.Hurt = append(h.order.Hurt, x.Spans...)
		}
	}
	switch h.copy.State {
	case fixity.Altered, fixity.Disputed, fixity.Unsteady, fixity.Unreadable:
		h.order.Doubtful = len(h.order.Hurt) == 0
	}
	first, _, err := acts.Of(e).DamageOf(q.Context(), h.finding)
	from, to := around(placeOf(q, first), first.Duration)
	h.order.From, h.order.Length = from, to-from
	return h, err
}

func errNone(none bool) error {
	if none {
		return fixity.ErrNotFound
	}
	return nil
}

// cut cuts the clip, when it is its turn.
func cut(q *site.Request, h heard) (c *clips.Clip, err error) {
	select {
	case clipTurns <- struct{}{}:
		defer func() { <-clipTurns }()
	default:
		return nil, fixity.ErrBusy
	}
	ctx, stop := context.WithTimeout(q.Context(), clipWaits)
	defer stop()
	select {
	case mostClips <- struct{}{}:
		defer func() { <-mostClips }()
	case <-ctx.Done():
		return nil, fixity.ErrBusy
	}
	ctx, stop = context.WithTimeout(q.Context(), clipTakes)
	defer stop()
	err = acts.Of(q.Site.Archive).Hear(ctx, h.copy, func(ctx context.Context, r io.ReaderAt, size int64) error {
		c, err = clips.Cut(ctx, r, size, h.order)
		return err
	})
	return c, err
}

// unheard says why a copy can't be heard.
func unheard(store string, err error) string {
	switch {
	case errors.As(err, new(clips.EndedError)):
		return fmt.Sprintf("Of the copy on %s nothing is heard here: %s.", store, err)
	case errors.Is(err, essence.ErrNotPlayable):
		_, why, _ := strings.Cut(err.Error(), ": ")
		return fmt.Sprintf("The copy on %s can't be played: %s.", store, why)
	case errors.Is(err, fixity.ErrVanished):
		return fmt.Sprintf("Nothing lies on %s where the copy should be.", store)
	case errors.Is(err, fixity.ErrChanged):
		return fmt.Sprintf("The copy on %s changed while it was read. Try again.", store)
	case errors.Is(err, fixity.ErrUnreadable):
		return fmt.Sprintf("The copy on %s can't be read here.", store)
	case errors.Is(err, fixity.ErrBusy), errors.Is(err, context.DeadlineExceeded):
		return fmt.Sprintf("The copy on %s was waited for in vain: the store is busy, or slow. Try again.", store)
	case errors.Is(err, fixity.ErrAway):
		return fmt.Sprintf("The store %s could not be reached.", store)
	}
	return fmt.Sprintf("The copy on %s could not be read: %s.", store, strings.TrimSuffix(report.Plainly(err.Error()), "."))
}

// clipPage gives the clip as a WAVE file. Players ask for parts of it.
func clipPage(q *site.Request) error {
	h, err := heardHere(q)
	if err != nil {
		return err
	}
	c, err := cut(q, h)
	if err != nil {
		if q.Context().Err() != nil {
			return nil
		}
		q.W.Header().Set("Content-Type", "text/plain; charset=utf-8")
		q.W.WriteHeader(http.StatusConflict)
		_, _ = io.WriteString(q.W, unheard(h.copy.Store, err)+"\n")
		return nil
	}
	var b bytes.Buffer
	b.Grow(int(c.Bytes()))
	if _, err := c.WriteTo(&b); err != nil {
		return err
	}
	q.W.Header().Set("Content-Type", "audio/wav")
	q.W.Header().Set("Content-Disposition", `inline; filename="clip.wav"`)
	http.ServeContent(q.W, q.Request, "", time.Time{}, bytes.NewReader(b.Bytes()))
	return nil
}

// wavePage gives the waveform, or in its place why there is none.
func wavePage(q *site.Request) error {
	h, err := heardHere(q)
	if err != nil {
		return err
	}
	c, err := cut(q, h)
	svg := []byte(nil)
	if err != nil {
		svg = clips.Sorry(unheard(h.copy.Store, err))
	} else {
		svg = c.SVG()
	}
	q.W.Header().Set("Content-Type", "image/svg+xml")
	_, _ = q.W.Write(svg)
	return nil
}

// listenPage shows both versions with all that can be told of them in words, and what
// differs in their descriptions.
func listenPage(q *site.Request) error {
	id, err := q.Number("id")
	if err != nil {
		return err
	}
	e := q.Site.Archive
	var seen ledger.Seen
	var m report.Matter
	var away report.Absent
	if err := q.View(func(t *ledger.Tx) error {
		if seen, err = t.SeeFinding(id); err != nil {
			return err
		}
		if m, err = matterOf(q.Site, t, seen.Finding, &findingData{}); err != nil {
			return err
		}
		away, err = report.NotHere(t, e.Rules, e.Now())
		return err
	}); err != nil {
		return err
	}
	if q.Hides(seen.Finding) {
		return site.Status{Code: http.StatusForbidden, Title: "This recording is restricted", Text: "Your account may not listen to it."}
	}
	dmg, _, err := acts.Of(e).DamageOf(q.Context(), seen.Finding)
	if err != nil {
		return err
	}
	d := listening(q, seen.Finding, seen.Copies, m, away, dmg)
	if d == nil {
		return site.Status{Code: http.StatusNotFound, Title: "There are no two versions to listen to", Text: "No copy of it can be read now."}
	}
	d.Told = true
	var parts [][]essence.Part
	for i := range d.Versions {
		v := &d.Versions[i]
		h, err := heardOf(q, id, v.Store)
		if err != nil {
			return err
		}
		c, err := cut(q, h)
		if err != nil {
			v.Trouble = unheard(v.Store, err)
		} else {
			v.tell(c)
		}
		err = acts.Of(e).Hear(q.Context(), h.copy, func(_ context.Context, r io.ReaderAt, size int64) error {
			ps, err := essence.Describe(r, size)
			if err == nil {
				parts = append(parts, ps)
			}
			return err
		})
		if err != nil && v.Trouble == "" {
			v.Trouble = unheard(v.Store, err)
		}
	}
	if len(parts) == 2 {
		d.Differ = essence.Differ(parts[1], parts[0])
	}
	return q.Render("listen", fmt.Sprintf("Finding %d, both versions", id), d)
}

// tell says in words what there is to know of a clip.
func (v *heardVersion) tell(c *clips.Clip) {
	v.From, v.To = damage.Clock(c.From), damage.Clock(c.To)
	if c.Long > 0 {
		v.Notes = append(v.Notes, "The whole copy is "+damage.Clock(c.Long)+" long.")
	}
	if c.Ended() {
		v.Notes = append(v.Notes, "It ends at "+damage.Clock(c.To)+".")
	}
	for _, l := range c.Lost {
		v.Notes = append(v.Notes, fmt.Sprintf("From %s to %s it can't be read or decoded, and is silent here.", damage.Clock(l.From), damage.Clock(l.To)))
	}
	for _, h := range c.Hurt {
		v.Notes = append(v.Notes, fmt.Sprintf("From %s to %s it holds other bytes.", damage.Clock(h.From), damage.Clock(h.To)))
	}
	if c.Softer > 0 {
		v.Notes = append(v.Notes, fmt.Sprintf("Its damage is played softer than it is, by up to %.0f dB: wrong bytes can be very loud.", c.Softer))
	}
	if len(v.Notes) > mostPlaces {
		v.Notes = append(v.Notes[:mostPlaces], "There is more.")
	}
}
