package site

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
)

// Job is an act that was ordered on a page. It goes on when the browser is gone, and
// until the program stops.
type Job struct {
	ID, What, By string
	Began        time.Time // by the archive's clock
	began        time.Time // by the system's, which progress is measured by
	cancel       context.CancelFunc

	mu    sync.Mutex
	files int64
	bytes int64
	file  string
	total int64         // bytes that are to be read; 0: not known
	takes time.Duration // about how long it takes; 0: not known
	dealt int           // files of so many
	of    int
	share float64 // how much of it is done, where that isn't counted in bytes or files; 0: not known
	next  string  // what comes once it is done
	notes []string
	ended time.Time
	err   error
	out   Outcome
	halt  bool   // somebody stopped it
	by    string // who did
	done  chan struct{}
	form  typed  // that it was ordered by
	who   string // whose session ordered it, by the hash of its token
}

// Outcome is what an act came to.
type Outcome struct {
	See    string // the page that shows it; "" is the job's own
	Lead   string
	Text   string // as a sheet has it, in columns
	Blocks []sheet.Block
	Links  []Link
}

// Link leads to another page.
type Link struct{ Path, Text string }

// mostJobs is how many jobs are remembered that have ended.
const mostJobs = 50

type jobs struct {
	mu  sync.Mutex
	all map[string]*Job
}

func (j *jobs) get(id string) *Job {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.all[id]
}

// running are those that go on, the oldest first.
func (j *jobs) running() (out []*Job) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, x := range j.all {
		if !x.over() {
			out = append(out, x)
		}
	}
	slices.SortFunc(out, func(a, b *Job) int { return a.Began.Compare(b.Began) })
	return out
}

func (j *jobs) add(x *Job) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if len(j.all) >= mostJobs {
		old := slices.SortedFunc(maps.Values(j.all), func(a, b *Job) int { return a.Began.Compare(b.Began) })
		for _, o := range old {
			if o.over() && len(j.all) >= mostJobs {
				delete(j.all, o.ID)
			}
		}
	}
	if j.all == nil {
		j.all = map[string]*Job{}
	}
	j.all[x.ID] = x
}

func (x *Job) over() bool {
	select {
	case <-x.done:
		return true
	default:
		return false
	}
}

// mostAct is how long an act is waited for before its progress is shown instead.
const mostAct = 1500 * time.Millisecond

// Act orders something under the person's name. What comes of it is shown by a redirect:
// at once if it is done in a moment, else by a page with its progress.
func (q *Request) Act(what string, do func(ctx context.Context, a *archive.Archive) (Outcome, error)) error {
	return q.Watched(what, func(ctx context.Context, a *archive.Archive, _ *Job) (Outcome, error) { return do(ctx, a) })
}

// Watched is act for what tells its progress itself.
func (q *Request) Watched(what string, do func(ctx context.Context, a *archive.Archive, x *Job) (Outcome, error)) error {
	by, err := q.by()
	if err != nil {
		return err
	}
	s := q.Site
	x := &Job{ID: strings.ToLower(rand.Text()[:12]), What: what, By: by, Began: s.Now(), began: time.Now(), done: make(chan struct{}), form: q.sent(), who: string(q.Who.hash)}
	a := *s.Archive
	a.By, a.Known = by, ""
	a.Progress = audit.Progress{
		File:  func(sh fixity.Shard, path string, _ int64) { x.begins(sh.Store + ": " + Shown(path)) },
		Bytes: x.read,
		Note:  func(sh fixity.Shard, text string) { x.Note(fmt.Sprintf("%s, %s: %s", sh.Store, sh.Set, text)) },
	}
	a.Say = func(format string, args ...any) { x.Note(fmt.Sprintf(format, args...)) }
	begun := make(chan struct{}) // what was said not to begin doesn't begin later: both meet here
	s.Run(func(ctx context.Context) {
		ctx, x.cancel = context.WithCancel(ctx)
		defer x.cancel()
		select {
		case begun <- struct{}{}:
			x.end(do(ctx, &a, x))
		case <-time.After(2 * mostAct):
		}
	})
	select {
	case <-begun:
		s.jobs.add(x)
	case <-time.After(mostAct):
		return Status{http.StatusServiceUnavailable, "Firmus is stopping", "Nothing was done. Try again once it runs."}
	}
	t := time.NewTimer(mostAct)
	defer t.Stop()
	select {
	case <-x.done:
		if x.err != nil {
			return x.err
		}
		if x.out.See != "" {
			return q.See(x.out.See)
		}
	case <-t.C:
	case <-q.Context().Done():
	}
	return q.See("/work/jobs/" + x.ID)
}

