package main

import (
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

func (c *command) auditCommand() *cobra.Command {
	var o acts.AuditOrder
	var wait string
	cmd := &cobra.Command{
		Use:   "audit [STORE…]",
		Short: "List every file of a store and read what is due",
		Long: `Lists everything in the stores, compares it with the ledger, and reads what is
due by each store's read_within. With --full it reads everything. Without a name
it audits every disk and cloud store. If it finds something, it reads the file's
other copies at once.

If a full audit was cut off, the next full one of the same stores within a day goes on
where it ended.`,
		Args:              cobra.ArbitraryArgs,
		ValidArgsFunction: c.completeStores,
	}
	cmd.Flags().BoolVar(&o.Full, "full", false, "read every byte, not only what is due")
	cmd.Flags().StringVar(&o.Set, "set", "", "only the set `NAME` counts")
	cmd.Flags().StringVar(&o.Under, "under", "", "only what lies at or below this `PATH` of the set counts")
	cmd.Flags().StringVar(&wait, "wait", "", "`TIME` to wait for a store that somebody else works on, such as 10m or 2h")
	cache := cacheFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		var err error
		if o.Cache, err = cache(); err != nil {
			return err
		}
		if o.Wait, err = duration(wait); err != nil {
			return err
		}
		o.Stores = args
		o.Under = strings.Trim(filepath.ToSlash(o.Under), "/")
		return c.audit(cmd.Context(), o)
	}
	return cmd
}

func duration(s string) (time.Duration, error) {
	if s == "" {
		return 0, nil
	}
	var d config.Duration
	if err := d.UnmarshalText([]byte(s)); err != nil {
		return 0, usageError{fmt.Errorf("--wait: %w", err)}
	}
	return time.Duration(d), nil
}

func (c *command) audit(ctx context.Context, o acts.AuditOrder) error {
	a, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer a.Close()
	return c.auditWith(ctx, a, o)
}

func (c *command) auditWith(ctx context.Context, a *app.App, o acts.AuditOrder) error {
	if err := a.Acts.Scope(ctx, o); err != nil {
		return err
	}
	c.sayOverTheNet(ctx, a, o)
	c.startProgress(c.toRead(ctx, a, o))
	var left []acts.NotAudited
	o.LeftOut = func(x acts.NotAudited) { left = append(left, x) }
	results, err := a.Acts.Audit(ctx, o)
	c.progress.stop()
	for _, r := range results {
		c.exit = max(c.exit, r.Exit())
	}
	if err != nil {
		c.exit = max(c.exit, statusOf(err))
	}
	if c.json && (err == nil || len(results) > 0) {
		doc := map[string]any{"audits": auditsJSON(a, results), "exit": c.exit}
		if err != nil {
			doc["error"] = err.Error()
		}
		if len(left) > 0 {
			doc["not_audited"] = notAudited(left)
		}
		c.document(doc)
	} else {
		for i, r := range results {
			if i > 0 {
				c.printf("\n")
			}
			if err := c.printAudit(ctx, a, r); err != nil {
				return err
			}
		}
	}
	return err
}

// toRead is how many bytes a full audit will read, 0 if that isn't known.
func (c *command) toRead(ctx context.Context, a *app.App, o acts.AuditOrder) (total int64) {
	if !o.Full || o.Under != "" {
		return 0
	}
	_ = a.Ledger.View(ctx, func(t *ledger.Tx) error { // progress may lack its total
		all, err := t.Copies.Tallies()
		for _, x := range all {
			if (len(o.Stores) == 0 || slices.Contains(o.Stores, x.Store)) && (o.Set == "" || x.Set == o.Set) {
				total += x.Bytes
			}
		}
		return err
	})
	return total
}

