// Package firstrun serves the questions of a first configuration where there is none yet, and
// the first intake.
package firstrun

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/setup"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Options say how a configuration is made where there is none.
type Options struct {
	Path   string // of the configuration
	Listen string // the address that is served
	// Other says that it is not the usual one, so that the configuration has to name it.
	Other bool
	Log   *slog.Logger
	// Places are the folders from which one may be chosen by clicking.
	Places func() []string
	// Guarded are the folders that nothing is written into.
	Guarded guarded.Folders
	// Check says what would not work with a configuration; Cloud tries the cloud alone, and
	// Mail sends a letter to try.
	Check, Cloud, Mail func(context.Context, *config.Config) ([]site.Checked, error)
	// Done is told once the configuration is written.
	Done func()
}

// Setup serves the pages of the first run: the questions of a configuration. Only who
// opened the one-time link, on this computer, comes to them.
type Setup struct {
	*site.Site
	o Options

	mu      sync.Mutex
	draft   *setup.Draft
	link    []byte // of the one-time link; nil once it was opened
	holder  []byte // of the session that it began
	tried   map[string][]site.Checked
	written bool
}

// New makes the pages of a first run. url is the link that opens them once, below an
// address such as "http://127.0.0.1:7340".
func New(o Options, base string) (s *Setup, url string, err error) {
	s = &Setup{o: o, draft: setup.New(o.Path), tried: map[string][]site.Checked{}}
	if o.Other {
		s.draft.Listen(o.Listen)
	}
	var key string
	key, s.link = site.Token()
	s.Site, err = site.New(site.Options{Name: "Firmus", Log: o.Log, Listen: o.Listen}, []site.Route{
		{Pattern: "GET /enter", Needs: "", Do: s.enterPage},
		{Pattern: "POST /enter", Needs: "", Do: s.enter},
		{Pattern: "GET /setup", Needs: "", Do: s.only(s.next)},
		{Pattern: "GET /setup/{step}", Needs: "", Do: s.only(s.stepPage)},
		{Pattern: "POST /setup/{step}", Needs: "", Do: s.only(s.stepAct)},
		{Pattern: "GET /setup/register", Needs: "", Do: s.only(s.registerPage)},
		{Pattern: "POST /setup/register", Needs: "", Do: s.only(s.registerAct)},
		{Pattern: "POST /setup/try/{what}", Needs: "", Do: s.only(s.try)},
		{Pattern: "POST /setup/write", Needs: "", Do: s.only(s.write)},
		{Pattern: "GET /{$}", Needs: "", Do: s.only(s.next)},
		{Pattern: "/", Needs: "", Do: s.only(func(*site.Request) error { return fixity.ErrNotFound })},
	})
	return s, base + "/enter?key=" + key, err
}

// Holder is the session of who set up, to go on in it: a hash. nil before.
func (s *Setup) Holder() []byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.holder
}

// Adopt lets a session go on that began before there was a ledger.
func Adopt(t *ledger.Tx, holder []byte) error {
	if n, _, err := t.People.CountAccounts(); err != nil || n > 0 {
		return err
	}
	now := t.Now()
	return t.People.BeginSession(holder, ledger.WebSession{Ends: site.Ends("", now, now)})
}

var setupClosed = site.Status{Code: http.StatusUnauthorized, Title: "Open the setup by its link",
	Text: "Firmus has no configuration yet. When it was started it printed a link that opens the setup once, on this computer. Start it anew for another link."}

func (s *Setup) enterPage(q *site.Request) error {
	key := q.URL.Query().Get("key")
	s.mu.Lock()
	there := s.link != nil && subtle.ConstantTimeCompare(site.HashOf(key), s.link) == 1
	s.mu.Unlock()
	if !there || !site.FromHere(q.Request) {
		return setupClosed
	}
	return q.Render("enter", "Set up Firmus", struct{ Key string }{key})
}

