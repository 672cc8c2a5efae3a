package main

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/ledger"
	"firmus/fixity/spelling"
)

func (c *command) findingsCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "findings",
		Short: "Look at findings and decide about them", Long: "Without a command it lists the open findings.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.listFindings(cmd.Context(), false) },
	}
	var all bool
	list := &cobra.Command{
		Use:   "list",
		Short: "List the open findings", Long: "Lists the open findings, the most urgent first, a line each. \"firmus findings show N\" says what to do about one.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.listFindings(cmd.Context(), all) },
	}
	list.Flags().BoolVar(&all, "all", false, "the settled ones too")
	show := &cobra.Command{
		Use:   "show N",
		Short: "Show all that is known of a finding", Long: "Shows all that is known of a finding: what is wrong and where in the recording, how sure that is, each copy with when it was last read, and what to do, step by step.",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ids, err := c.numbers(cmd.Context(), args)
			if err != nil {
				return err
			}
			return c.showFinding(cmd.Context(), ids[0])
		},
	}
	cmd.AddCommand(list, show, c.signOffCommand(), c.settleCommand())
	return cmd
}

// numbers reads the numbers of findings. If a word is none, the message tells the open
// findings of the item that may be meant.
func (c *command) numbers(ctx context.Context, args []string) ([]int64, error) {
	var out []int64
	for _, a := range args {
		n, err := strconv.ParseInt(strings.Trim(a, "[]"), 10, 64)
		if err != nil || n < 1 {
			return nil, usageError{fmt.Errorf("%q is not the number of a finding%s\n\"firmus findings\" lists what is open", a, c.findingsOf(ctx, a))}
		}
		out = append(out, n)
	}
	return out, nil
}

// findingsOf is what to add to a message about a word that is no finding's number: the
// open findings of items that are called like it. Without a ledger it is "".
func (c *command) findingsOf(ctx context.Context, word string) string {
	a, err := c.open(ctx, true)
	if err != nil {
		return ""
	}
	defer a.Close()
	text := ""
	_ = a.Ledger.View(ctx, func(t *ledger.Tx) error { // only a hint
		items, err := t.Files.Items()
		if err != nil {
			return err
		}
		fs, err := t.Findings.Open("")
		if err != nil {
			return err
		}
		of := map[int64]string{}
		for _, item := range spelling.Like(word, items) {
			files, err := t.Files.OfItem(item)
			if err != nil {
				return err
			}
			for _, f := range files {
				of[f.ID] = item
			}
			var ids []string
			for _, f := range fs {
				if of[f.File] == item && f.File != 0 {
					ids = append(ids, strconv.FormatInt(f.ID, 10))
				}
			}
			if len(ids) == 0 {
				text += fmt.Sprintf(". No finding is open about %s", item)
			} else {
				text += fmt.Sprintf(". Open about %s: %s", item, strings.Join(ids, ", "))
			}
		}
		return nil
	})
	return text
}

func (c *command) listFindings(ctx context.Context, all bool) error {
	// Thousands may be open, and all are kept to the end: to look for garbage on the way there
	// is a sixth of the time.
	defer debug.SetGCPercent(debug.SetGCPercent(800))
	a, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer a.Close()
	var fs []ledger.Finding
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if all {
			fs, err = t.Findings.All()
		} else {
			fs, err = t.Findings.Open("")
		}
		return err
	}); err != nil {
		return err
	}
	if c.json {
		out := make([]report.Finding, len(fs))
		for i, f := range fs {
			out[i] = a.Finding(f, false)
		}
		c.document(map[string]any{"findings": out})
		return nil
	}
	if len(fs) == 0 {
		c.printf("No finding is open. That says nothing of what was not checked: see \"firmus report holdings\".\n")
		return nil
	}
	if !all {
		return c.printFindings(ctx, a, fs, nil, true)
	}
	for _, f := range fs {
		state := "open"
		if !f.Open() {
			state = report.Ended(f, report.Local)
		}
		c.printf("%5d  %-11s %-11s %s/%s/%s  (%s)\n", f.ID, f.Kind, f.Urgency, f.Store, f.Set, report.Show(f.Path), state)
	}
	return nil
}

