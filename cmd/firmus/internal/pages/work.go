package pages

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var workRoutes = []route{
	{"GET /work", fixity.Technician, workPage},
	{"GET /work/jobs/{id}", fixity.Viewer, jobPage},
	{"GET /work/jobs/{id}/events", fixity.Viewer, jobEvents},
	{"GET /work/jobs/{id}/form", fixity.Technician, jobForm},
	{"POST /work/jobs/{id}/stop", fixity.Technician, jobStop},
	{"POST /work/receive", fixity.Technician, receiveAct},
	{"POST /work/intake", fixity.Technician, intakeAct},
	{"POST /work/recognise", fixity.Technician, recogniseAct},
	{"POST /work/finish", fixity.Technician, finishAct},
	{"POST /work/audit", fixity.Technician, auditAct},
}

type workData struct {
	Folders  []folder
	Sets     []string
	Editing  []fileLine
	More     bool
	Stores   []storeChoice
	Jobs     []jobNow
	Drive    string
	Arrivals string // the store where new files appear
	Reviewer bool
	Person   asks
	Asked    asked
}

// asked is what a link to the page has already chosen.
type asked struct {
	Store, Only, Disc, Decide string
	Full                      bool
}

type folder struct{ Path, Shown string }

type fileLine struct {
	Ref, Shown string // SET/PATH
}

type storeChoice struct {
	Name, Place string
	Visiting    bool
}

// mostFiles is how many files a form offers to choose from.
const mostFiles = 200

func workPage(q *request) error {
	e := q.s.o.Archive
	d := workData{Folders: q.s.folders(), Sets: e.Rules.SetNames(), Drive: q.s.o.Drive, Reviewer: q.who.Role.May(fixity.Reviewer), Person: q.asks()}
	v := q.URL.Query()
	d.Asked = asked{v.Get("store"), v.Get("only"), v.Get("disc"), v.Get("decide"), v.Get("full") != ""}
	for _, r := range e.Rules.Stores {
		if r.Arrivals {
			d.Arrivals = r.Name
		}
		if e.Listable(r.Kind) {
			d.Stores = append(d.Stores, storeChoice{r.Name, r.Place, r.Visiting})
		}
	}
	d.Jobs = q.runs()
	err := q.view(func(t *tx) error {
		for _, set := range e.Rules.Sets {
			if set.Role != fixity.Access {
				continue
			}
			files, err := t.Files.NotFinished(set.Name, q.s.now().Add(-set.Editing), mostFiles+1-len(d.Editing))
			if err != nil {
				return err
			}
			for _, f := range files {
				d.Editing = append(d.Editing, fileLine{f.Set + "/" + f.Path, shown(f.Set + "/" + f.Path)})
			}
		}
		if len(d.Editing) > mostFiles {
			d.Editing, d.More = d.Editing[:mostFiles], true
		}
		return nil
	})
	if err != nil {
		return err
	}
	return q.render("work", "Work", d)
}

// mostFolders is how many folders a form offers.
const mostFolders = 300

// folders are those that may be chosen as a source: what is plugged in, what the
// configuration names, and two levels of folders in them. Never the whole computer.
func (s *Site) folders() (out []folder) {
	if s.o.Sources == nil {
		return nil
	}
	var add func(dir string, depth int)
	add = func(dir string, depth int) {
		if len(out) >= mostFolders {
			return
		}
		out = append(out, folder{dir, shown(dir)})
		if depth == 0 {
			return
		}
		entries, err := os.ReadDir(dir)
		if err != nil {
			return
		}
		for _, x := range entries {
			if x.Type()&fs.ModeType == fs.ModeDir && !strings.HasPrefix(x.Name(), ".") { // links are not followed
				add(filepath.Join(dir, x.Name()), depth-1)
			}
		}
	}
	for _, dir := range s.o.Sources() {
		add(dir, 2)
	}
	return out
}

// source is the folder that was chosen: one below those that may be, whatever links lie
// on the way.
func (q *request) source() (string, error) {
	dir := q.PostFormValue("folder")
	if dir == "" || q.s.o.Sources == nil {
		return "", refused("Choose a folder.")
	}
	not := status{403, "This folder is not one to choose from", "Folders are chosen from what is plugged in, and from those that the configuration names as [work] sources. Nothing was done."}
	real, err := filepath.EvalSymlinks(dir)
	if err != nil || !filepath.IsAbs(dir) {
		return "", not
	}
	for _, may := range q.s.o.Sources() {
		root, err := filepath.EvalSymlinks(may)
		if err != nil {
			continue
		}
		if rel, err := filepath.Rel(root, real); err == nil && filepath.IsLocal(rel) {
			return real, nil
		}
	}
	return "", not
}

