package pages

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
)

var storeRoutes = []route{
	{"GET /stores", fixity.Viewer, storesPage},
	{"GET /stores/{name}", fixity.Viewer, storePage},
	{"POST /stores/{name}/adopt", fixity.Reviewer, adoptAct},
	{"POST /stores/{name}/replace", fixity.Reviewer, replaceAct},
	{"POST /stores/{name}/retire", fixity.Reviewer, retireAct},
}

func pathOf(store string) string { return "/stores/" + url.PathEscape(store) }

func storesPage(q *request) error {
	var lines []storeLine
	err := q.view(func(t *tx) error {
		away, err := notHere(q, t)
		if err == nil {
			lines, err = q.s.storeLines(t, away)
		}
		return err
	})
	if err != nil {
		return err
	}
	return q.render("stores", "Stores", lines)
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
	Person  asks
}

type rootLine struct {
	Set, Root string
	Listed    time.Time
}

// store finds the store of the path.
func (q *request) store() (care.Store, error) {
	r, ok := q.s.o.Archive.Rules.Store(q.PathValue("name"))
	if !ok {
		return r, fmt.Errorf("no store in use is named %q: %w", q.PathValue("name"), fixity.ErrNotFound)
	}
	return r, nil
}

func storePage(q *request) error {
	rule, err := q.store()
	if err != nil {
		return err
	}
	e := q.s.o.Archive
	d := storeData{Rule: rule, Keeps: rule.Kind == repair.DiskKind, Kept: q.URL.Query().Get("kept"), Acts: e.Listable(rule.Kind), Person: q.asks()}
	if rule.Kind == string(config.Cloud) {
		d.Upload = &uploadForm{Action: pathOf(rule.Name) + "/lay-out", Folders: q.s.folders(), Person: d.Person}
	}
	if rule.ReadWithin > 0 {
		d.Promise = days(rule.ReadWithin)
	}
	if rule.ExpectWithin > 0 {
		d.Expect = days(rule.ExpectWithin)
	}
	err = q.view(func(t *tx) error {
		away, err := notHere(q, t)
		if err != nil {
			return err
		}
		lines, err := q.s.storeLines(t, away)
		if err != nil {
			return err
		}
		for _, l := range lines {
			if l.Name == rule.Name {
				d.Line = l
			}
		}
		if d.Known, err = t.Stores.Get(rule.Name); err != nil && !isNotFound(err) {
			return err
		}
		if e.ReadAtOnce != nil {
			if d.ReadBy, err = e.ReadAtOnce(t, rule.Name); err != nil {
				return err
			}
		}
		d.Two = deciding.Of(e).StoreAsksForTwo(d.Known, "")
		d.Waiting, err = q.proposals(t, func(p ledger.Proposal) bool { return deciding.AboutStore(p, rule.Name) })
		return err
	})
	if err != nil {
		return err
	}
	d.Retired = d.Known.Retired
	d.Found = sentence(strings.Replace(d.Line.Found, noDifference, fmt.Sprintf("%s in %s", noDifference, fixity.Count(d.Line.Files, "file")), 1))
	for _, set := range rule.Sets {
		l := rootLine{Set: set, Root: e.Where(rule.Name, set)}
		for _, r := range d.Known.Roots {
			if r.Set == set {
				l.Listed = r.ListedAt
			}
		}
		d.Roots = append(d.Roots, l)
	}
	return q.render("store", "Store "+rule.Name, d)
}

// storeAct reads what the acts of a store have, with its name typed where much hangs on
// it.
func (q *request) storeAct(typed bool) (name, reason string, err error) {
	rule, err := q.store()
	if err != nil {
		return "", "", err
	}
	if reason, err = q.reason(); err != nil {
		return "", "", err
	}
	if typed && q.field("typed") != rule.Name {
		return "", "", refused(fmt.Sprintf("Type the name of the store, %s, to show that it is the one you mean. Nothing was done.", rule.Name))
	}
	return rule.Name, reason, nil
}

func adoptAct(q *request) error {
	name, reason, err := q.storeAct(false)
	if err != nil {
		return err
	}
	return q.act("Adopt "+name, func(ctx context.Context, a *archive.Archive) (outcome, error) {
		_, err := acts.Of(a).AdoptStore(ctx, name, reason)
		return outcome{See: pathOf(name)}, err
	})
}

func replaceAct(q *request) error {
	name, reason, err := q.storeAct(true)
	if err != nil {
		return err
	}
	return q.watched("Replace "+name, func(ctx context.Context, a *archive.Archive, x *job) (outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{EndStore: &deciding.EndStoreOrder{Store: name, Replace: true, Reason: reason}})
		if err != nil {
			return outcome{}, err
		}
		return afterDecided(ctx, a, x, d, pathOf(name))
	})
}

// retireAct ends the use of a store. Without its name typed it only says what would be
// left.
func retireAct(q *request) error {
	rule, err := q.store()
	if err != nil {
		return err
	}
	reason, dry := q.field("reason"), q.ticked("plan")
	if !dry {
		if _, reason, err = q.storeAct(true); err != nil {
			return err
		}
	}
	return q.act("Retire "+rule.Name, func(ctx context.Context, a *archive.Archive) (outcome, error) {
		o := deciding.EndStoreOrder{Store: rule.Name, Reason: reason, DryRun: dry}
		out := outcome{Links: []link{{pathOf(rule.Name), "Back to the store"}}}
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