// AwaitsDue says how much a plain audit of stores is going to read.
func (x *Job) AwaitsDue(ctx context.Context, a *archive.Archive, stores ...string) error {
	total := int64(0)
	err := a.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, s := range stores {
			n, err := t.Audits.DueBytes(s, a.Now())
			if err != nil {
				return err
			}
			total += n
		}
		return nil
	})
	x.awaits(total)
	return err
}

// by is who acts: the account, or without accounts what was typed.
func (q *Request) by() (string, error) {
	if q.Who.Name != "" {
		return q.Who.Name, nil
	}
	by := q.Field("by")
	if by == "" {
		return "", Refused("Type your name: the record says who did what.")
	}
	if len(by) > 200 || strings.ContainsFunc(by, Hidden) {
		return "", Refused("That is too long for a name, or holds signs that can't be seen.")
	}
	return by, nil
}

// Reason is why somebody acts; all that decides needs one.
func (q *Request) Reason() (string, error) {
	r := q.Field("reason")
	if r == "" {
		return "", Refused("Say why, in a few words: whoever reads the record in ten years wants to know.")
	}
	if len(r) > 4000 {
		return "", Refused("The reason has more than 4,000 bytes. Say it shorter.")
	}
	return r, nil
}

// stop stops it for somebody; "" has no account.
func (x *Job) stop(by string) {
	x.mu.Lock()
	x.halt, x.by = true, by
	x.mu.Unlock()
	x.cancel()
}

func (x *Job) begins(file string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.files, x.file = x.files+1, file
}

// Says tells where a job is that isn't counted in files.
func (x *Job) Says(text string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.file = text
}

func (x *Job) read(n int64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.bytes += n
}

// Expects says how many bytes are to be read, or about how long it takes; 0: not known.
func (x *Job) Expects(bytes int64, takes time.Duration) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.total, x.takes = bytes, takes
}

// Then says what comes once it is done.
func (x *Job) Then(text string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.next = text
}

// awaits says that so many bytes more are to be read.
func (x *Job) awaits(bytes int64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.total, x.takes = x.bytes+bytes, 0
}

// Deals says that so many files of so many were dealt with.
func (x *Job) Deals(done, of int) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.dealt, x.of = done, of
}

// DealtWith says how much of the whole is done.
func (x *Job) DealtWith(n, of int64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.share = 0; of > 0 {
		x.share = float64(n) / float64(of)
	}
}

// left is about how long a job still takes, in words; "" if nothing tells it.
func left(began, now time.Time, bytes, total int64, share float64, takes time.Duration) string {
	gone := now.Sub(began)
	var d time.Duration
	switch {
	case total > bytes && bytes > 0 && gone >= 3*time.Second:
		d = time.Duration(float64(gone) * (float64(total-bytes) / float64(bytes)))
	case share > 0 && share < 1 && gone >= 3*time.Second:
		d = time.Duration(float64(gone) * (1 - share) / share)
	case total == 0 && takes > gone:
		d = takes - gone
	}
	if d < time.Second {
		return ""
	}
	to := time.Second
	switch {
	case d >= 3*time.Hour:
		to = 10 * time.Minute
	case d >= time.Minute:
		to = time.Minute
	}
	return ", about " + report.Hours(int64(d.Round(to)/time.Second)) + " left"
}

// Note notes something to know, once.
func (x *Job) Note(text string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if text = report.Plainly(text); !slices.Contains(x.notes, text) && len(x.notes) < 200 {
		x.notes = append(x.notes, text)
	}
}

func (x *Job) end(o Outcome, err error) {
	x.mu.Lock()
	x.out, x.err, x.ended = o, err, time.Now()
	x.mu.Unlock()
	close(x.done)
}

// JobNow is a job as it is shown.
type JobNow struct {
	ID, What, By, File string
	Next               string // what comes once it is done
	Began              time.Time
	Rate               int64 // bytes a second
	Amount, Size, Left string
	Notes              []string
	Over               bool
	Stopped            string // why it went no further; "" if it did
	Failed             *Status
	Again              bool // the form can be sent once more
	Out                Outcome
}

func (j JobNow) Reload() int {
	if j.Over {
		return 0
	}
	return 5
}