func day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Local().Format("2 Jan 2006 15:04 MST")
}

func (c *command) showFinding(ctx context.Context, id int64) error {
	a, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer a.Close()
	var f ledger.Finding
	var copies []ledger.Copy
	var versions []ledger.Version
	var open []ledger.Finding // about the file
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) error {
		if f, err = t.Findings.Get(id); err != nil {
			return noFinding(id, err)
		}
		if f.File == 0 {
			return nil
		}
		if copies, err = t.Copies.Of(f.File); err != nil {
			return err
		}
		if open, err = t.Findings.Of(f.File); err != nil {
			return err
		}
		versions, err = t.Files.Versions(f.File)
		return err
	}); err != nil {
		return err
	}
	dmg, heard, err := a.Acts.DamageOf(ctx, f)
	if err != nil {
		return err
	}
	m, err := c.matter(ctx, a, f)
	if err != nil {
		return err
	}
	if c.json {
		doc := struct {
			report.Finding
			Copies []report.Copy `json:"copies"`
			Times  []timeJSON    `json:"times"` // where in the recording, if its sound is known
			Steps  []string      `json:"steps"` // what a person should do; none once it is settled
			Save   []saveJSON    `json:"save_first"`
		}{a.Finding(f, false), report.CopiesOf(copies), timesJSON(dmg), []string{}, saveOf(m)}
		if f.Open() {
			doc.Steps = report.Texts(m.Steps())
		}
		c.document(doc)
		return nil
	}
	c.printFinding(f, false, true)
	if f.Open() {
		c.printSaid(m)
		c.printMore(m, f)
		if m.Mass() {
			c.printf("      It belongs to incident %d: %s.\n", f.Incident, fixity.Count(len(m.Findings), "finding"))
		} else if len(m.Findings) > 1 {
			c.printf("      %s\n", together(m, true))
		}
		c.printSteps(m)
	} else {
		c.printf("      %s\n", report.Ended(f, report.Local))
	}
	if told := report.Told(f, report.Local); told != "" && f.Kind != fixity.Unfinished {
		c.printf("\n  How it was seen   %s\n", told)
	}
	c.printf("  First told        %s\n  Last seen         %s\n", day(f.Opened), day(f.Seen))
	for i, r := range f.Ranges {
		if i == 10 {
			c.printf("                    and %s more\n", fixity.Count(len(f.Ranges)-10, "place"))
			break
		}
		label := "  Where             "
		if i > 0 {
			label = "                    "
		}
		if r.Length == 1 {
			c.printf("%sbyte %s\n", label, fixity.Number(r.Offset))
			continue
		}
		c.printf("%sbytes %s to %s (%s)\n", label, fixity.Number(r.Offset), fixity.Number(r.Offset+r.Length-1), report.Size(r.Length))
	}
	if heard {
		c.printDamage(dmg)
		if err := c.printStave(ctx, a, m, dmg.Duration, copies, open); err != nil {
			return err
		}
	}
	if len(copies) > 0 {
		c.printf("\n  Each copy of this file\n")
		if err := c.printCopies(ctx, a, m, copies); err != nil {
			return err
		}
	}
	for _, v := range versions {
		c.printf("  Version %d         %s, SHA-256 %s\n                    %s, by %s, %s\n", v.N, report.Size(v.Size), v.SHA256.Sum, report.WhyVersion(v, versions), v.By, day(v.At))
	}
	return nil
}

// noFinding says that there is no finding of a number.
func noFinding(id int64, err error) error {
	if errors.Is(err, fixity.ErrNotFound) {
		return fmt.Errorf("there is no finding %d. \"firmus findings\" lists what is open: %w", id, err)
	}
	return fmt.Errorf("finding %d: %w", id, err)
}

