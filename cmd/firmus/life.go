package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

func (c *command) finishCommand() *cobra.Command {
	var reason string
	cmd := &cobra.Command{
		Use:   "finish SET/PATH…",
		Short: "End the editing window of access files",
		Long: `Declares access files finished before they have been at rest for the set's editing
time. From then on a change waits for a sign-off. A folder means all files below it.`,
		Args: cobra.MinimumNArgs(1),
	}
	cmd.Flags().StringVar(&reason, "reason", "declared finished", "why")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		done, err := a.Deciding.Finish(cmd.Context(), args, reason)
		if err != nil {
			return err
		}
		if c.json {
			if done == nil {
				done = []deciding.FileRef{}
			}
			c.document(map[string]any{"finished": done, "exit": 0})
			return nil
		}
		c.printf("%s finished\n", fixity.Count(len(done), "file"))
		return nil
	}
	return cmd
}

func (c *command) retireCommand() *cobra.Command {
	var reason string
	var dry bool
	cmd := &cobra.Command{
		Use:   "retire SET/PATH…",
		Short: "End the care of files on purpose",
		Long: `Says that files are no longer to be kept. They are expected nowhere any more. No file is
deleted, and what still lies in a store isn't reported. A folder means all files below
it. Look with --dry-run first.`,
		Args: cobra.MinimumNArgs(1),
	}
	cmd.Flags().StringVar(&reason, "reason", "", "why (needed)")
	cmd.Flags().BoolVar(&dry, "dry-run", false, "only say what would be retired")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		o := deciding.RetireOrder{Paths: args, Reason: reason}
		if !dry {
			done, err := a.Deciding.Decide(cmd.Context(), deciding.Decision{Retire: &o})
			if err != nil {
				return err
			}
			return c.showDone(done)
		}
		o.DryRun = true
		plan, err := a.Deciding.Retire(cmd.Context(), o)
		if err != nil {
			return err
		}
		return c.showPlan(plan, "retired", dry)
	}
	return cmd
}

// showPlan prints what retiring did, or would do.
func (c *command) showPlan(p deciding.RetirePlan, did string, dry bool) error {
	if c.json {
		c.document(p)
		return nil
	}
	would := ""
	if dry {
		would = "would be "
	}
	if len(p.Files) > 0 {
		c.printf("%s %s%s\n", fixity.Count(len(p.Files), "file"), would, did)
		c.printRefs(p.Files)
	}
	for _, x := range []struct {
		refs []deciding.FileRef
		what string
	}{
		{p.LastBytes, "would leave nothing behind: no intact copy of another file under care has the same bytes"},
		{p.NoneLeft, "would be left without any copy that was shown to be intact"},
		{p.OneLeft, "would be left with one copy"},
	} {
		if len(x.refs) > 0 {
			c.printf("%s %s:\n", fixity.Count(len(x.refs), "file"), x.what)
			c.printRefs(x.refs)
		}
	}
	for _, r := range p.Relying {
		c.printf("%s/%s has no intact copy of its own, and its bytes from there: %s\n", r.Set, report.Show(r.Path), findingNumbers(r.Findings))
	}
	if dry && len(p.Files)+len(p.OneLeft)+len(p.NoneLeft) == 0 {
		c.printf("no file would be left with fewer than two copies\n")
	}
	return nil
}

func findingNumbers(ids []int64) string {
	var out []string
	for _, id := range ids {
		out = append(out, fmt.Sprintf("finding %d", id))
	}
	if len(out) == 0 {
		return "no finding is open about it"
	}
	return fixity.And(out)
}

func (c *command) printRefs(refs []deciding.FileRef) {
	for i, r := range refs {
		if i == 20 && len(refs) > 25 {
			c.printf("  and %s more\n", fixity.Number(int64(len(refs)-i)))
			return
		}
		c.printf("  %s/%s\n", r.Set, report.Show(r.Path))
	}
}

func (c *command) replaceCommand() *cobra.Command {
	var reason string
	var same bool
	cmd := &cobra.Command{
		Use:   "replace OLD NEW --same-samples",
		Short: "Say that one file took another's place with the same samples",
		Long: `For a migration, such as a FLAC for a WAVE. Both files are held against their versions,
then decoded and compared sample for sample. If they agree, the old one is retired.
Nothing is deleted. OLD and NEW are SET/PATH, and both must be under care.`,
		Args: cobra.ExactArgs(2),
	}
	cmd.Flags().StringVar(&reason, "reason", "", "why")
	cmd.Flags().BoolVar(&same, "same-samples", false, "prove it by the samples (needed)")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if !same {
			return usageError{errSameSamples}
		}
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		done, err := a.Deciding.Decide(cmd.Context(), deciding.Decision{Replace: &deciding.ReplaceOrder{Pairs: []deciding.Pair{{Old: args[0], New: args[1]}}, Reason: reason}})
		if err != nil {
			return err
		}
		return c.showDone(done)
	}
	return cmd
}

