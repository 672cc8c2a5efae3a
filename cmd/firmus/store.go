package main

import (
	"errors"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/clouds"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/named"
)

func (c *command) storeCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "store", Short: "List the stores, or say what becomes of one", Long: "Without a command it lists the stores.", Args: cobra.NoArgs, RunE: c.listStores}
	cmd.AddCommand(&cobra.Command{Use: "list", Short: "List the stores and what is known of them", Long: "Lists the stores: their kind and place, when each was last there, its folders, and which stores count as one copy.", Args: cobra.NoArgs, RunE: c.listStores})
	var reason string
	adopt := &cobra.Command{
		Use:   "adopt NAME",
		Short: "Say that the configured folders are this store",
		Long: `Writes the store's marker into its configured folders: for a store whose marker
was lost, or that was moved to another drive by hand. Only do it when you have
looked at the folders. What lies there is then read by the next audit.`,
		Args:              cobra.ExactArgs(1),
		ValidArgsFunction: c.completeStores,
	}
	adopt.Flags().StringVar(&reason, "reason", "adopted by hand", "why")
	adopt.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := c.openWith(cmd.Context(), app.Options{BeginBeside: true, TakesUp: true})
		if err != nil {
			return err
		}
		defer a.Close()
		sets, err := a.Acts.AdoptStore(cmd.Context(), args[0], reason)
		if c.json && err == nil {
			c.document(map[string]any{"store": args[0], "sets": notNil(sets), "exit": 0})
			return nil
		}
		for _, s := range sets {
			c.printf("%s is the place of %s in store %s\n", a.Acts.Where(args[0], s), s, args[0])
		}
		return err
	}
	cmd.AddCommand(adopt)
	cmd.AddCommand(c.storeActs()...)
	cmd.AddCommand(c.tidyCommand())
	cmd.AddCommand(c.signInCommand())
	return cmd
}

func (c *command) signInCommand() *cobra.Command {
	var client string
	cmd := &cobra.Command{
		Use:   "signin NAME --client FILE",
		Short: "Sign in to a cloud store with a person's own account",
		Long: `For an archive whose folder can't be shared with a service account. It prints an
address to open in a browser on this computer; what comes of it is kept where the
configuration says the store's credentials are. Only reading is asked for, but of
all that the person can see: a service account's key is better where it can be had.

FILE is what the service gives out for a program of the type "desktop app".`,
		Args:              cobra.ExactArgs(1),
		ValidArgsFunction: c.completeStores,
	}
	cmd.Flags().StringVar(&client, "client", "", "`FILE` that the service gives out for the program (needed)")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if client == "" {
			return usageError{plainError("say which file the service gave out for this program: --client FILE")}
		}
		cfg, err := c.load()
		if err != nil {
			return err
		}
		text, err := named.Read(client, 1<<20)
		if err != nil {
			return err
		}
		path, err := clouds.SignIn(cmd.Context(), cfg, args[0], text, time.Now, func(url string) error {
			c.say("open this address in a browser on this computer:\n  %s", url)
			return nil
		})
		if err != nil {
			return err
		}
		if c.json {
			c.document(map[string]any{"store": args[0], "credentials": path, "exit": 0})
			return nil
		}
		c.printf("signed in; kept in %s\n", path)
		return nil
	}
	return cmd
}

type storeJSON struct {
	Store    string          `json:"store"`
	Kind     string          `json:"kind"`
	Place    string          `json:"place"`
	Arrivals bool            `json:"arrivals"`
	Visiting bool            `json:"visiting"`
	Follows  string          `json:"follows"`
	Shares   []string        `json:"shares_volume_with"` // stores that count as one copy with it
	Adopted  bool            `json:"adopted"`
	Seen     *report.Instant `json:"seen"`
	Retired  *report.Instant `json:"retired"`
	Visit    *report.Visit   `json:"visit"` // the newest that a daemon has noticed
	Sets     []setJSON       `json:"sets"`
	// Kept is how many files are kept that lay where others were put back.
	Kept      int   `json:"kept_files"`
	KeptBytes int64 `json:"kept_bytes"`
	// AtOnce says how many hosts read it at the same time; "" where one alone does.
	AtOnce string `json:"read_by,omitempty"`
	// Drill is the last proof that files can be brought back from it, and what is promised.
	Drill report.StoreDrill `json:"drill"`
}

type setJSON struct {
	Set    string          `json:"set"`
	Root   string          `json:"root"`
	Listed *report.Instant `json:"listed"`
	// Filling is how far a set that was added later is; null if it isn't being filled.
	Filling *fillingJSON `json:"being_filled"`
}

type fillingJSON struct {
	There    int64           `json:"there"`
	Expected int64           `json:"expected"`
	Last     *report.Instant `json:"last_arrived"`
	words    string
}

