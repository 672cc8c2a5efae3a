package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/repair"
)

func (c *command) recoverCommand() *cobra.Command {
	var o recovering.Order
	var drill bool
	var ready string
	cmd := &cobra.Command{
		Use:   "recover N… | --incident N | --store NAME | --drill [N]",
		Short: "Put an intact copy's bytes in the place of what is damaged or lacks",
		Long: `Puts right what findings tell of, an incident, or all of a store. What is damaged or
an earlier version gets the bytes of an intact copy. What lacks is copied. What lies
elsewhere in its store is moved back.

The copy that gives the bytes is read in full, and must be the version. The new file is
written beside the old one, read back, and takes its place in one step. It is then read
at its place, and only that ends the finding. Nothing is deleted: the damaged file is
kept in the folder .firmus-kept of the store. After a kill say the same again.

Look with --dry-run first. If a program keeps the folder in step with another one or
with a cloud, pause it on every computer that has it, and say --paused.

--from can name a disc as well, such as "QD-0031 A", which lies in the drive or is an image
(--drive, --image). What it gives is kept for a week. If sectors of it can't be read, put in
another disc that holds the file, and name that one: what the two give is joined. An audio
disc gives back only files of 16 bits, stereo, at 44.1 kHz.

A cloud is only read. With --to-upload DIR the intact files for it are laid in the new
folder DIR, as the cloud has them, with a list of what to upload where. If it was
stopped, the same order goes on with DIR. When all is uploaded, audit the cloud.

--drill proves that files can be brought back: it copies some files of each store (10,
or N) into a scratch folder, holds them against their versions, and removes them again.
"firmus store list" shows the last drill of each store.

Nothing is written to a disc, or to a drive that fails. 0: put back and read
back. 1: no intact copy is at hand, or something can't be put right this way. 3: not
finished.`,
		Args: cobra.ArbitraryArgs,
	}
	cmd.Flags().Int64Var(&o.Incident, "incident", 0, "all open findings of incident `N`")
	cmd.Flags().StringVar(&o.Store, "store", "", "all that isn't whole in the store `NAME`")
	cmd.Flags().StringVar(&o.From, "from", "", "the `STORE` or disc that is to give the bytes; else the best that is known")
	cmd.Flags().StringVar(&o.Drive, "drive", "", "`DEVICE` of the drive with the disc (default the one of the configuration)")
	cmd.Flags().StringVar(&o.Image, "image", "", "an image `FILE` of the disc: .iso, or a cue sheet with raw sectors")
	cmd.Flags().BoolVar(&o.DryRun, "dry-run", false, "only say what would be done")
	cmd.Flags().BoolVar(&o.Paused, "paused", false, "the program that keeps the folder in step is paused, on every computer that has it")
	cmd.Flags().StringVar(&o.Reason, "reason", "", "why")
	cmd.Flags().StringVar(&ready, "to-upload", "", "lay what is to be uploaded to a cloud in the new folder `DIR`")
	cmd.Flags().BoolVar(&drill, "drill", false, "prove with some files of each store that they can be brought back")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if drill {
			if o.Store != "" || o.Incident != 0 || o.From != "" || o.Drive != "" || o.Image != "" || o.DryRun || o.Paused || o.Reason != "" {
				return usageError{errors.New("--drill puts nothing right and tries all stores: only a number of files goes with it")}
			}
			return c.drill(cmd.Context(), args)
		}
		var err error
		if o.Findings, err = c.numbers(cmd.Context(), args); err != nil {
			return err
		}
		if (len(args) > 0 || o.Incident != 0) == (o.Store != "") {
			return usageError{errors.New("name findings by their numbers, an incident, or one store")}
		}
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		uploaded := func(_, _ string) error { return nil }
		if !o.DryRun && onTerminal(c.in) {
			o.Agree = c.agree
		}
		if ready != "" {
			up, err := guarded.Of(a.Config).Uploads(ready)
			if err != nil {
				return err
			}
			defer up.Close()
			o.Upload, uploaded = up.Lay, up.Done
		}
		if err := c.whereDisc(cmd.Context(), a, &o); err != nil {
			return err
		}
		c.startProgress(0)
		o.Done = func(done, of int) { c.progress.ofFiles(done, of) }
		res, err := a.Recovering.Recover(cmd.Context(), o)
		c.progress.stop()
		if len(res.Items) > 0 && (err == nil || !errors.Is(err, errNotAgreed)) {
			c.exit = max(c.exit, recoverStatus(res))
			if err != nil {
				c.exit = max(c.exit, statusOf(err))
			}
			if err == nil {
				err = uploaded(recovering.UploadList, res.Uploads())
			}
			c.showRecovery(res, err == nil)
		} else if err == nil {
			c.showRecovery(res, true)
		}
		return err
	}
	return cmd
}