type plainError string

func (e plainError) Error() string { return string(e) }

const errSameSamples = plainError("say --same-samples: nothing else lets one file take another's place")

func (c *command) recogniseCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "recognise FOLDER",
		Short: "Say of each file in a folder whether it is held",
		Long: `Reads a stick, an old drive or an export. Of each file it says, by its bytes: held, an
earlier version, or not known. The last line says whether the folder may be erased, and
why. Nothing in it is changed.

A folder that is a store, the state folder or a backup, holds one or lies in one is
refused (exit 2).`,
		Args: cobra.ExactArgs(1),
	}
	cache := cacheFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		how, err := cache()
		if err != nil {
			return err
		}
		d, err := folder(args[0], how)
		if err != nil {
			return err
		}
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		c.startProgress(0)
		res, err := a.Receiving.Recognise(cmd.Context(), d.Root(), d)
		c.progress.stop()
		if err != nil {
			return err
		}
		return c.showRecognition(res)
	}
	return cmd
}

func (c *command) showRecognition(res receiving.Recognition) error {
	if !res.Complete {
		c.exit = exitUnfinished
	}
	for _, f := range res.Files {
		if f.State == receiving.NotRead {
			c.exit = exitUnfinished
		}
	}
	if c.json {
		doc := struct {
			receiving.Recognition
			Exit int `json:"exit"`
		}{res, c.exit}
		c.document(doc)
		return nil
	}
	words := map[string]string{receiving.Held: "held", receiving.HeldEarlier: "earlier version", receiving.NotKnown: "not known", receiving.NotRead: "NOT READ"}
	for _, f := range res.Files {
		c.printf("%-16s %s", words[f.State], report.Show(f.Path))
		if f.File != "" {
			c.printf("  = %s/%s", f.Set, report.Show(f.File))
		}
		if f.Detail != "" {
			c.printf("  (%s)", f.Detail)
		}
		c.printf("\n")
	}
	if res.LeftOut > 0 {
		c.printf("%s left out as litter\n", fixity.Count(int64(res.LeftOut), "file"))
	}
	verdict := "no"
	if res.MayErase {
		verdict = "yes"
	}
	c.printf("may be erased: %s, because %s\n", verdict, res.Because)
	return nil
}

// storeActs are the acts about a whole store.
func (c *command) storeActs() []*cobra.Command {
	var reasonReplace, reasonRetire, set string
	var dry bool
	replace := &cobra.Command{
		Use:   "replace NAME",
		Short: "Say that another drive is the store from now on",
		Long: `For a new drive in the place of an old one: point the configuration at it first.
Everything is awaited there anew, and counts as a copy only when it has been read.`,
		Args:              cobra.ExactArgs(1),
		ValidArgsFunction: c.completeStores,
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			done, err := a.Deciding.Decide(cmd.Context(), deciding.Decision{EndStore: &deciding.EndStoreOrder{Store: args[0], Replace: true, Reason: reasonReplace}})
			if err != nil {
				return err
			}
			return c.afterDone(cmd.Context(), a, done)
		},
	}
	replace.Flags().StringVar(&reasonReplace, "reason", "", "why (needed)")
	retire := &cobra.Command{
		Use:   "retire NAME",
		Short: "End the use of a store, or of one set in it",
		Long: `Says that a store is no longer used: nothing is expected there any more. Firmus
refuses while files would be left without any copy that was shown to be intact.
Look at it with --dry-run first. With --set it is about one set, which the
configuration names no longer in that store. "firmus store adopt NAME" takes a
retired store up again.`,
		Args:              cobra.ExactArgs(1),
		ValidArgsFunction: c.completeStores,
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			o := deciding.EndStoreOrder{Store: args[0], Set: set, Reason: reasonRetire, DryRun: dry}
			if dry {
				plan, err := a.Deciding.EndStore(cmd.Context(), o)
				if err != nil {
					return err
				}
				return c.showPlan(plan, "retired", true)
			}
			done, err := a.Deciding.Decide(cmd.Context(), deciding.Decision{EndStore: &o})
			if err != nil {
				return err
			}
			return c.showDone(done)
		},
	}
	retire.Flags().StringVar(&reasonRetire, "reason", "", "why (needed)")
	retire.Flags().StringVar(&set, "set", "", "only this set, which the configuration names no longer in the store")
	retire.Flags().BoolVar(&dry, "dry-run", false, "only say what would be left with one copy")
	return []*cobra.Command{replace, retire}
}
