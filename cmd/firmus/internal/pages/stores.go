package pages

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
)

var storeRoutes = []site.Route{
	{Pattern: "GET /stores", Needs: fixity.Viewer, Do: storesPage},
	{Pattern: "GET /stores/{name}", Needs: fixity.Viewer, Do: storePage},
	{Pattern: "POST /stores/{name}/adopt", Needs: fixity.Reviewer, Do: adoptAct},
	{Pattern: "POST /stores/{name}/replace", Needs: fixity.Reviewer, Do: replaceAct},
	{Pattern: "POST /stores/{name}/retire", Needs: fixity.Reviewer, Do: retireAct},
}

func pathOf(store string) string { return "/stores/" + url.PathEscape(store) }

func storesPage(q *site.Request) error {
	var lines []storeLine
	err := q.View(func(t *ledger.Tx) error {
		away, err := notHere(q, t)
		if err == nil {
			lines, err = storeLines(q.Site, t, away)
		}
		return err
	})
	if err != nil {
		return err
	}
	return q.Render("stores", "Stores", lines)
}

type storeData struct {
	Line    storeLine
	Rule    care.Store
	Known   ledger.Store
	Roots   []rootLine
	Promise string
	Expect  string
	ReadBy  string // how many hosts read it at the same time; "" if one alone does
	Retired time.Time
	Upload  *uploadForm
	Kept    string // the mark of the kept files that were listed just now; "" if none were
	Keeps   bool   // files are put back there, so some may be kept
	Acts    bool   // a disk or cloud store: it has acts of its own
	Found   string // how it stands with it, as a sentence
	Two     bool   // a second person has to confirm that it is retired or replaced
	Waiting []proposalLine
	Person  site.Asks
}

type rootLine struct {
	Set, Root string
	Listed    time.Time
}

// storeOf finds the store of the path.
func storeOf(q *site.Request) (care.Store, error) {
	r, ok := q.Site.Archive.Rules.Store(q.PathValue("name"))
	if !ok {
		return r, fmt.Errorf("no store in use is named %q: %w", q.PathValue("name"), fixity.ErrNotFound)
	}
	return r, nil
}

func storePage(q *site.Request) error {
	rule, err := storeOf(q)
	if err != nil {
		return err
	}
	e := q.Site.Archive
	d := storeData{Rule: rule, Keeps: rule.Kind == repair.DiskKind, Kept: q.URL.Query().Get("kept"), Acts: e.Listable(rule.Kind), Person: q.Asks()}
	if rule.Kind == string(config.Cloud) {
		d.Upload = &uploadForm{Action: pathOf(rule.Name) + "/lay-out", Folders: foldersOf(q.Site), Person: d.Person}
	}
	if rule.ReadWithin > 0 {
		d.Promise = days(rule.ReadWithin)
	}
	if rule.ExpectWithin > 0 {
		d.Expect = days(rule.ExpectWithin)
	}
	err = q.View(func(t *ledger.Tx) error {
		away, err := notHere(q, t)
		if err != nil {
			return err
		}
		lines, err := storeLines(q.Site, t, away)
		if err != nil {
			return err
		}
		for _, l := range lines {
			if l.Name == rule.Name {
				d.Line = l
			}
		}
		if d.Known, err = t.Stores.Get(rule.Name); err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return err
		}
		if e.ReadAtOnce != nil {
			if d.ReadBy, err = e.ReadAtOnce(t, rule.Name); err != nil {
				return err
			}
		}
		d.Two = deciding.Of(e).StoreAsksForTwo(d.Known, "")
		d.Waiting, err = proposals(q, t, func(p ledger.Proposal) bool { return deciding.AboutStore(p, rule.Name) })
		return err
	})
	if err != nil {
		return err
	}
	d.Retired = d.Known.Retired
	d.Found = site.Sentence(strings.Replace(d.Line.Found, noDifference, fmt.Sprintf("%s in %s", noDifference, fixity.Count(d.Line.Files, "file")), 1))
	for _, set := range rule.Sets {
		l := rootLine{Set: set, Root: e.Where(rule.Name, set)}
		for _, r := range d.Known.Roots {
			if r.Set == set {
				l.Listed = r.ListedAt
			}
		}
		d.Roots = append(d.Roots, l)
	}
	return q.Render("store", "Store "+rule.Name, d)
}

// storeAct reads what the acts of a store have, with its name typed where much hangs on
// it.
func storeAct(q *site.Request, typed bool) (name, reason string, err error) {
	rule, err := storeOf(q)
	if err != nil {
		return "", "", err
	}
	if reason, err = q.Reason(); err != nil {
		return "", "", err
	}
	if typed && q.Field("typed") != rule.Name {
		return "", "", site.Refused(fmt.Sprintf("Type the name of the store, %s, to show that it is the one you mean. Nothing was done.", rule.Name))
	}
	return rule.Name, reason, nil
}

func adoptAct(q *site.Request) error {
	name, reason, err := storeAct(q, false)
	if err != nil {
		return err
	}
	return q.Act("Adopt "+name, func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		_, err := acts.Of(a).AdoptStore(ctx, name, reason)
		return site.Outcome{See: pathOf(name)}, err
	})
}

func replaceAct(q *site.Request) error {
	name, reason, err := storeAct(q, true)
	if err != nil {
		return err
	}
	return q.Watched("Replace "+name, func(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{EndStore: &deciding.EndStoreOrder{Store: name, Replace: true, Reason: reason}})
		if err != nil {
			return site.Outcome{}, err
		}
		return afterDecided(ctx, a, x, d, pathOf(name))
	})
}

// retireAct ends the use of a store. Without its name typed it only says what would be
// left.
func retireAct(q *site.Request) error {
	rule, err := storeOf(q)
	if err != nil {
		return err
	}
	reason, dry := q.Field("reason"), q.Ticked("plan")
	if !dry {
		if _, reason, err = storeAct(q, true); err != nil {
			return err
		}
	}
	return q.Act("Retire "+rule.Name, func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		o := deciding.EndStoreOrder{Store: rule.Name, Reason: reason, DryRun: dry}
		out := site.Outcome{Links: []site.Link{{Path: pathOf(rule.Name), Text: "Back to the store"}}}
		if dry {
			p, err := deciding.Of(a).EndStore(ctx, o)
			out.Lead = fmt.Sprintf("Nothing was done. %s would be left with one independent copy, %s with none that was shown to be intact.", fixity.Count(len(p.OneLeft), "file"), fixity.Count(len(p.NoneLeft), "file"))
			return out, err
		}
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{EndStore: &o})
		if err != nil || d.Proposal != 0 {
			return decided(d, ""), err
		}
		out.Lead = "The store is retired: nothing is expected there any more. Take it out of the configuration."
		return out, nil
	})
}