// sayOverTheNet says how much a full audit reads of the stores that are read over the
// net: the bound of a day is for what is read because its turn has come.
func (c *command) sayOverTheNet(ctx context.Context, a *app.App, o acts.AuditOrder) {
	if !o.Full || o.Under != "" {
		return
	}
	for _, s := range a.Config.Stores {
		if s.Kind != config.Cloud || len(o.Stores) > 0 && !slices.Contains(o.Stores, s.Name) {
			continue
		}
		if n := c.toRead(ctx, a, acts.AuditOrder{Full: true, Stores: []string{s.Name}, Set: o.Set}); n > 0 {
			c.say("%s: all of it is read over the net, %s, also what is beyond its read_a_day (%s)", s.Name, report.Size(n), report.Size(int64(s.ReadADay)))
		}
	}
}

// auditJSON is the audit of one store as JSON (command-line contract).
type auditJSON struct {
	Store      string           `json:"store"`
	Kind       string           `json:"kind"`
	Adopted    bool             `json:"adopted"`
	Complete   bool             `json:"complete"`
	Full       bool             `json:"full"`
	Cache      fixity.Cache     `json:"cache"`
	Away       []string         `json:"away"`
	Listed     int64            `json:"listed"`
	Read       int64            `json:"read"`
	ReadBefore int64            `json:"read_before"`
	Bytes      int64            `json:"bytes"`
	Hosts      map[string]int64 `json:"hosts,omitempty"`
	PutOff     int64            `json:"put_off"`
	PutOffLen  int64            `json:"put_off_bytes"`
	Intact     int64            `json:"intact"`
	Awaited    int64            `json:"awaited"`
	Behind     int64            `json:"behind"`
	Editing    int64            `json:"editing"`
	Disputed   int64            `json:"disputed"`
	New        int64            `json:"new"`
	LeftOut    int64            `json:"left_out"`
	Settled    int64            `json:"settled"`
	Trouble    []string         `json:"trouble"`
	Warnings   []string         `json:"warnings"`
	Findings   []report.Finding `json:"findings"`
	PutRight   []report.Finding `json:"put_right"`
	Exit       int              `json:"exit"`
}

func auditsJSON(a *app.App, rs []acts.AuditResult) []auditJSON {
	out := []auditJSON{}
	for _, r := range rs {
		j := auditJSON{Store: r.Store, Kind: r.Kind, Adopted: r.Adopted, Complete: r.Complete, Full: r.Audit.Full, Cache: r.Cache,
			Away: notNil(report.Each(r.Away)), Listed: r.Listed, Read: r.Read, ReadBefore: r.ReadBefore, Bytes: r.Bytes, Hosts: r.ReadBy, PutOff: r.PutOff, PutOffLen: r.PutOffLen,
			Intact: r.States[fixity.Intact], Awaited: r.States[fixity.Awaited], Behind: r.States[fixity.Behind], Editing: r.States[fixity.Editing], Disputed: r.States[fixity.Disputed],
			New: r.New, LeftOut: r.LeftOut, Settled: r.Settled, Trouble: notNil(r.Trouble), Warnings: notNil(r.Warnings), Findings: []report.Finding{}, PutRight: []report.Finding{}, Exit: r.Exit()}
		for _, f := range r.PutRight {
			j.PutRight = append(j.PutRight, a.Finding(f, false))
		}
		for _, f := range r.Findings {
			j.Findings = append(j.Findings, a.Finding(f, r.Fresh[f.ID]))
		}
		out = append(out, j)
	}
	return out
}

// notAuditedJSON is a store that an audit of all of them left out: it is reached from other hosts
// alone. Having are those of them that run and have found it.
type notAuditedJSON struct {
	Store  string   `json:"store"`
	Kind   string   `json:"kind"`
	Hosts  []string `json:"hosts"`
	Having []string `json:"having"`
	Why    string   `json:"why"`
}

func notAudited(all []acts.NotAudited) (out []notAuditedJSON) {
	for _, x := range all {
		out = append(out, notAuditedJSON{x.Store, x.Kind, notNil(x.Hosts), notNil(x.Having), x.String()})
	}
	return out
}

// readBy names the hosts that read, and how many files each.
func readBy(hosts map[string]int64) string {
	var words []string
	for _, h := range slices.Sorted(maps.Keys(hosts)) {
		words = append(words, h+" ("+fixity.Number(hosts[h])+")")
	}
	return fixity.And(words)
}