func (s *Setup) enter(q *site.Request) error {
	if !site.FromHere(q.Request) {
		return setupClosed
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.link == nil || subtle.ConstantTimeCompare(site.HashOf(q.PostFormValue("key")), s.link) != 1 {
		return setupClosed
	}
	text, hash := site.Token()
	s.link, s.holder = nil, hash
	q.SetCookie(text, int(site.LongHere/time.Second))
	return q.See("/setup")
}

// only lets nobody but the link's holder come to a page, on this computer.
func (s *Setup) only(do func(*site.Request) error) func(*site.Request) error {
	return func(q *site.Request) error {
		c, err := q.Cookie(s.Cookie)
		s.mu.Lock()
		defer s.mu.Unlock()
		if err != nil || s.holder == nil || !site.FromHere(q.Request) || subtle.ConstantTimeCompare(site.HashOf(c.Value), s.holder) != 1 {
			return setupClosed
		}
		if s.written {
			return q.Render("setupstart", "Firmus starts", starting{})
		}
		return do(q)
	}
}

// starting is the page between the configuration and the daemon.
type starting struct{}

func (starting) Reload() int { return 1 }

// titles are the steps as headings, in the order of setup.Steps.
var titles = map[string]string{
	"holdings": "Your holdings", setup.Masters: "Masters", setup.MastersIn: "Masters: which folder", setup.Access: "Access files", setup.Second: "Second copies",
	"second-in": "Second copies: where in it", "cloud": "A copy in the cloud", "discs": "Discs", "letters": "Letters", "places": "Where things stand", result: "Look it over",
}

const result = "result"

type setupStep struct {
	Step, Title string
	Said        string // what was answered
	Here, Done  bool
}

type setupQuestion struct {
	setup.Question
	Value, Wrong string
	Kept         bool // its secret was given
}

type setupData struct {
	Path      string
	Steps     []setupStep
	Step      string
	Title     string
	Questions []setupQuestion
	Wrong     string // in one sentence, for the heading
	Tried     []site.Checked
	// of a step that asks for a folder
	Proposed *setup.Seen
	Here     *setup.Seen
	Up       string
	In       []setup.Seen
	// of the result
	Checks   []site.Checked
	Bad      bool
	Makeable []string
	Own      bool // it may be said that this is a trial on one drive
	Text     string
	There    bool // a configuration came there meanwhile
	Register bool // one was confirmed
}

func (s *Setup) data(step string) setupData {
	d := setupData{Path: s.o.Path, Step: step, Title: titles[step], Tried: s.tried[step]}
	for _, x := range append(slices.Clone(setup.Steps), result) {
		qs := s.draft.In(x, false)
		if len(qs) == 0 && x != result {
			continue
		}
		line := setupStep{Step: x, Title: titles[x], Here: x == step, Done: x != result}
		for i, q := range qs {
			a, ok := s.draft.Given(q.Key)
			line.Done = line.Done && ok
			if i == 0 && ok {
				line.Said = a
				if a == "" {
					line.Said = setup.None
				}
			}
		}
		d.Steps = append(d.Steps, line)
	}
	return d
}

// next goes to the first step that isn't done.
func (s *Setup) next(q *site.Request) error {
	for _, x := range s.data("").Steps {
		if !x.Done {
			return q.See("/setup/" + x.Step)
		}
	}
	return q.See("/setup/" + result)
}

func (s *Setup) questions(step string, q *site.Request) ([]setupQuestion, error) {
	var out []setupQuestion
	for _, x := range s.draft.In(step, true) {
		y := setupQuestion{Question: x, Kept: s.draft.Kept(x.Key)}
		a, ok := s.draft.Given(x.Key)
		switch {
		case ok:
			y.Value = a
		case x.Preset != setup.None:
			y.Value = x.Preset
		}
		if q != nil && x.Kind != setup.File {
			y.Value = q.Field(x.Key)
		}
		out = append(out, y)
	}
	if len(out) == 0 {
		return nil, fixity.ErrNotFound
	}
	return out, nil
}

func (s *Setup) stepPage(q *site.Request) error {
	step := q.PathValue("step")
	if step == result {
		return s.resultPage(q, http.StatusOK, "")
	}
	qs, err := s.questions(step, nil)
	if err != nil {
		return err
	}
	return s.show(q, http.StatusOK, step, qs, "")
}

// show gives a step's page. A step that asks for one folder shows what there is to choose.
func (s *Setup) show(q *site.Request, code int, step string, qs []setupQuestion, wrong string) error {
	d := s.data(step)
	d.Questions, d.Wrong = qs, wrong
	if len(qs) == 1 && qs[0].Kind == setup.Folder {
		d.Title = qs[0].Ask
		places := s.o.Places()
		if p := qs[0].Preset; s.draft.There(p) {
			v := setup.Volume(s.draft.At(p))
			d.Proposed = &v
		}
		if at := q.URL.Query().Get("in"); at != "" {
			here, in, err := setup.Look(places, at)
			if errors.Is(err, fixity.ErrDenied) {
				return site.Status{Code: http.StatusForbidden, Title: "That folder is not shown here", Text: "Choose among the drives and folders that are offered, or type the folder's path."}
			}
			if err != nil {
				return site.Status{Code: http.StatusNotFound, Title: "There is no such folder", Text: site.Shown(at)}
			}
			d.Here, d.In = &here, in
			if up := filepath.Dir(here.Path); up != here.Path {
				if _, _, err := setup.Look(places, up); err == nil {
					d.Up = up
				}
			}
		} else {
			for _, p := range places {
				d.In = append(d.In, setup.Volume(p))
			}
		}
	}
	return q.RenderAs(code, "setup", d.Title, d)
}

func (s *Setup) stepAct(q *site.Request) error {
	step := q.PathValue("step")
	qs, err := s.questions(step, q)
	if err != nil {
		return err
	}
	none := q.Ticked("none")
	bad := ""
	for i := range qs {
		x := &qs[i]
		if none && x.Optional {
			s.draft.Answer(x.Key, setup.None)
			continue
		}
		if !slices.ContainsFunc(s.draft.In(step, false), func(y setup.Question) bool { return y.Key == x.Key }) {
			continue // it follows from one that was answered by none
		}
		if x.Kind == setup.File {
			x.Wrong = s.secret(q, x.Key)
		} else {
			answer, wrong := setup.Clean(x.Value)
			if x.Kind == setup.Folder {
				answer = s.draft.Whole(answer)
			}
			if answer == "" && x.Optional {
				answer = setup.None
			}
			if answer == "" && x.Kind == setup.Folder {
				wrong = "lacks a folder"
			}
			if wrong == "" {
				wrong = s.draft.Wrong(x.Question, answer)
			}
			if x.Wrong = wrong; wrong == "" {
				s.draft.Answer(x.Key, answer)
			}
		}
		if x.Wrong != "" && bad == "" {
			bad = x.Wrong
		}
	}
	delete(s.tried, step)
	if bad != "" {
		return s.show(q, http.StatusUnprocessableEntity, step, qs, "That doesn't do: "+bad+".")
	}
	if q.Ticked("try") {
		return s.try(q)
	}
	return s.next(q)
}

// mostSecret is how long a key or a password may be.
const mostSecret = 64 << 10

// secret takes a key or a password, and says what is wrong with it. One that was given
// before stays if none is given now.
func (s *Setup) secret(q *site.Request, key string) (wrong string) {
	text := []byte(q.PostFormValue(key))
	if f, _, err := q.FormFile(key); err == nil {
		defer f.Close()
		if text, err = io.ReadAll(io.LimitReader(f, mostSecret+1)); err != nil {
			return "can't be read"
		}
	}
	address, _ := s.draft.Given(setup.CloudFolder)
	switch {
	case len(text) == 0 && s.draft.Kept(key):
		return ""
	case len(text) == 0 && key == setup.CloudKey:
		return "lacks the key's file"
	case len(text) == 0:
		return "lacks the password"
	case len(text) > mostSecret:
		return "is longer than a key or a password"
	case key == setup.CloudKey:
		if wrong := setup.NoKey(address, text); wrong != "" {
			return wrong
		}
	}
	s.draft.Keep(key, text)
	return ""
}

// try tries what was answered in a step, before anything is written.
func (s *Setup) try(q *site.Request) error {
	step := q.PathValue("what")
	if step == "" {
		step = q.PathValue("step")
	}
	do := map[string]func(context.Context, *config.Config) ([]site.Checked, error){"cloud": s.o.Cloud, "letters": s.o.Mail}[step]
	if do == nil {
		return fixity.ErrNotFound
	}
	ctx, cancel := context.WithTimeout(q.Context(), time.Minute)
	defer cancel()
	err := s.draft.Try(func(cfg *config.Config) (err error) { s.tried[step], err = do(ctx, cfg); return err })
	if err != nil {
		s.tried[step] = []site.Checked{{What: titles[step], Detail: site.Plainly(err), Mark: "NOT OK"}}
	}
	return q.See("/setup/" + url.PathEscape(step))
}

// resultPage shows what would be written, and what "firmus check" says of it.
func (s *Setup) resultPage(q *site.Request, code int, wrong string) error {
	for _, x := range s.data("").Steps {
		if !x.Done && x.Step != result {
			return q.See("/setup/" + x.Step)
		}
	}
	d := s.data(result)
	d.Wrong, d.Text, d.Makeable = wrong, s.draft.Text(), s.draft.Makeable()
	d.There, d.Register = s.draft.Exists(), s.draft.Register() != ""
	err := s.draft.Try(func(cfg *config.Config) (err error) { d.Checks, err = s.o.Check(q.Context(), cfg); return err })
	if err != nil {
		d.Checks = []site.Checked{{What: "configuration", Detail: site.Plainly(err), Mark: "NOT OK"}}
	}
	d.Own = s.draft.Owned()
	for _, c := range d.Checks {
		d.Bad = d.Bad || !c.OK
		d.Own = d.Own || c.What == "volumes" // stores that count as one copy
	}
	return q.RenderAs(code, "setupresult", d.Title, d)
}

func (s *Setup) write(q *site.Request) error {
	switch {
	case q.Ticked("trial"), q.Ticked("notrial"):
		s.draft.Own(q.Ticked("trial"))
		return q.See("/setup/" + result)
	case q.Ticked("make"):
		if err := s.draft.Make(); err != nil {
			return s.resultPage(q, http.StatusUnprocessableEntity, "The folders could not be made: "+site.Plainly(err)+".")
		}
		return q.See("/setup/" + result)
	}
	for _, x := range s.data("").Steps {
		if !x.Done && x.Step != result {
			return q.See("/setup/" + x.Step)
		}
	}
	var err error
	if q.Ticked("replace") {
		var kept string
		if kept, err = s.draft.Replace(s.o.Guarded); err == nil {
			s.o.Log.Info("the configuration was replaced by setup", "config", s.o.Path, "kept", kept)
		}
	} else {
		err = s.draft.Write(s.o.Guarded)
	}
	if err != nil {
		return s.resultPage(q, http.StatusUnprocessableEntity, "Nothing was written: "+strings.TrimSuffix(site.Plainly(err), ".")+".")
	}
	s.written = true
	s.o.Log.Info("the configuration was written by setup", "config", s.o.Path)
	s.o.Done()
	return q.See("/setup")
}

// Routes go on where the setup ends: the first intake.
var Routes = []site.Route{
	{Pattern: "GET /setup", Needs: fixity.Viewer, Do: firstPage},
	{Pattern: "POST /setup/intake", Needs: fixity.Technician, Do: firstIntake},
}

type firstData struct {
	Config  string
	Nothing bool // is under care
	By      string
	Name    string
	Jobs    []site.JobNow
}

func firstPage(q *site.Request) error {
	d := firstData{Config: q.Site.Config, By: q.Site.Account, Name: q.Who.Name, Jobs: q.Runs()}
	if err := q.View(func(t *ledger.Tx) (err error) { d.Nothing, err = t.Log.Empty(); return err }); err != nil {
		return err
	}
	return q.Render("setupfirst", "The first intake", d)
}

// waitFirst is how long the first intake waits for what the daemon does by itself.
const waitFirst = time.Hour

// firstIntake takes in all that is there, and compares and reads every copy. It is ordered
// under the account of this computer where nobody has one of their own, as by "firmus
// intake".
func firstIntake(q *site.Request) error {
	if q.Who.Name == "" && q.Field("by") == "" {
		q.PostForm.Set("by", q.Site.Account)
	}
	return q.Watched("First intake and audit", first)
}

func first(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
	x.Then("every store is listed and compared for the first time.")
	in, err := receiving.Of(a).Intake(ctx, receiving.IntakeOrder{Wait: waitFirst, Found: func(n int64) { x.Expects(n, 0) }})
	if err != nil {
		return site.Outcome{}, err
	}
	x.Then("Today shows how it stands with each store.")
	if err := x.AwaitsDue(ctx, a, a.Rules.StoreNames()...); err != nil {
		return site.Outcome{}, err
	}
	stores, err := acts.Of(a).Audit(ctx, acts.AuditOrder{Wait: waitFirst})
	if err != nil {
		return site.Outcome{}, err
	}
	var out site.Outcome
	trouble, warnings := slices.Clone(in.Trouble), slices.Clone(in.Warnings)
	findings := len(in.Findings)
	var away []string
	var lines [][2]string
	for _, r := range stores {
		trouble, warnings = append(trouble, r.Trouble...), append(warnings, r.Warnings...)
		findings += len(r.Findings)
		is := fmt.Sprintf("%s intact", fixity.Count(r.States[fixity.Intact], "copy"))
		if n := r.States[fixity.Awaited]; n > 0 {
			is += fmt.Sprintf(", %s awaited", fixity.Number(n))
		}
		if len(r.Away) > 0 {
			is = "not looked at"
			away = append(away, r.Store)
			for _, f := range r.Away {
				warnings = append(warnings, r.Store+": "+report.Fact(f))
			}
		}
		lines = append(lines, [2]string{r.Store, is})
	}
	switch {
	case len(trouble) > 0:
		out.Lead = "Not all could be taken in or read. What is wrong stands below; the next audit tries again."
	case findings > 0:
		out.Lead = fmt.Sprintf("%s taken under care. %s to look at.", fixity.Count(in.Taken, "file"), fixity.Count(int64(findings), "finding"))
		out.Links = append(out.Links, site.Link{Path: "/findings", Text: "To the findings"})
	case in.Taken == 0 && len(stores) == 0:
		out.Lead = "No files lie in the folders yet. Firmus takes in what arrives once it has settled."
	case len(away) > 0:
		out.Lead = fmt.Sprintf("%s taken under care. Not all could be looked at: %s. Where nothing lies yet, copy the files there; the next audit compares and reads them.", fixity.Count(in.Taken, "file"), strings.Join(away, ", "))
	default:
		out.Lead = fmt.Sprintf("%s taken under care. The first audit found no difference.", fixity.Count(in.Taken, "file"))
	}
	out.Blocks = append(out.Blocks, sheet.Block{Title: "Stores", Facts: lines})
	if len(trouble) > 0 {
		out.Blocks = append(out.Blocks, sheet.Block{Title: "What went wrong", Lines: trouble})
	}
	if len(warnings) > 0 {
		out.Blocks = append(out.Blocks, sheet.Block{Title: "To know", Lines: warnings})
	}
	out.Links = append(out.Links, site.Link{Path: "/", Text: "To Today"})
	return out, nil
}