func (x *Job) now() JobNow {
	over := x.over()
	x.mu.Lock()
	defer x.mu.Unlock()
	j := JobNow{ID: x.ID, What: x.What, By: x.By, File: x.file, Next: x.next, Began: x.Began, Notes: slices.Clone(x.notes), Over: over}
	now := time.Now()
	if d := now.Sub(x.began).Seconds(); d > 0 {
		j.Rate = int64(float64(x.bytes) / d)
	}
	j.Amount, j.Size, j.Left = fixity.Count(x.files, "file"), report.Size(x.bytes), left(x.began, now, x.bytes, x.total, x.share, x.takes)
	if x.of > 0 {
		j.Amount = fmt.Sprintf("%s of %s", fixity.Number(int64(x.dealt)), fixity.Count(x.of, "file"))
	}
	if x.total > 0 {
		j.Size += " of " + report.Size(x.total)
	}
	if over {
		j.Out = x.out
		switch {
		case !errors.Is(x.err, context.Canceled):
		case x.by != "":
			j.Stopped = x.by + " stopped it."
		case x.halt:
			j.Stopped = "It was stopped."
		default:
			j.Stopped = "It was stopped because Firmus ended or went over to another configuration. Order it again."
		}
		if x.err != nil && j.Stopped == "" {
			f := statusOf(x.err)
			j.Failed, j.Again = &f, again(x.err) && x.form.page != ""
		}
	}
	return j
}

// job finds the job of the path.
func (q *Request) job() (*Job, error) {
	if !q.MayKnowAll() {
		return nil, ErrRestricted
	}
	x := q.Site.jobs.get(q.PathValue("id"))
	if x == nil {
		return nil, Status{http.StatusNotFound, "Nothing is known of this any more", "Firmus was started anew since, or it is long over. What was done is in the record."}
	}
	return x, nil
}

func jobPage(q *Request) error {
	x, err := q.job()
	if err != nil {
		return err
	}
	j := x.now()
	if j.Over && j.Failed == nil && j.Stopped == "" && j.Out.See != "" && len(j.Notes) == 0 {
		return q.See(j.Out.See)
	}
	return q.Render("job", x.What, j)
}

// jobForm shows the form that a refused order was made by once more, with what was typed.
func jobForm(q *Request) error {
	x, err := q.job()
	if err != nil {
		return err
	}
	j := x.now()
	if !j.Again || x.who != string(q.Who.hash) { // what somebody typed is filled in for nobody else
		return q.See("/work/jobs/" + x.ID)
	}
	s := *j.Failed
	s.Code = http.StatusOK
	if !q.showAgain(x.form, s) {
		return q.See(x.form.page)
	}
	return nil
}

func jobStop(q *Request) error {
	x, err := q.job()
	if err != nil {
		return err
	}
	x.stop(q.Who.Name)
	select {
	case <-x.done:
	case <-time.After(mostAct):
	case <-q.Context().Done():
	}
	return q.See("/work/jobs/" + x.ID)
}

// live says that a request is for a stream of events, which takes no turn of others.
func live(r *http.Request) bool {
	return r.Method == http.MethodGet && strings.HasPrefix(r.URL.Path, "/work/jobs/") && strings.HasSuffix(r.URL.Path, "/events")
}

const (
	tick       = 500 * time.Millisecond
	longStream = 10 * time.Minute // then the browser asks anew
)

// mostStreams is how many streams of events go at the same time.
var mostStreams = make(chan struct{}, 40)

// jobEvents tells a job's progress as server-sent events (WHATWG HTML, 9.2).
func jobEvents(q *Request) error {
	x, err := q.job()
	if err != nil {
		return err
	}
	select {
	case mostStreams <- struct{}{}:
		defer func() { <-mostStreams }()
	default:
		return Status{http.StatusServiceUnavailable, "Too many watch at once", "Load the page anew to see how far it is."}
	}
	c := http.NewResponseController(q.W)
	q.W.Header().Set("Content-Type", "text/event-stream")
	t, end := time.NewTicker(tick), time.After(longStream)
	defer t.Stop()
	for {
		j := x.now()
		b, err := json.Marshal(map[string]any{"files": j.Amount, "bytes": j.Size, "left": j.Left, "rate": report.Size(j.Rate), "file": j.File, "over": j.Over})
		if err != nil {
			return err
		}
		_ = c.SetWriteDeadline(time.Now().Add(10 * time.Second))
		if _, err := fmt.Fprintf(q.W, "data: %s\n\n", b); err != nil || c.Flush() != nil || j.Over {
			return nil
		}
		select {
		case <-t.C:
		case <-x.done:
		case <-end:
			return nil
		case <-q.Context().Done():
			return nil
		}
	}
}