func notNil(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

func (c *command) printAudit(ctx context.Context, a *app.App, r acts.AuditResult) error {
	rule, _ := a.Acts.Rules.Store(r.Store)
	c.printf("%s", r.Store)
	if rule.Place != "" {
		c.printf(" (%s)", rule.Place)
	}
	c.printf("\n")
	for i, w := range report.Each(r.Away) {
		if r.Away[i].Is == fixity.NoFolder {
			c.printf("  %s NOT FOUND: %s.\n", strings.ToUpper(r.Store), w)
		} else if r.Promised && !r.Adopted {
			c.printf("  awaited: %s\n", w)
		} else if r.Promised {
			c.printf("  away, as may be: %s\n", w)
		} else {
			c.printf("  AWAY: %s\n", w)
		}
	}
	if r.Audit.ID != 0 {
		c.printf("  %s listed, %s read (%s)%s\n", fixity.Count(r.Listed, "file"), fixity.Number(r.Read), report.Size(r.Bytes), before(r))
		if len(r.ReadBy) > 1 {
			c.printf("  read by %s\n", readBy(r.ReadBy))
		}
		if r.PutOff > 0 {
			c.printf("  The day's bytes are read; %s (%s) whose turn has come go on tomorrow.\n", fixity.Count(r.PutOff, "file"), report.Size(r.PutOffLen))
		}
		if r.Cache == fixity.Allowed && r.Read > 0 {
			c.printf("  The system's memory was allowed to answer: this may not have been a reading of the drive.\n")
		}
	}
	counts := []string{}
	for _, s := range []fixity.State{fixity.Intact, fixity.Editing, fixity.Behind, fixity.Awaited, fixity.Disputed} {
		if n := r.States[s]; n > 0 || s == fixity.Intact {
			counts = append(counts, fmt.Sprintf("%s %s", fixity.Number(n), s)+howMuchOf(s, r.Intact))
		}
	}
	for _, x := range []struct {
		n    int64
		what string
	}{{r.New, "new (not yet taken in)"}, {r.LeftOut, "left out as litter"}, {r.Settled, "not intact and settled"}} {
		if x.n > 0 {
			counts = append(counts, fmt.Sprintf("%s %s", fixity.Number(x.n), x.what))
		}
	}
	nothing := r.Audit.ID != 0 && r.Listed == 0 && len(r.Findings) == 0 && !slices.ContainsFunc(slices.Collect(maps.Values(r.States)), func(n int64) bool { return n > 0 })
	switch {
	case r.Audit.ID == 0 && len(r.Trouble) > 0:
		// it could not even begin, and says why
	case nothing:
		what := "no file of it is under care"
		if r.Audit.Set != "" {
			what = "no file of " + r.Audit.Set + " is under care here"
		}
		if r.Audit.Under != "" {
			what = fmt.Sprintf("no file under care lies at or below %q here", r.Audit.Under)
		}
		c.printf("  Nothing was checked: %s", what)
		if len(counts) > 1 { // the first is that none is intact
			c.printf(" (%s)", strings.Join(counts[1:], ", "))
		}
		c.printf(".\n")
	case r.Audit.ID == 0 && len(r.Away) == 0:
		c.printf("  nothing is under care here yet: \"firmus intake\" begins it\n")
	default:
		seen := ""
		if len(r.Away) > 0 {
			seen = c.lastSeen(ctx, a, r.Store)
		}
		c.printf("  %s%s\n", seen, strings.Join(counts, ", "))
	}
	for _, t := range r.Trouble {
		c.printf("  NOT FINISHED: %s\n", t)
	}
	for _, w := range r.Warnings {
		c.printf("  %s\n", w)
	}
	for i, f := range r.PutRight {
		if i == shownPutRight {
			c.printf("  and %s more put right\n", fixity.Number(int64(len(r.PutRight)-i)))
			break
		}
		c.printf("  [%d] PUT RIGHT: %s\n", f.ID, report.Was(f))
	}
	if err := c.printFindings(ctx, a, r.Findings, r.Fresh, false); err != nil {
		return err
	}
	if !nothing && r.Complete && len(r.Findings) == 0 && len(r.Trouble) == 0 && len(r.Away) == 0 && r.Audit.ID != 0 {
		c.printf("  No finding is open on what was checked.\n")
	}
	return nil
}

// howMuchOf is of how many items the intact files are, and how long their sound is.
func howMuchOf(s fixity.State, a ledger.Amount) string {
	if s != fixity.Intact || a.Items == 0 || a.Sound < time.Second {
		return ""
	}
	return fmt.Sprintf(" (of %s, %s)", fixity.Count(a.Items, "item"), report.Sound(a.Sound))
}

// lastSeen begins what is said of a store that isn't here.
func (c *command) lastSeen(ctx context.Context, a *app.App, store string) string {
	var known ledger.Store
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { known, err = t.Stores.Get(store); return err }); err != nil || known.Seen.IsZero() {
		return ""
	}
	return "when last seen, " + report.Day(known.Seen, a.Acts.Now()) + ": "
}

