package pages

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
)

// A job is an act that was ordered on a page. It goes on when the browser is gone, and
// until the program stops.
type job struct {
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
	out   outcome
	halt  bool   // somebody stopped it
	by    string // who did
	done  chan struct{}
	form  typed  // that it was ordered by
	who   string // whose session ordered it, by the hash of its token
}

// outcome is what an act came to.
type outcome struct {
	See    string // the page that shows it; "" is the job's own
	Lead   string
	Text   string // as a sheet has it, in columns
	Blocks []sheet.Block
	Links  []link
}

type link struct{ Path, Text string }

// mostJobs is how many jobs are remembered that have ended.
const mostJobs = 50

type jobs struct {
	mu  sync.Mutex
	all map[string]*job
}

func (j *jobs) get(id string) *job {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.all[id]
}

// running are those that go on, the oldest first.
func (j *jobs) running() (out []*job) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, x := range j.all {
		if !x.over() {
			out = append(out, x)
		}
	}
	slices.SortFunc(out, func(a, b *job) int { return a.Began.Compare(b.Began) })
	return out
}

func (j *jobs) add(x *job) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if len(j.all) >= mostJobs {
		old := slices.SortedFunc(maps.Values(j.all), func(a, b *job) int { return a.Began.Compare(b.Began) })
		for _, o := range old {
			if o.over() && len(j.all) >= mostJobs {
				delete(j.all, o.ID)
			}
		}
	}
	if j.all == nil {
		j.all = map[string]*job{}
	}
	j.all[x.ID] = x
}

func (x *job) over() bool {
	select {
	case <-x.done:
		return true
	default:
		return false
	}
}

// mostAct is how long an act is waited for before its progress is shown instead.
const mostAct = 1500 * time.Millisecond

// act orders something under the person's name. What comes of it is shown by a redirect:
// at once if it is done in a moment, else by a page with its progress.
func (q *request) act(what string, do func(ctx context.Context, a *archive.Archive) (outcome, error)) error {
	return q.watched(what, func(ctx context.Context, a *archive.Archive, _ *job) (outcome, error) { return do(ctx, a) })
}

// watched is act for what tells its progress itself.
func (q *request) watched(what string, do func(ctx context.Context, a *archive.Archive, x *job) (outcome, error)) error {
	by, err := q.by()
	if err != nil {
		return err
	}
	s := q.s
	x := &job{ID: strings.ToLower(rand.Text()[:12]), What: what, By: by, Began: s.now(), began: time.Now(), done: make(chan struct{}), form: q.sent(), who: string(q.who.hash)}
	a := *s.o.Archive
	a.By, a.Known = by, ""
	a.Progress = audit.Progress{
		File:  func(sh fixity.Shard, path string, _ int64) { x.begins(sh.Store + ": " + shown(path)) },
		Bytes: x.read,
		Note:  func(sh fixity.Shard, text string) { x.note(fmt.Sprintf("%s, %s: %s", sh.Store, sh.Set, text)) },
	}
	a.Say = func(format string, args ...any) { x.note(fmt.Sprintf(format, args...)) }
	begun := make(chan struct{}) // what was said not to begin doesn't begin later: both meet here
	s.o.Run(func(ctx context.Context) {
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
		return status{http.StatusServiceUnavailable, "Firmus is stopping", "Nothing was done. Try again once it runs."}
	}
	t := time.NewTimer(mostAct)
	defer t.Stop()
	select {
	case <-x.done:
		if x.err != nil {
			return x.err
		}
		if x.out.See != "" {
			return q.see(x.out.See)
		}
	case <-t.C:
	case <-q.Context().Done():
	}
	return q.see("/work/jobs/" + x.ID)
}

// by is who acts: the account, or without accounts what was typed.
func (q *request) by() (string, error) {
	if q.who.Name != "" {
		return q.who.Name, nil
	}
	by := q.field("by")
	if by == "" {
		return "", refused("Type your name: the record says who did what.")
	}
	if len(by) > 200 || strings.ContainsFunc(by, hidden) {
		return "", refused("That is too long for a name, or holds signs that can't be seen.")
	}
	return by, nil
}

// reason is why somebody acts; all that decides needs one.
func (q *request) reason() (string, error) {
	r := q.field("reason")
	if r == "" {
		return "", refused("Say why, in a few words: whoever reads the record in ten years wants to know.")
	}
	if len(r) > 4000 {
		return "", refused("The reason has more than 4,000 bytes. Say it shorter.")
	}
	return r, nil
}

// stop stops it for somebody; "" has no account.
func (x *job) stop(by string) {
	x.mu.Lock()
	x.halt, x.by = true, by
	x.mu.Unlock()
	x.cancel()
}

func (x *job) begins(file string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.files, x.file = x.files+1, file
}

// says tells where a job is that isn't counted in files.
func (x *job) says(text string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.file = text
}

func (x *job) read(n int64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.bytes += n
}

// expects says how many bytes are to be read, or about how long it takes; 0: not known.
func (x *job) expects(bytes int64, takes time.Duration) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.total, x.takes = bytes, takes
}