// whereDisc completes an order for bytes from a disc.
func (c *command) whereDisc(ctx context.Context, a *app.App, o *recovering.Order) error {
	_, isStore := a.Config.Store(o.From)
	if o.From == "" || isStore {
		if o.Drive != "" || o.Image != "" {
			return usageError{errors.New("--drive and --image say where a disc is: name the disc with --from")}
		}
		return nil
	}
	if _, _, err := a.Discs.Named(ctx, o.From); err != nil || o.DryRun {
		return nil // the order is refused, with what there is
	}
	at := checking.Order{At: discs.At{Drive: o.Drive, Image: o.Image}}
	if err := discOrder(a, &at, nil); err != nil {
		return err
	}
	o.Drive, o.Image = at.At.Drive, at.At.Image
	if o.Drive != "" {
		c.say("%s", caution)
	}
	o.Progress = func(done, of int64) { c.progress.ofDisc(done, of) }
	return nil
}

var errNotAgreed = fmt.Errorf("nothing was touched, as you said: %w", fixity.ErrRefused)

// agree shows the plan to a person at the terminal and asks.
func (c *command) agree(res recovering.Result) error {
	c.progress.clear()
	w := c.err
	replace, _ := res.Count(recovering.Planned, repair.Replace)
	add, _ := res.Count(recovering.Planned, repair.Add)
	move, _ := res.Count(recovering.Planned, repair.MoveBack)
	for i, x := range res.Items {
		if i == 10 && len(res.Items) > 12 {
			fmt.Fprintf(w, "and %s more\n", fixity.Number(int64(len(res.Items)-i)))
			break
		}
		if x.State == recovering.Planned {
			fmt.Fprint(w, recoveryText(x))
		}
	}
	if _, bytes := res.Count(recovering.Planned, repair.Add, repair.Replace); bytes > 0 {
		fmt.Fprintf(w, "%s to copy%s.\n", report.Size(bytes), takes(res))
	}
	in := bufio.NewReader(c.in)
	for _, q := range []struct {
		n    int
		what string
	}{{add, "to be added where nothing lies"}, {replace, "to be replaced; what lies there is kept"}, {move, "to be moved back"}} {
		if q.n == 0 {
			continue
		}
		fmt.Fprintf(w, "%s %s. Go on? Type yes: ", fixity.Count(q.n, "file"), q.what)
		line, _ := in.ReadString('\n')
		if a := strings.ToLower(strings.TrimSpace(line)); a != "yes" {
			return errNotAgreed
		}
	}
	return nil
}

// recoverStatus is the exit status of what was done.
func recoverStatus(res recovering.Result) int {
	status := exitIntact
	for _, x := range res.Items {
		switch x.State {
		case recovering.NoDonor, recovering.Refused:
			status = max(status, exitFinding)
		case recovering.NotDone, recovering.Unread, recovering.ToUpload:
			status = max(status, exitUnfinished)
		case recovering.Planned:
			if !res.DryRun {
				status = exitUnfinished
			}
		}
	}
	return status
}