func receiveAct(q *request) error {
	dir, err := q.source()
	if err != nil {
		return err
	}
	set, item := q.field("set"), strings.Trim(q.field("item"), "/")
	if item == "" || strings.ContainsFunc(item, hidden) {
		return refused("Say which reel it is: the name of its folder, such as QV-0107.")
	}
	o := receiving.ReceiveOrder{Name: dir, Into: set + "/" + item, Reason: q.field("reason")}
	for side := range strings.SplitSeq(q.field("sides"), ",") {
		if side = strings.TrimSpace(side); side != "" {
			o.Sides = append(o.Sides, side)
		}
	}
	return q.watched("Receive "+shown(set+"/"+item), func(ctx context.Context, a *archive.Archive, x *job) (outcome, error) {
		x.then("keep the stick until a second store was read, too. Play the beginning, the middle and the end of each side.")
		o.Found = func(bytes int64) { x.expects(bytes, 0) }
		if o.Source, err = a.Folder(dir); err != nil {
			return outcome{}, err
		}
		res, err := receiving.Of(a).Receive(ctx, o)
		if err != nil {
			return outcome{}, err
		}
		out := outcome{Lead: sentence("KEEP THE STICK: " + res.Why)}
		if res.Erase {
			out.Lead = sentence("The stick may be erased: " + res.Why)
		}
		t := sheet.Table{Head: []string{"on the stick", "under care as", "size", "what was done"}}
		for _, f := range res.Files {
			did := "copied, read back, the same"
			if f.Already {
				did = "was there already, the same"
			}
			for _, n := range f.Notes {
				did += ". LOOK AT IT: " + n
			}
			t.Rows = append(t.Rows, []string{f.Name, res.Set + "/" + f.Path, report.Size(f.Size), did})
		}
		out.Blocks = []sheet.Block{{Table: &t, Lines: []string{"Play the beginning, the middle and the end. Is it the right side, at the right speed, on both channels? Keep the untouched transfer; edit a copy of it."}}}
		out.Blocks = append(out.Blocks, troubleOf(res.Intake)...)
		out.Links = findingLinks(res.Intake.Findings)
		return out, nil
	})
}

// findingLinks lead to findings, the first twenty of them.
func findingLinks(fs []ledger.Finding) (out []link) {
	for _, f := range fs[:min(len(fs), 20)] {
		out = append(out, link{fmt.Sprintf("/findings/%d", f.ID), fmt.Sprintf("Finding %d: %s: %s", f.ID, subjectOf(f), kindInWords(f))})
	}
	if len(fs) > 20 {
		out = append(out, link{"/findings", fmt.Sprintf("and %s more", fixity.Number(int64(len(fs)-20)))})
	}
	return out
}

func recogniseAct(q *request) error {
	dir, err := q.source()
	if err != nil {
		return err
	}
	return q.act("Recognise "+shown(dir), func(ctx context.Context, a *archive.Archive) (outcome, error) {
		from, err := a.Folder(dir)
		if err != nil {
			return outcome{}, err
		}
		res, err := receiving.Of(a).Recognise(ctx, dir, from)
		if err != nil {
			return outcome{}, err
		}
		out := outcome{Lead: sentence("May it be erased? No: " + res.Because)}
		if res.MayErase {
			out.Lead = sentence("May it be erased? Yes: " + res.Because)
		}
		words := map[string]string{receiving.Held: "held", receiving.HeldEarlier: "earlier version", receiving.NotKnown: "not known", receiving.NotRead: "NOT READ"}
		t := sheet.Table{Head: []string{"file", "is", "under care as"}}
		for i, f := range res.Files {
			if i == 1000 {
				t.Rows = append(t.Rows, []string{fmt.Sprintf("and %s more", fixity.Count(len(res.Files)-i, "file")), "", ""})
				break
			}
			as := ""
			if f.File != "" {
				as = f.Set + "/" + f.File
			}
			if f.Detail != "" {
				as = strings.TrimPrefix(as+", "+f.Detail, ", ")
			}
			t.Rows = append(t.Rows, []string{f.Path, words[f.State], as})
		}
		out.Blocks = []sheet.Block{{Table: &t}}
		return out, nil
	})
}