// then says what comes once it is done.
func (x *job) then(text string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.next = text
}

// awaits says that so many bytes more are to be read.
func (x *job) awaits(bytes int64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.total, x.takes = x.bytes+bytes, 0
}

// deals says that so many files of so many were dealt with.
func (x *job) deals(done, of int) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.dealt, x.of = done, of
}

// dealtWith says how much of the whole is done.
func (x *job) dealtWith(n, of int64) {
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

func (x *job) note(text string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if text = report.Plainly(text); !slices.Contains(x.notes, text) && len(x.notes) < 200 {
		x.notes = append(x.notes, text)
	}
}

func (x *job) end(o outcome, err error) {
	x.mu.Lock()
	x.out, x.err, x.ended = o, err, time.Now()
	x.mu.Unlock()
	close(x.done)
}

// jobNow is a job as it is shown.
type jobNow struct {
	ID, What, By, File string
	Next               string // what comes once it is done
	Began              time.Time
	Rate               int64 // bytes a second
	Amount, Size, Left string
	Notes              []string
	Over               bool
	Stopped            string // why it went no further; "" if it did
	Failed             *status
	Again              bool // the form can be sent once more
	Out                outcome
}

func (j jobNow) reload() int {
	if j.Over {
		return 0
	}
	return 5
}

func (x *job) now() jobNow {
	over := x.over()
	x.mu.Lock()
	defer x.mu.Unlock()
	j := jobNow{ID: x.ID, What: x.What, By: x.By, File: x.file, Next: x.next, Began: x.Began, Notes: slices.Clone(x.notes), Over: over}
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
func (q *request) job() (*job, error) {
	if !q.mayKnowAll() {
		return nil, errRestricted
	}
	x := q.s.jobs.get(q.PathValue("id"))
	if x == nil {
		return nil, status{http.StatusNotFound, "Nothing is known of this any more", "Firmus was started anew since, or it is long over. What was done is in the record."}
	}
	return x, nil
}

func jobPage(q *request) error {
	x, err := q.job()
	if err != nil {
		return err
	}
	j := x.now()
	if j.Over && j.Failed == nil && j.Stopped == "" && j.Out.See != "" && len(j.Notes) == 0 {
		return q.see(j.Out.See)
	}
	return q.render("job", x.What, j)
}

// jobForm shows the form that a refused order was made by once more, with what was typed.
func jobForm(q *request) error {
	x, err := q.job()
	if err != nil {
		return err
	}
	j := x.now()
	if !j.Again || x.who != string(q.who.hash) { // what somebody typed is filled in for nobody else
		return q.see("/work/jobs/" + x.ID)
	}
	s := *j.Failed
	s.Code = http.StatusOK
	if !q.showAgain(x.form, s) {
		return q.see(x.form.page)
	}
	return nil
}

func jobStop(q *request) error {
	x, err := q.job()
	if err != nil {
		return err
	}
	x.stop(q.who.Name)
	select {
	case <-x.done:
	case <-time.After(mostAct):
	case <-q.Context().Done():
	}
	return q.see("/work/jobs/" + x.ID)
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
func jobEvents(q *request) error {
	x, err := q.job()
	if err != nil {
		return err
	}
	select {
	case mostStreams <- struct{}{}:
		defer func() { <-mostStreams }()
	default:
		return status{http.StatusServiceUnavailable, "Too many watch at once", "Load the page anew to see how far it is."}
	}
	c := http.NewResponseController(q.w)
	q.w.Header().Set("Content-Type", "text/event-stream")
	t, end := time.NewTicker(tick), time.After(longStream)
	defer t.Stop()
	for {
		j := x.now()
		b, err := json.Marshal(map[string]any{"files": j.Amount, "bytes": j.Size, "left": j.Left, "rate": report.Size(j.Rate), "file": j.File, "over": j.Over})
		if err != nil {
			return err
		}
		_ = c.SetWriteDeadline(time.Now().Add(10 * time.Second))
		if _, err := fmt.Fprintf(q.w, "data: %s\n\n", b); err != nil || c.Flush() != nil || j.Over {
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