func (c *command) listStores(cmd *cobra.Command, _ []string) error {
	cfg, err := c.load()
	if err != nil {
		return err
	}
	known, visits := map[string]ledger.Store{}, map[string]*report.Visit{}
	drills, atOnce := map[string]report.StoreDrill{}, map[string]string{}
	filling, takenOut := map[[2]string]*fillingJSON{}, []ledger.TakenOut{}
	a, err := c.open(cmd.Context(), true)
	here := a
	switch {
	case err == nil:
		defer a.Close()
		err = a.Ledger.View(cmd.Context(), func(t *ledger.Tx) error {
			fs, err := t.Stores.Filling()
			if err != nil {
				return err
			}
			for _, f := range fs {
				filling[[2]string{f.Store, f.Set}] = &fillingJSON{f.There, f.All, report.InstantOf(f.LastArrived), f.Words()}
			}
			out, err := t.Stores.TakenOut()
			if err != nil {
				return err
			}
			takenOut = append(takenOut, out...)
			for _, s := range cfg.Stores {
				k, err := t.Stores.Get(s.Name)
				if err != nil && !errors.Is(err, fixity.ErrNotFound) {
					return err
				}
				known[s.Name] = k
				if a.Acts.ReadAtOnce != nil {
					if atOnce[s.Name], err = a.Acts.ReadAtOnce(t, s.Name); err != nil {
						return err
					}
				}
				if drills[s.Name], err = report.DrillOf(t, s.Name, time.Duration(s.DrillWithin), time.Now()); err != nil {
					return err
				}
				if s.Visiting {
					if visits[s.Name], err = report.LastVisit(t, s.Name); err != nil {
						return err
					}
				}
			}
			return nil
		})
	case errors.Is(err, fixity.ErrNotFound):
		err = nil // no ledger yet: the configuration alone is shown
	case errors.As(err, new(*backups.LostError)):
		c.say("%v", err)
		err = nil
	}
	if err != nil {
		return err
	}
	shared, err := app.CheckVolumes(cmd.Context(), cfg, here)
	if err != nil {
		return err
	}
	with := map[string][]string{}
	for _, x := range shared {
		with[x.Store] = append(with[x.Store], x.With...)
		for _, o := range x.With {
			with[o] = append(with[o], x.Store)
		}
	}
	out := []storeJSON{}
	for _, s := range cfg.Stores {
		k := known[s.Name]
		j := storeJSON{Store: s.Name, Kind: string(s.Kind), Place: s.Place, Arrivals: s.Arrivals, Visiting: s.Visiting, Follows: s.Follows, Shares: notNil(with[s.Name]),
			Adopted: !k.Adopted.IsZero(), Seen: report.InstantOf(k.Seen), Retired: report.InstantOf(k.Retired), Visit: visits[s.Name], AtOnce: atOnce[s.Name], Drill: drills[s.Name], Sets: []setJSON{}}
		for _, r := range s.Sets {
			x := setJSON{Set: r.Set, Root: r.Path, Filling: filling[[2]string{s.Name, r.Set}]}
			for _, kr := range k.Roots {
				if kr.Set == r.Set {
					x.Listed = report.InstantOf(kr.ListedAt)
				}
			}
			j.Sets = append(j.Sets, x)
		}
		if here != nil && j.Adopted {
			// A store that is away has its kept files with it.
			if kept, err := here.Recovering.Kept(cmd.Context(), s.Name); err == nil {
				for _, k := range kept {
					j.Kept, j.KeptBytes = j.Kept+1, j.KeptBytes+k.Size
				}
			}
		}
		out = append(out, j)
	}
	if c.json {
		c.document(map[string]any{"stores": out, "taken_out": takenOut})
		return nil
	}
	for _, s := range out {
		c.printf("%s: %s", s.Store, s.Kind)
		if s.Place != "" {
			c.printf(", %s", s.Place)
		}
		switch {
		case s.Retired != nil:
			c.printf("; retired %s: nothing is expected there. Take it out of the configuration, or take it up again: firmus store adopt %s", day(s.Retired.Time), s.Store)
		case s.Adopted && s.Seen != nil:
			c.printf("; last there %s", day(s.Seen.Time))
		case s.Kind == string(config.Optical):
			c.printf("; its discs: firmus disc list")
		case !s.Adopted:
			c.printf("; not yet adopted")
		}
		c.printf("\n")
		if len(s.Shares) > 0 {
			c.printf("  lies on one volume with %s: they count as one copy\n", strings.Join(s.Shares, " and "))
		}
		if s.AtOnce != "" {
			c.printf("  read by %s\n", s.AtOnce)
		}
		if s.Kept > 0 {
			c.printf("  keeps %s (%s) in whose place an intact one was put: firmus store tidy %s\n", fixity.Count(s.Kept, "file"), report.Size(s.KeptBytes), s.Store)
		}
		if s.Drill.Last != nil || s.Drill.Within > 0 {
			c.printf("  last drill: %s\n", s.Drill.Words(time.Local))
		}
		if s.Visit != nil {
			c.printf("  last visit: %s\n", s.Visit.Words(time.Local))
		}
		for _, x := range s.Sets {
			c.printf("  %-12s %s", x.Set, x.Root)
			if x.Listed != nil {
				c.printf("  (listed %s)", day(x.Listed.Time))
			}
			if x.Filling != nil {
				c.printf("  %s", x.Filling.words)
			}
			c.printf("\n")
		}
	}
	for _, x := range takenOut {
		c.printf("NOTE: %s\n", x.Words())
	}
	return nil
}