func finishAct(q *request) error {
	files := q.PostForm["file"]
	if len(files) == 0 {
		return refused("Tick the files that are finished.")
	}
	if len(files) > mostFiles {
		return refused("Those are too many at once.")
	}
	reason := q.field("reason")
	return q.act("Finish "+fixity.Count(len(files), "file"), func(ctx context.Context, a *archive.Archive) (outcome, error) {
		done, err := deciding.Of(a).Finish(ctx, files, reason)
		if err != nil {
			return outcome{}, err
		}
		b := sheet.Block{}
		for _, f := range done {
			b.List = append(b.List, f.Set+"/"+f.Path)
		}
		return outcome{Lead: fixity.Counted(len(done), "file", "is", "are") + " finished. A change waits for a sign-off from now on.", Blocks: []sheet.Block{b}, Links: []link{{"/work", "Back to work"}}}, nil
	})
}

// auditAct looks at a store now: what is due, or all of it.
func auditAct(q *request) error {
	store, full := q.field("store"), q.ticked("full")
	rule, ok := q.s.o.Archive.Rules.Store(store)
	if !ok || !q.s.o.Archive.Listable(rule.Kind) {
		return fixity.ErrNotFound
	}
	what := "Read " + store
	only, under, _ := strings.Cut(q.field("only"), "/")
	if only != "" {
		if !rule.Holds(only) {
			return refused(fmt.Sprintf("%s keeps no set that is called %s. Begin with the set, such as %s/QV-0107.", store, shown(only), rule.Sets[0]))
		}
		what += ": " + shown(only+"/"+under)
	}
	return q.watched(what, func(ctx context.Context, a *archive.Archive, x *job) (outcome, error) {
		x.then(thenFindings)
		if only == "" && (full || rule.Visiting) {
			n, err := bytesIn(ctx, a, store)
			if err != nil {
				return outcome{}, err
			}
			x.expects(n, 0)
		} else if only == "" {
			if err := x.awaitsDue(ctx, a, store); err != nil {
				return outcome{}, err
			}
		}
		return audited(ctx, a, acts.AuditOrder{Stores: []string{store}, Full: full || rule.Visiting, Set: only, Under: under})
	})
}

// thenFindings says what comes once an audit is done.
const thenFindings = "what differs stands under Findings."

// audited audits, and says what came of it.
func audited(ctx context.Context, a *archive.Archive, o acts.AuditOrder) (outcome, error) {
	rs, err := acts.Of(a).Audit(ctx, o)
	if err != nil {
		return outcome{}, err
	}
	var out outcome
	for _, r := range rs {
		b := sheet.Block{Facts: [][2]string{{"listed", fixity.Count(r.Listed, "file")}, {"read", fixity.Count(r.Read, "file") + ", " + report.Size(r.Bytes)}}}
		switch {
		case len(r.Away) > 0:
			out.Lead = sentence(r.Store + " is away: " + report.Facts(r.Away, report.Local))
		case len(r.Trouble) > 0:
			out.Lead = sentence("It could not be finished: " + report.Plainly(strings.Join(r.Trouble, "; ")))
		case len(r.Findings) > 0:
			out.Lead = fixity.Counted(len(r.Findings), "finding", "is", "are") + " open on " + r.Store + "."
		default:
			out.Lead = "No difference was found in " + r.Store + "."
		}
		if n := len(r.PutRight); n > 0 {
			b.Facts = append(b.Facts, [2]string{"right again", fixity.Count(n, "finding")})
		}
		b.Lines = r.Warnings
		out.Blocks = append(out.Blocks, b)
		out.Links = append(out.Links, findingLinks(report.Ordered(r.Findings))...)
	}
	return out, nil
}

// bytesIn is how much a store holds: what a full audit of it reads.
func bytesIn(ctx context.Context, a *archive.Archive, store string) (n int64, err error) {
	err = a.Ledger.View(ctx, func(t *tx) error {
		all, err := t.Copies.Tallies()
		for _, x := range all {
			if x.Store == store {
				n += x.Bytes
			}
		}
		return err
	})
	return n, err
}

// awaitsDue says how much a plain audit of stores is going to read.
func (x *job) awaitsDue(ctx context.Context, a *archive.Archive, stores ...string) error {
	total := int64(0)
	err := a.Ledger.View(ctx, func(t *tx) error {
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

func notHere(q *request, t *tx) (report.Absent, error) {
	return report.NotHere(t, q.s.o.Archive.Rules, q.s.now())
}
