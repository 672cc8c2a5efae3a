package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/fixity"
	"firmus/fixity/expr"
	"firmus/fixity/ledger"
	"firmus/replicas/named"
)

func (c *command) discCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "disc", Short: "Register discs, check them, print their sheets", Long: "Without a command it lists the discs.", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.listDiscs(cmd.Context(), checking.Pull{}) }}
	cmd.AddCommand(c.discListCommand(), c.discAddCommand(), c.discSheetCommand(), c.discLabelsCommand(), c.discIdentifyCommand(), c.discCheckCommand(), c.discDecideCommand(), c.discSampleCommand(), c.discRetireCommand())
	return cmd
}

func (c *command) discListCommand() *cobra.Command {
	var pull checking.Pull
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the discs and what is known of them",
		Long: `Lists the discs by box, with when each was last read, in which drive, how many sectors
needed several tries, and why it should be read now. Tries are what a drive makes of a
disc, not error rates of the medium: they are compared within one drive and speed only.
Read a control disc first.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.listDiscs(cmd.Context(), pull) },
	}
	cmd.Flags().StringVar(&pull.Box, "box", "", "the discs of this `BOX`")
	cmd.Flags().BoolVar(&pull.Due, "due", false, "the discs that should be read now")
	return cmd
}

func (c *command) discAddCommand() *cobra.Command {
	var o registering.Order
	var list string
	cmd := &cobra.Command{
		Use:   "add NUMBER --kind audio|data FILE-OR-FOLDER…",
		Short: "Register a disc and what was burned on it",
		Long: `Registers which version of which files was burned on a disc, before it is burned or
after. The files of an audio disc are named in the order of its tracks; those of a data
disc may be a folder. Each is SET/PATH, with @N behind it for an earlier version, or a
path on this computer below a set's folder. Without files, Firmus
keeps the disc's first reading and compares later ones with it.

The number is what is written on the disc: "QD-0031", "qd 31" and "QD31 a" name one
side. The letter is the twin: one of two discs with the same contents.

--csv registers a list of discs: the columns number, twin, part, kind, box, blank,
burned, label, control, file, version, name; a row for each file, in the order of
tracks. It is the list that is kept beside each backup of the ledger, too.`,
	}
	f := cmd.Flags()
	f.StringVar(&o.Kind, "kind", "", "`audio|data`: what kind of disc it is (needed)")
	f.StringVar(&o.Twin, "twin", "", "`LETTER` of one of several discs of the same contents")
	f.IntVar(&o.Part, "part", 0, "which of several discs of one side it is")
	f.StringVar(&o.Box, "box", "", "where it is kept")
	f.StringVar(&o.Blank, "blank", "", "brand of the blank")
	f.StringVar(&o.Burned, "burned", "", "when it was burned, as precisely as it is known")
	f.StringVar(&o.Label, "label", "", "what else is written on it")
	f.BoolVar(&o.Control, "control", false, "a control disc: known to be good, read first to look at the drive")
	f.StringVar(&o.Reason, "reason", "", "why")
	f.StringVar(&list, "csv", "", "register the discs of this `FILE`")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if list == "" && len(args) == 0 {
			return usageError{errors.New("say the disc's number, or a list with --csv FILE")}
		}
		if list != "" && len(args) > 0 {
			return usageError{errors.New("--csv takes a list of discs, and nothing beside it")}
		}
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		if list != "" {
			in, err := named.Open(list)
			if err != nil {
				return err
			}
			defer in.Close()
			added, err := a.Discs.AddList(cmd.Context(), in)
			if err != nil {
				return err
			}
			for _, n := range added.Notes {
				c.say("%s", n)
			}
			return c.showAdded(added)
		}
		o.Number, o.Files = args[0], args[1:]
		if len(o.Files) > 0 && twinLetter().MatchString(o.Files[0]) {
			o.Number, o.Files = o.Number+" "+o.Files[0], o.Files[1:]
		}
		d, err := a.Discs.Add(cmd.Context(), o)
		if err != nil {
			return err
		}
		if len(o.Files) == 0 {
			c.say("nothing is known of what was burned on %s: its first reading is what later ones are held against", d.Name())
		}
		return c.showAdded(registering.Added{Added: []ledger.Disc{d}})
	}
	return cmd
}

// twinLetter is an argument that belongs to the number before it: QD-0031 A.
var twinLetter = expr.Once(`^[A-Za-z]$`)

func (c *command) showAdded(x registering.Added) error {
	if c.json {
		c.document(map[string]any{"added": discNames(x.Added), "already": discNames(x.Already), "notes": notNil(x.Notes), "exit": 0})
		return nil
	}
	for _, d := range x.Added {
		c.printf("%s is registered: %s disc\n", d.Name(), d.Kind)
	}
	if n := len(x.Already); n > 0 {
		c.printf("%s registered already, and left as they are\n", fixity.Count(int64(n), "disc"))
	}
	return nil
}

func discNames(ds []ledger.Disc) []string {
	out := []string{}
	for _, d := range ds {
		out = append(out, d.Name())
	}
	return out
}

func (c *command) discSheetCommand() *cobra.Command {
	var page, list string
	var restricted bool
	cmd := &cobra.Command{
		Use:   "sheet NUMBER",
		Short: "Print the burn sheet of a disc",
		Long: `Prints what a person needs at the burner: the files in their order, how the burning
program is to be set, the number to write on the disc, and what the register says for the
label of its case. With --html it is written into a
file that prints on one page. More than 40 files of a data disc are summed up by folder;
--list writes the place of each into a file.`,
		Args: cobra.MinimumNArgs(1),
	}
	cmd.Flags().StringVar(&page, "html", "", "write a page to print into this `FILE`")
	cmd.Flags().BoolVar(&restricted, "restricted", false, "also the titles and performers of restricted recordings")
	cmd.Flags().StringVar(&list, "list", "", "write the place of each file to burn into this `FILE`")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		s, err := a.Discs.BurnSheet(cmd.Context(), a.Config.Name, strings.Join(args, " "), restricted)
		if err != nil {
			return err
		}
		if s.Drive = a.Drive(); s.Drive == "" {
			s.Drive = "DEVICE"
		}
		if list != "" {
			if err := guarded.Of(a.Config).Sheet(list, "list of files to burn", s.List); err != nil {
				return err
			}
			c.say("the places of the files of %s are in %s", s.Number, list)
		}
		if page != "" {
			if err := guarded.Of(a.Config).Sheet(page, "burn sheet", s.HTML); err != nil {
				return err
			}
			if c.json {
				c.document(map[string]any{"disc": s.Number, "html": page, "exit": 0})
				return nil
			}
			c.say("the burn sheet of %s is in %s", s.Number, page)
			return nil
		}
		if c.json {
			files := []map[string]any{}
			for _, f := range s.Files {
				files = append(files, map[string]any{"path": f.Name, "version": f.Version, "store": f.Store, "bytes": f.Bytes})
			}
			c.document(map[string]any{"disc": s.Number, "twins": notNil(s.Twins), "kind": s.Kind, "box": s.Box, "files": files, "exit": 0})
			return nil
		}
		return s.Text(c.out)
	}
	return cmd
}

func (c *command) discDecideCommand() *cobra.Command {
	var o registering.Decision
	cmd := &cobra.Command{
		Use:   "decide NUMBER --reason TEXT",
		Short: "Accept what was changed on the way for a whole class of discs",
		Long: `For discs that were burned with levelling: they differ from the recording by a level
alone, in every sector, with nothing lacking. One decision covers all discs whose newest
check says so, at the same level as NUMBER (half a decibel to either side). It also
covers discs that are checked later.`,
		Args: cobra.MinimumNArgs(1),
	}
	cmd.Flags().StringVar(&o.Reason, "reason", "", "why, such as \"burned with levelling, +1.8 dB\" (needed)")
	cmd.Flags().BoolVar(&o.AnyGain, "any-gain", false, "whatever the gain is")
	cmd.Flags().IntVar(&o.Discs, "discs", 0, "how many discs that is now, typed if it is more than 20")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		o.Number = strings.Join(args, " ")
		d, covered, err := a.Discs.Decide(cmd.Context(), o)
		if err != nil {
			return err
		}
		if c.json {
			doc := map[string]any{"decision": d.ID, "verdict": d.Verdict, "gain_db": nil, "discs": discNames(covered), "exit": 0}
			if !d.Class.AnyGain {
				doc["gain_db"] = d.Class.Gain
			}
			c.document(doc)
			return nil
		}
		gain := "whatever the gain"
		if !d.Class.AnyGain {
			gain = fmt.Sprintf("%+.1f dB", d.Class.Gain)
		}
		c.printf("decided: discs that are changed on the way by %s are as they should be (%s)\n", gain, d.Reason)
		for _, x := range covered {
			c.printf("  %s\n", x.Name())
		}
		return nil
	}
	return cmd
}

func (c *command) discRetireCommand() *cobra.Command {
	var reason string
	cmd := &cobra.Command{
		Use:   "retire NUMBER --reason TEXT",
		Short: "End the use of a disc",
		Long:  `Says that a disc is no longer kept: nothing is expected on it any more, and its number is free again.`,
		Args:  cobra.MinimumNArgs(1),
	}
	cmd.Flags().StringVar(&reason, "reason", "", "why (needed)")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		d, err := a.Discs.Retire(cmd.Context(), strings.Join(args, " "), reason)
		if err != nil {
			return err
		}
		if c.json {
			c.document(map[string]any{"retired": d.Name(), "exit": 0})
			return nil
		}
		c.printf("%s is retired\n", d.Name())
		return nil
	}
	return cmd
}