// saveJSON is a file of a failing drive that few other stores hold.
type saveJSON struct {
	Set     string   `json:"set"`
	Path    string   `json:"path"`
	AlsoIn  []string `json:"also_in"`
	Base64  string   `json:"path_base64,omitempty"`
	Counted int64    `json:"other_copies"` // that are independent
}

func saveOf(m report.Matter) []saveJSON {
	out := []saveJSON{}
	for _, x := range m.Fewest {
		shown, exact := report.Path(x.File.Path)
		out = append(out, saveJSON{x.File.Set, shown, notNil(x.In), exact, x.Others})
	}
	return out
}

// timeJSON is a stretch of a recording as JSON.
type timeJSON struct {
	From     string `json:"from"`
	To       string `json:"to"`
	Channels []int  `json:"channels"` // 1 is the first (left); null if all, or not known
	InSound  bool   `json:"in_sound"` // false: in the description in the file
	About    bool   `json:"about"`
}

func timesJSON(d acts.Damage) []timeJSON {
	out := []timeJSON{}
	for _, s := range d.Spans {
		out = append(out, timeJSON{damage.Clock(s.From), damage.Clock(s.To), s.Channels, s.InSound, s.About})
	}
	return out
}

// printDamage says where in the recording the damage is heard, with a picture of it.
func (c *command) printDamage(d acts.Damage) {
	for i, s := range d.Spans {
		if i == 10 {
			c.printf("                    and %s more\n", fixity.Count(len(d.Spans)-10, "place"))
			break
		}
		label := "  In the recording  "
		if i > 0 {
			label = "                    "
		}
		if !s.InSound {
			c.printf("%sin the description in the file, outside the sound itself\n", label)
			continue
		}
		about := ""
		if s.About {
			about = "about "
		}
		ch := ""
		if len(s.Channels) > 0 {
			ch = fmt.Sprintf(", channel %s only", strings.Trim(strings.ReplaceAll(fmt.Sprint(s.Channels), " ", ", "), "[]"))
		}
		from, to := damage.Clock(s.From), damage.Clock(s.To)
		if to = " to " + to; to == " to "+from {
			to = ""
		}
		c.printf("%s%s%s%s of %s%s\n", label, about, from, to, damage.Clock(d.Duration), ch)
	}
}

// staveWidth is how many signs wide a stave is drawn.
const staveWidth = 52

// printStave draws the copies of a file, one line each.
func (c *command) printStave(ctx context.Context, a *app.App, m report.Matter, length time.Duration, copies []ledger.Copy, findings []ledger.Finding) error {
	var away report.Absent
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		away, err = report.NotHere(t, a.Acts.Rules, a.Acts.Now())
		return err
	}); err != nil {
		return err
	}
	s, err := m.Stave(copies, findings, length, away, a.Acts.Hurt(ctx))
	if err != nil {
		return err
	}
	c.printf("\n")
	for _, line := range s.Lines(staveWidth) {
		c.printf("    %s\n", line)
	}
	return nil
}

// printCopies gives a row to each store, with when and how the copy was last known, and
// where it lies.
func (c *command) printCopies(ctx context.Context, a *app.App, m report.Matter, copies []ledger.Copy) error {
	var away report.Absent
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		away, err = report.NotHere(t, a.Acts.Rules, a.Acts.Now())
		return err
	}); err != nil {
		return err
	}
	disputed := report.InDispute(copies)
	for _, x := range copies {
		rule, _ := a.Acts.Rules.Store(x.Store)
		place := x.Store
		if rule.Place != "" {
			place += " (" + rule.Place + ")"
		}
		if x.Disc != "" {
			place = "disc " + x.Disc
		}
		is, known := m.CopyInWords(x, disputed)
		c.printf("    %-30s %-11s %s\n", place, is, away.Of(x.Store, a.Acts.Now(), known))
		if p := m.PlaceOf(m.Findings[0], x); p != "" && x.Carrier == 0 {
			c.printf("      %s\n", report.ShowPlace(p))
		}
	}
	return nil
}

