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
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var workRoutes = []site.Route{
	{Pattern: "GET /work", Needs: fixity.Technician, Do: workPage},
	{Pattern: "POST /work/receive", Needs: fixity.Technician, Do: receiveAct},
	{Pattern: "POST /work/intake", Needs: fixity.Technician, Do: intakeAct},
	{Pattern: "POST /work/recognise", Needs: fixity.Technician, Do: recogniseAct},
	{Pattern: "POST /work/finish", Needs: fixity.Technician, Do: finishAct},
	{Pattern: "POST /work/audit", Needs: fixity.Technician, Do: auditAct},
}

type workData struct {
	Folders  []folder
	Sets     []string
	Editing  []fileLine
	More     bool
	Stores   []storeChoice
	Jobs     []site.JobNow
	Drive    string
	Arrivals string // the store where new files appear
	Reviewer bool
	Person   site.Asks
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

func workPage(q *site.Request) error {
	e := q.Site.Archive
	d := workData{Folders: foldersOf(q.Site), Sets: e.Rules.SetNames(), Drive: q.Site.Drive, Reviewer: q.Who.Role.May(fixity.Reviewer), Person: q.Asks()}
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
	d.Jobs = q.Runs()
	err := q.View(func(t *ledger.Tx) error {
		for _, set := range e.Rules.Sets {
			if set.Role != fixity.Access {
				continue
			}
			files, err := t.Files.NotFinished(set.Name, q.Site.Now().Add(-set.Editing), mostFiles+1-len(d.Editing))
			if err != nil {
				return err
			}
			for _, f := range files {
				d.Editing = append(d.Editing, fileLine{f.Set + "/" + f.Path, site.Shown(f.Set + "/" + f.Path)})
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
	return q.Render("work", "Work", d)
}

// mostFolders is how many folders a form offers.
const mostFolders = 300

// foldersOf are those that may be chosen as a source: what is plugged in, what the
// configuration names, and two levels of folders in them. Never the whole computer.
func foldersOf(s *site.Site) (out []folder) {
	if s.Sources == nil {
		return nil
	}
	var add func(dir string, depth int)
	add = func(dir string, depth int) {
		if len(out) >= mostFolders {
			return
		}
		out = append(out, folder{dir, site.Shown(dir)})
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
	for _, dir := range s.Sources() {
		add(dir, 2)
	}
	return out
}

// sourceOf is the folder that was chosen: one below those that may be, whatever links lie
// on the way.
func sourceOf(q *site.Request) (string, error) {
	dir := q.PostFormValue("folder")
	if dir == "" || q.Site.Sources == nil {
		return "", site.Refused("Choose a folder.")
	}
	not := site.Status{Code: 403, Title: "This folder is not one to choose from", Text: "Folders are chosen from what is plugged in, and from those that the configuration names as [work] sources. Nothing was done."}
	real, err := filepath.EvalSymlinks(dir)
	if err != nil || !filepath.IsAbs(dir) {
		return "", not
	}
	for _, may := range q.Site.Sources() {
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

func receiveAct(q *site.Request) error {
	dir, err := sourceOf(q)
	if err != nil {
		return err
	}
	set, item := q.Field("set"), strings.Trim(q.Field("item"), "/")
	if item == "" || strings.ContainsFunc(item, site.Hidden) {
		return site.Refused("Say which reel it is: the name of its folder, such as QV-0107.")
	}
	o := receiving.ReceiveOrder{Name: dir, Into: set + "/" + item, Reason: q.Field("reason")}
	for side := range strings.SplitSeq(q.Field("sides"), ",") {
		if side = strings.TrimSpace(side); side != "" {
			o.Sides = append(o.Sides, side)
		}
	}
	return q.Watched("Receive "+site.Shown(set+"/"+item), func(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
		x.Then("keep the stick until a second store was read, too. Play the beginning, the middle and the end of each side.")
		o.Found = func(bytes int64) { x.Expects(bytes, 0) }
		if o.Source, err = a.Folder(dir); err != nil {
			return site.Outcome{}, err
		}
		res, err := receiving.Of(a).Receive(ctx, o)
		if err != nil {
			return site.Outcome{}, err
		}
		out := site.Outcome{Lead: site.Sentence("KEEP THE STICK: " + res.Why)}
		if res.Erase {
			out.Lead = site.Sentence("The stick may be erased: " + res.Why)
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
		out.Links = site.FindingLinks(res.Intake.Findings)
		return out, nil
	})
}

func recogniseAct(q *site.Request) error {
	dir, err := sourceOf(q)
	if err != nil {
		return err
	}
	return q.Act("Recognise "+site.Shown(dir), func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		from, err := a.Folder(dir)
		if err != nil {
			return site.Outcome{}, err
		}
		res, err := receiving.Of(a).Recognise(ctx, dir, from)
		if err != nil {
			return site.Outcome{}, err
		}
		out := site.Outcome{Lead: site.Sentence("May it be erased? No: " + res.Because)}
		if res.MayErase {
			out.Lead = site.Sentence("May it be erased? Yes: " + res.Because)
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

func finishAct(q *site.Request) error {
	files := q.PostForm["file"]
	if len(files) == 0 {
		return site.Refused("Tick the files that are finished.")
	}
	if len(files) > mostFiles {
		return site.Refused("Those are too many at once.")
	}
	reason := q.Field("reason")
	return q.Act("Finish "+fixity.Count(len(files), "file"), func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		done, err := deciding.Of(a).Finish(ctx, files, reason)
		if err != nil {
			return site.Outcome{}, err
		}
		b := sheet.Block{}
		for _, f := range done {
			b.List = append(b.List, f.Set+"/"+f.Path)
		}
		return site.Outcome{Lead: fixity.Counted(len(done), "file", "is", "are") + " finished. A change waits for a sign-off from now on.", Blocks: []sheet.Block{b}, Links: []site.Link{{Path: "/work", Text: "Back to work"}}}, nil
	})
}

// auditAct looks at a store now: what is due, or all of it.
func auditAct(q *site.Request) error {
	store, full := q.Field("store"), q.Ticked("full")
	rule, ok := q.Site.Archive.Rules.Store(store)
	if !ok || !q.Site.Archive.Listable(rule.Kind) {
		return fixity.ErrNotFound
	}
	what := "Read " + store
	only, under, _ := strings.Cut(q.Field("only"), "/")
	if only != "" {
		if !rule.Holds(only) {
			return site.Refused(fmt.Sprintf("%s keeps no set that is called %s. Begin with the set, such as %s/QV-0107.", store, site.Shown(only), rule.Sets[0]))
		}
		what += ": " + site.Shown(only+"/"+under)
	}
	return q.Watched(what, func(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
		x.Then(thenFindings)
		if only == "" && (full || rule.Visiting) {
			n, err := bytesIn(ctx, a, store)
			if err != nil {
				return site.Outcome{}, err
			}
			x.Expects(n, 0)
		} else if only == "" {
			if err := x.AwaitsDue(ctx, a, store); err != nil {
				return site.Outcome{}, err
			}
		}
		return audited(ctx, a, acts.AuditOrder{Stores: []string{store}, Full: full || rule.Visiting, Set: only, Under: under})
	})
}

// thenFindings says what comes once an audit is done.
const thenFindings = "what differs stands under Findings."

// audited audits, and says what came of it.
func audited(ctx context.Context, a *archive.Archive, o acts.AuditOrder) (site.Outcome, error) {
	rs, err := acts.Of(a).Audit(ctx, o)
	if err != nil {
		return site.Outcome{}, err
	}
	var out site.Outcome
	for _, r := range rs {
		b := sheet.Block{Facts: [][2]string{{"listed", fixity.Count(r.Listed, "file")}, {"read", fixity.Count(r.Read, "file") + ", " + report.Size(r.Bytes)}}}
		switch {
		case len(r.Away) > 0:
			out.Lead = site.Sentence(r.Store + " is away: " + report.Facts(r.Away, report.Local))
		case len(r.Trouble) > 0:
			out.Lead = site.Sentence("It could not be finished: " + report.Plainly(strings.Join(r.Trouble, "; ")))
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
		out.Links = append(out.Links, site.FindingLinks(report.Ordered(r.Findings))...)
	}
	return out, nil
}

// bytesIn is how much a store holds: what a full audit of it reads.
func bytesIn(ctx context.Context, a *archive.Archive, store string) (n int64, err error) {
	err = a.Ledger.View(ctx, func(t *ledger.Tx) error {
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

func notHere(q *site.Request, t *ledger.Tx) (report.Absent, error) {
	return report.NotHere(t, q.Site.Archive.Rules, q.Site.Now())
}