// showRecovery tells of what was done; ended says that it came to its end.
func (c *command) showRecovery(res recovering.Result, ended bool) {
	if c.json {
		c.document(struct {
			recovering.Result
			Exit int `json:"exit"`
		}{res, c.exit})
		return
	}
	if len(res.Items) == 0 {
		c.printf("nothing is to be put right\n")
		return
	}
	for _, x := range res.Items {
		c.printf("%s", recoveryText(x))
	}
	if len(res.InStep) > 0 {
		c.printf("A program keeps %s in step: pause it first, on every computer that has it. Start it again when all is put back.\n", fixity.And(res.InStep))
	}
	if ready, bytes := res.Count(recovering.ToUpload); ready > 0 && !ended {
		c.printf("%s laid ready so far (%s). Give the same order again: it goes on with the folder.\n", fixity.Counted(ready, "file", "is", "are"), report.Size(bytes))
	} else if ready > 0 {
		c.printf("%s laid ready to upload (%s). Follow the list %s there, then audit the cloud.\n", fixity.Counted(ready, "file", "is", "are"), report.Size(bytes), recovering.UploadList)
	}
	done, _ := res.Count(recovering.PutBack)
	planned, bytes := res.Count(recovering.Planned, repair.Add, repair.Replace, repair.Upload)
	moved, _ := res.Count(recovering.Planned, repair.MoveBack)
	unsure := 0
	for _, x := range res.Items {
		if x.State == recovering.Planned && x.OnlyOnceRead {
			unsure++
		}
	}
	switch {
	case res.DryRun && unsure > 0 && unsure == planned+moved:
		c.printf("%s would be tried. Nothing was touched.\n", fixity.Count(unsure, "copy"))
	case res.DryRun && unsure > 0:
		c.printf("%s would be put right, and %s tried (%s to copy%s). Nothing was touched.\n", fixity.Count(planned+moved-unsure, "copy"), fixity.Number(int64(unsure)), report.Size(bytes), takes(res))
	case res.DryRun && planned+moved > 0:
		c.printf("%s would be put right (%s to copy%s). Nothing was touched.\n", fixity.Count(planned+moved, "copy"), report.Size(bytes), takes(res))
	case done > 0:
		c.printf("%s put back, and read there: intact.\n", fixity.Counted(done, "copy", "was", "were"))
	case len(res.Items) > 0 && !slices.ContainsFunc(res.Items, func(x recovering.Item) bool { return x.State == recovering.ToUpload }):
		c.printf("Nothing was put back.\n")
	}
}

// recoveryText tells of one copy: what is done, from where to where, what is kept.
func recoveryText(x recovering.Item) string {
	var b strings.Builder
	if x.Finding != 0 {
		fmt.Fprintf(&b, "[%d] ", x.Finding)
	}
	fmt.Fprintf(&b, "%s/%s in %s: ", x.Set, report.Show(x.Path), x.Store)
	switch x.State {
	case recovering.PutBack:
		b.WriteString("put back, read there, intact\n")
	case recovering.Unread:
		if x.Why == "" {
			b.WriteString("put back, and not proved by a reading yet\n")
		} else {
			b.WriteString("put back, and not intact there\n")
		}
	case recovering.ToUpload:
		b.WriteString("laid ready to upload\n")
	case recovering.NotDone:
		b.WriteString("not done\n")
	case recovering.Planned:
		b.WriteString(map[repair.Way]string{repair.Replace: "to be replaced", repair.Add: "to be added", repair.MoveBack: "to be moved back", repair.Upload: "to be laid ready to upload"}[x.Way] + "\n")
	default:
		b.WriteString("not put back\n")
	}
	shown := x.State != recovering.Refused && x.State != recovering.NoDonor
	if shown {
		if x.From.Path == "" {
			what := "their good parts, joined"
			if !strings.ContainsAny(x.From.Store, ",") && !strings.Contains(x.From.Store, " and ") {
				what = "what of it can be read"
			}
			fmt.Fprintf(&b, "    from  %s: %s\n", x.From.Store, what)
		} else {
			fmt.Fprintf(&b, "    from  %s: %s%s\n", x.From.Store, report.Show(x.From.Path), dated(x.From))
			if x.From.Other != "" {
				fmt.Fprintf(&b, "          which is another file, %s, with the same checksum\n", report.Show(x.From.Other))
			}
		}
		fmt.Fprintf(&b, "    to    %s: %s%s\n", x.To.Store, report.Show(x.To.Path), dated(x.To))
	}
	if shown && x.Kept != "" {
		fmt.Fprintf(&b, "    kept  %s\n", report.Show(x.Kept))
	}
	if shown && x.OneVolume {
		b.WriteString("    Both lie on one volume: a drive that dies takes both. Copy it to another drive as well.\n")
	}
	if x.Why != "" {
		fmt.Fprintf(&b, "    %s\n", x.Why)
	}
	return b.String()
}