func before(r acts.AuditResult) string {
	if r.ReadBefore == 0 {
		return ""
	}
	return fmt.Sprintf("; %s were read before it was cut off", fixity.Number(r.ReadBefore))
}

// shownPutRight is how many findings that ended an audit names.
const shownPutRight = 20

// matter is what a finding belongs to, with what to do.
func (c *command) matter(ctx context.Context, a *app.App, f ledger.Finding) (m report.Matter, err error) {
	err = a.Ledger.View(ctx, func(t *ledger.Tx) error {
		m, err = report.MatterOf(t, a.Acts.Rules, a.Where(), f)
		return err
	})
	return m, err
}

// printSteps says what to do, and what to save first from a failing drive.
func (c *command) printSteps(m report.Matter) {
	steps := m.Steps()
	for i, s := range steps {
		mark := "-"
		if len(steps) > 1 {
			mark = fmt.Sprintf("%d.", i+1)
		}
		c.printf("      %s %s\n", mark, s.Text)
		for _, row := range s.Rows() {
			c.printf("           %s\n", row)
		}
		if len(s.Then) > 0 {
			c.printf("         %s\n", s.Then)
		}
	}
	if len(m.Fewest) == 0 {
		return
	}
	c.printf("      What has the fewest other copies, on %s:\n", m.Findings[0].Store)
	for _, x := range m.Fewest {
		in := "no other store was shown to hold it"
		if len(x.In) > 0 {
			in = "also in " + strings.Join(x.In, ", ")
		}
		c.printf("        %s  %s\n           FROM  %s\n", report.Show(x.File.Set+"/"+x.File.Path), in, report.ShowPlace(m.SaveFrom(x)))
	}
}

// printSaid is what a service tells of the file, beside what was read.
func (c *command) printSaid(m report.Matter) {
	if s := report.Said(m.Findings[0], m.Rules); s != "" {
		c.printf("      %s\n", s)
	}
}

// printMore is what is to be told of a finding besides what it is.
func (c *command) printMore(m report.Matter, f ledger.Finding) {
	for _, s := range m.More(f) {
		c.printf("      %s\n", s)
	}
}

func (c *command) printFinding(f ledger.Finding, fresh, withStore bool) {
	mark := ""
	if fresh {
		mark = " new"
	}
	at := where(f, withStore)
	if f.Subject == fixity.OfRegister {
		at = "register"
	}
	c.printf("  [%d]%s %s: %s, %s\n", f.ID, mark, report.Heading(f), f.Kind, at)
	c.printf("      %s\n", report.What(f, report.Local))
	if g := report.Good(f); g != "" {
		c.printf("      %s\n", g)
	}
}

// completeStores completes names of stores from the configuration.
func (c *command) completeStores(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
	cfg, err := c.load()
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	var names []string
	for _, s := range cfg.Stores {
		if !slices.Contains(args, s.Name) {
			names = append(names, s.Name)
		}
	}
	return names, cobra.ShellCompDirectiveNoFileComp
}