func (c *command) signOffCommand() *cobra.Command {
	var o deciding.SignOffOrder
	cmd := &cobra.Command{
		Use:   "signoff N…",
		Short: "Accept what findings tell of",
		Long: `Accepts a change. What that means depends on the store. In the store where files arrive,
an altered file becomes a new version, a missing one is retired, a misplaced one is
renamed everywhere. In another store you can only leave in peace what is unexpected. If
a file is disputed, the version that you sign off becomes the right one, in any store.

A master is frozen, and so is a version that was decided in a dispute. Say what the
change is:

  --new-transfer     It is a better transfer: a whole sound file that shares less than
                     half of its blocks with the version. Copies of the old one stay.
  --description      The description was changed. The sound is proved the same.
  --lost-otherwise   Nothing better can be had. Firmus refuses this while a copy or disc
                     holds the version, or damaged copies together hold all of it.
  --master           The change is meant. Firmus refuses this likewise, and while
                     another copy could not be looked at.
  --keep-current     A dispute: the present version is the right one.

An access file that looks damaged is refused likewise, until you say that it is not:

  --edited           Somebody edited it on purpose, and you listened to it.

--incident signs off a whole reorganisation. Type how many files it is with --files.`,
		Args: cobra.ArbitraryArgs,
	}
	cmd.Flags().StringVar(&o.Reason, "reason", "", "why (needed)")
	cmd.Flags().BoolVar(&o.Master, "master", false, "the change of a master is meant")
	cmd.Flags().BoolVar(&o.NewTransfer, "new-transfer", false, "a better transfer, made on purpose")
	cmd.Flags().BoolVar(&o.Description, "description", false, "the description was changed; the sound is the same")
	cmd.Flags().BoolVar(&o.LostOtherwise, "lost-otherwise", false, "nothing better can be had")
	cmd.Flags().BoolVar(&o.Edited, "edited", false, "an access file was edited on purpose, though it looks like damage")
	cmd.Flags().BoolVar(&o.KeepCurrent, "keep-current", false, "a dispute: the present version is the right one")
	cmd.Flags().Int64Var(&o.Incident, "incident", 0, "all open findings of this `INCIDENT`")
	cmd.Flags().Int64Var(&o.Files, "files", 0, "how many files that is, typed if it is more than 20")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		var err error
		if o.Findings, err = c.numbers(cmd.Context(), args); err != nil {
			return err
		}
		if len(args) == 0 && o.Incident == 0 {
			return usageError{errors.New("name the findings by their numbers, or an incident")}
		}
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		done, err := a.Deciding.Decide(cmd.Context(), deciding.Decision{SignOff: &o})
		return errors.Join(c.showDone(done), err) // what was signed off is told though what follows failed
	}
	return cmd
}

func (c *command) settleCommand() *cobra.Command {
	var o deciding.SettleOrder
	cmd := &cobra.Command{
		Use:   "settle N…",
		Short: "Close findings with a reason",
		Long: `Closes findings. What they tell of stays as it is. It isn't reported again while it
stays just the same, and it doesn't count as an intact copy.

--like N is one decision for a class: all open findings of the same store, set,
kind and anatomy as N. If they are more than 20, type how many.`,
		Args: cobra.ArbitraryArgs,
	}
	cmd.Flags().StringVar(&o.Reason, "reason", "", "why (needed)")
	cmd.Flags().Int64Var(&o.Like, "like", 0, "all open findings of the class of `N`")
	cmd.Flags().Int64Var(&o.Files, "files", 0, "how many findings that is, typed if it is more than 20")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		var err error
		if o.Findings, err = c.numbers(cmd.Context(), args); err != nil {
			return err
		}
		if len(args) == 0 && o.Like == 0 {
			return usageError{errors.New("name the findings by their numbers, or a class by one of it")}
		}
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		done, err := a.Deciding.Decide(cmd.Context(), deciding.Decision{Settle: &o})
		if err != nil {
			return err
		}
		return c.showDone(done)
	}
	return cmd
}