// takes says about how long an order takes, if that is known.
func takes(res recovering.Result) string {
	if res.Takes < time.Second {
		return ""
	}
	to := time.Second
	switch {
	case res.Takes >= 3*time.Hour:
		to = 10 * time.Minute
	case res.Takes >= time.Minute:
		to = time.Minute
	}
	return ", about " + report.Hours(int64(res.Takes.Round(to)/time.Second))
}

func dated(f recovering.Shown) string {
	if f.Size < 0 {
		return " (nothing lies there)"
	}
	text := fmt.Sprintf(" (%s bytes", fixity.Number(f.Size))
	if !f.Time.IsZero() {
		text += ", written " + report.UTC(f.Time)
	}
	return text + ")"
}

func (c *command) tidyCommand() *cobra.Command {
	var remove bool
	var reason string
	cmd := &cobra.Command{
		Use:   "tidy NAME",
		Short: "List the damaged files that are kept, or remove those that may go",
		Long: `When a file is put back, what lay in its place is kept in the folder .firmus-kept of
the store. This lists what is kept. A file may be removed 30 days after its finding
ended; --remove removes all that may.`,
		Args:              cobra.ExactArgs(1),
		ValidArgsFunction: c.completeStores,
	}
	cmd.Flags().BoolVar(&remove, "remove", false, "remove the files that may be removed")
	cmd.Flags().StringVar(&reason, "reason", "", "why")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		what := a.Recovering.Kept
		if remove {
			what = func(ctx context.Context, store string) ([]recovering.KeptFile, error) {
				return a.Recovering.Tidy(ctx, store, reason, "")
			}
		}
		kept, err := what(cmd.Context(), args[0])
		if err != nil {
			return err
		}
		if c.json {
			c.document(map[string]any{map[bool]string{true: "removed", false: "kept"}[remove]: kept, "exit": 0})
			return nil
		}
		for _, k := range kept {
			c.printf("%s (%s)", report.Show(k.Path), report.Size(k.Size))
			switch {
			case remove:
				c.printf(": removed")
			case k.Offered:
				c.printf(": may be removed")
			case k.Since.IsZero():
				c.printf(": its finding hasn't ended")
			default:
				c.printf(": may be removed from %s on", day(k.Since.Add(recovering.KeptFor)))
			}
			c.printf("\n")
		}
		switch {
		case len(kept) > 0:
		case remove:
			c.printf("nothing may be removed yet\n")
		default:
			c.printf("nothing is kept there\n")
		}
		return nil
	}
	return cmd
}

// drill brings some files of each store back as a proof.
func (c *command) drill(ctx context.Context, args []string) error {
	n := recovering.DrillFiles
	if len(args) > 0 {
		var err error
		if n, err = strconv.Atoi(args[0]); err != nil || n < 1 || len(args) > 1 {
			return usageError{fmt.Errorf("%q is not a number of files", strings.Join(args, " "))}
		}
	}
	a, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer a.Close()
	c.startProgress(0)
	ds, err := a.Recovering.Drill(ctx, n)
	c.progress.stop()
	if err != nil {
		return err
	}
	for _, d := range ds {
		switch {
		case d.Away != "":
			c.exit = exitUnfinished
		case len(d.Failed) > 0:
			c.exit = max(c.exit, exitFinding)
		}
	}
	if c.json {
		c.document(map[string]any{"drills": ds, "exit": c.exit})
		return nil
	}
	for _, d := range ds {
		switch {
		case d.Away != "":
			c.printf("%s: not tried, %s\n", d.Store, d.Away)
		case d.Files == 0:
			c.printf("%s: no file there is known to be intact, so none was tried\n", d.Store)
		default:
			c.printf("%s: %s\n", d.Store, report.DrillWords(d.Drill))
		}
		for _, f := range d.Failed {
			c.printf("  NOT BROUGHT BACK %s\n", f)
		}
	}
	return nil
}
