package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

// caution is said before a disc in a drive is read (IASA-TC 04, 8.1; discs break up in
// fast drives).
const caution = `look at the disc first. Never spin one that is cracked or whose layers lift at the edge.
  Clean it straight from the centre to the edge, with a soft dry cloth; never in circles.`

// discWhere are the flags that say where a disc is.
func (c *command) discWhere(cmd *cobra.Command, o *acts.DiscCheckOrder) {
	cmd.Flags().StringVar(&o.At.Drive, "drive", "", "the drive's `DEVICE` (default: that of the configuration)")
	cmd.Flags().StringVar(&o.At.Image, "image", "", "an image `FILE`: .iso, or a cue sheet with raw sectors")
	cmd.Flags().StringVar(&o.Written, "written", "", "what is written on the disc, as you read it")
}

// discOrder completes an order from arguments and configuration.
func discOrder(a *app.App, o *acts.DiscCheckOrder, args []string) error {
	o.Number = strings.Join(args, " ")
	switch {
	case o.At.Drive != "" && o.At.Image != "":
		return usageError{errors.New("say --drive or --image, not both")}
	case o.At.Drive == "" && o.At.Image == "":
		if o.At.Drive = a.Drive(); o.At.Drive == "" {
			return usageError{errors.New("say where the disc is: --drive DEVICE, or --image FILE")}
		}
	}
	return nil
}

func (c *command) discCheckCommand() *cobra.Command {
	var o acts.DiscCheckOrder
	var page string
	cmd := &cobra.Command{
		Use:   "check [NUMBER]",
		Short: "Read all of a disc and compare it with what was burned",
		Long: `Reads every sector of a disc once and holds it against the version that was burned on
it: a data disc byte by byte, an audio disc sample by sample with copies on hard drives.
Sectors that don't read are tried again, at last at the drive's lowest speed.

Without NUMBER it is found out which disc it is. Twins can't be told apart by what they
hold: say with --written what is written on the disc.

A check that was broken off goes on where it ended, if the same command is given within
a day. Exit status: 0 as it should be; 1 not; 3 not finished, or nothing to compare it
with is within reach.`,
	}
	c.discWhere(cmd, &o)
	f := cmd.Flags()
	f.BoolVar(&o.Fresh, "fresh", false, "it was burned just now: read it faster")
	f.BoolVar(&o.Twice, "twice", false, "read the sound twice")
	f.StringVar(&o.Looked, "looked", "", "what you saw on the disc, in `WORDS`: \"no cracks, no lifting edge, scratches\"")
	f.StringVar(&page, "sheet", "", "write the check sheet, a page to print, into this `FILE`")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		if err := discOrder(a, &o, args); err != nil {
			return err
		}
		if page != "" { // said before a disc is read for half an hour
			if err := guarded.Of(a.Config).Replaceable(page, guarded.Page); err != nil {
				return err
			}
		}
		if o.At.Drive != "" {
			c.say("%s", caution)
		}
		c.startProgress(0)
		o.About = func(d acts.DiscAbout) { c.progress.disc(d.LeadOut) }
		o.Progress = func(p acts.DiscProgress) { c.progress.sectors(p) }
		x, err := a.Acts.CheckDisc(cmd.Context(), o)
		c.progress.stop()
		var broken *acts.BrokenOff
		switch {
		case errors.As(err, &broken) && c.interrupted.Err() != nil:
			return fmt.Errorf("stopped, as asked: %s", broken.Rest())
		case broken == nil && err != nil:
			return err
		}
		if x.Resumed {
			c.say("went on where the check before was broken off")
		}
		if !x.Good() || len(x.Report.Directory) > 0 {
			c.exit = exitFinding
		}
		if x.Unfinished() || broken != nil {
			c.exit = exitUnfinished
		}
		sheet, err := a.Acts.CheckSheet(cmd.Context(), a.Config.Name, x)
		if err != nil {
			return err
		}
		if broken != nil {
			sheet.Unfinished = broken.Error()
		}
		if o.At.Image != "" {
			sheet.Image = o.At.Image
		}
		sheet.Twice = o.Twice
		if page != "" {
			if err := guarded.Of(a.Config).Write(page, guarded.Page, sheet.HTML); err != nil {
				return err
			}
			c.say("the check sheet is in %s", page)
		}
		if c.json {
			j := c.checkedJSON(x)
			if broken != nil {
				j.Error = broken.Error()
			}
			c.document(j)
			return nil
		}
		if err := sheet.Text(c.out); err != nil {
			return err
		}
		if broken != nil {
			c.say("%s", broken.Error())
			return nil
		}
		c.afterCheck(cmd.Context(), a, x)
		return nil
	}
	return cmd
}

// afterCheck says below the sheet what there is to do.
func (c *command) afterCheck(ctx context.Context, a *app.App, x acts.CheckedDisc) {
	if x.Swap != "" {
		c.printf("\n%s.\n", x.Swap)
	}
	if x.Disc.ID == 0 && len(x.Proved) > 1 {
		c.printf("\nIt isn't known which of %s this is, so nothing was noted of either: say it with --written.\n", strings.Join(discNames(x.Proved), " and "))
	}
	if len(x.Fits) > 0 {
		c.printf("\nThe lengths of its tracks are those of\n")
		c.printRefs(x.Fits)
		c.printf("If that is what was burned: firmus disc add NUMBER --kind audio %s…\n", x.Fits[0].Set+"/"+report.Show(x.Fits[0].Path))
	}
	if len(x.Class) >= 2 && x.Decision == nil {
		c.printf("\n%s are changed alike. One decision is enough: firmus disc decide %s --reason \"…\"\n", report.Count(int64(len(x.Class)+1), "disc"), x.Disc.Name())
	}
	if len(x.Findings) > 0 {
		c.printf("\n")
		c.printFindings(ctx, a, x.Findings, nil, true)
	}
}

// The JSON of a check (command-line contract).
type checkedJSON struct {
	Disc       string             `json:"disc"`
	Twin       string             `json:"twin"`
	Part       int                `json:"part"`
	Kind       string             `json:"kind"`
	Verdict    fixity.DiscVerdict `json:"verdict"`
	Means      string             `json:"means"`
	Sectors    int64              `json:"sectors"`
	Unreadable []acts.DiscRange   `json:"unreadable"`
	Differing  []differingJSON    `json:"differing"`
	Offset     *int               `json:"offset_samples"`
	Files      []heldJSON         `json:"files"` // those that aren't intact

	Written   string           `json:"written"`
	Proved    []string         `json:"proved"`
	Swap      string           `json:"swap,omitempty"`
	Fits      []acts.FileRef   `json:"fits"`
	AtOnce    int64            `json:"at_once"`
	Retried   int64            `json:"retried"`
	Doubtful  int64            `json:"doubtful"`
	RetriedAt []acts.DiscRange `json:"retried_at"`
	Structure int64            `json:"structure"`
	Free      int64            `json:"free"`
	Extra     []string         `json:"extra"`
	Directory []string         `json:"directory"` // what is wrong with it; the bytes of its files were found all the same
	Gain      *float64         `json:"gain_db"`
	Edge      int64            `json:"not_comparable_samples"`
	Medium    string           `json:"medium"`
	Drive     string           `json:"drive"`
	Speed     int              `json:"speed"`
	Together  string           `json:"together_complete"` // the disc with which it is; "" none
	Next      []string         `json:"read_next"`
	Bring     []string         `json:"bring"`
	Decision  *int64           `json:"decision"`
	Findings  []report.Finding `json:"findings"`
	Problems  []string         `json:"problems"`
	Resumed   bool             `json:"resumed"`
	Began     *report.Instant  `json:"began"`
	Ended     *report.Instant  `json:"ended"`
	Event     int64            `json:"event"`
	Error     string           `json:"error,omitempty"` // why it wasn't finished
	Exit      int              `json:"exit"`
}

type differingJSON struct {
	acts.DiscRange
	Track *int     `json:"track"` // null in a gap
	Time  *string  `json:"time"`  // within the track
	Files []string `json:"files"`
}

type heldJSON struct {
	Path    string         `json:"path"`
	Base64  string         `json:"path_base64,omitempty"`
	Set     string         `json:"set"`
	Version int64          `json:"version"`
	State   fixity.State   `json:"state"`
	Ranges  []fixity.Range `json:"ranges"`
	Why     string         `json:"why"`
}

func (c *command) checkedJSON(x acts.CheckedDisc) checkedJSON {
	r := x.Report
	j := checkedJSON{Disc: x.Disc.Number, Twin: x.Disc.Twin, Part: x.Disc.Part, Kind: x.About.Kind, Verdict: x.Check.Verdict, Means: fixity.Means("disc", string(x.Check.Verdict)),
		Sectors: r.Sectors, Unreadable: []acts.DiscRange{}, Differing: []differingJSON{}, Files: []heldJSON{},
		Written: x.Check.Written, Proved: discNames(x.Proved), Swap: x.Swap, Fits: x.Fits, AtOnce: r.AtOnce, Retried: r.Retried, Doubtful: r.Doubtful, RetriedAt: []acts.DiscRange{},
		Structure: r.Structure, Free: r.Free, Extra: notNil(r.Extra), Directory: notNil(r.Directory), Medium: x.About.Medium, Drive: x.About.Drive, Speed: r.Speed, Together: x.Together,
		Next: []string{}, Bring: notNil(x.Bring), Findings: []report.Finding{}, Problems: notNil(r.Problems), Resumed: x.Resumed,
		Began: report.InstantOf(x.Check.Began), Ended: report.InstantOf(x.Check.Ended), Event: x.Check.Event, Exit: c.exit}
	if j.Fits == nil {
		j.Fits = []acts.FileRef{}
	}
	for _, p := range r.UnreadableAt {
		j.Unreadable = append(j.Unreadable, p.DiscRange)
	}
	for _, p := range r.RetriedAt {
		j.RetriedAt = append(j.RetriedAt, p.DiscRange)
	}
	for _, p := range r.DifferingAt {
		d := differingJSON{DiscRange: p.DiscRange, Files: []string{}}
		if p.Track > 0 {
			track, at := p.Track, p.Time
			d.Track, d.Time = &track, &at
		}
		for _, i := range p.Files {
			if i < len(x.Files) {
				shown, _ := report.Path(x.Files[i].Path)
				d.Files = append(d.Files, shown)
			}
		}
		j.Differing = append(j.Differing, d)
	}
	if h := r.Sound; h != nil {
		if h.Located {
			o := h.Offset
			j.Offset = &o
		}
		j.Edge = h.EdgeStart + h.EdgeEnd
		if h.Changed {
			g := h.GainDB
			j.Gain = &g
		}
	}
	for _, f := range x.Files {
		if f.State == fixity.Intact || f.State == "" {
			continue
		}
		h := heldJSON{Set: f.Set, Version: f.Version, State: f.State, Ranges: f.Ranges, Why: f.Why}
		if h.Ranges == nil {
			h.Ranges = []fixity.Range{}
		}
		h.Path, h.Base64 = report.Path(f.Path)
		j.Files = append(j.Files, h)
	}
	for _, n := range x.Next {
		j.Next = append(j.Next, n.Disc.Name())
	}
	if x.Decision != nil && x.Check.Verdict == fixity.DiscChanged {
		j.Decision = &x.Decision.ID
	}
	for _, f := range x.Findings {
		j.Findings = append(j.Findings, report.FindingOf(f, !f.Opened.Before(x.Check.Began)))
	}
	return j
}

func (c *command) discIdentifyCommand() *cobra.Command {
	var o acts.DiscCheckOrder
	cmd := &cobra.Command{
		Use:   "identify [NUMBER]",
		Short: "Say which disc this is",
		Long: `Says which registered disc this is, from its table of contents, its label and fifty of
its sectors at most. Of a disc that isn't registered it names the files whose lengths
are those of its tracks. Nothing is recorded. Exit status: 0 it is known; 1 it isn't, or it is
another than the one that was named.`,
	}
	c.discWhere(cmd, &o)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		if err := discOrder(a, &o, args); err != nil {
			return err
		}
		x, err := a.Acts.IdentifyDisc(cmd.Context(), o)
		if err != nil {
			return err
		}
		if len(x.Found) == 0 || x.Swap != "" {
			c.exit = exitFinding
		}
		if c.json {
			fits := x.Fits
			if fits == nil {
				fits = []acts.FileRef{}
			}
			c.document(map[string]any{"discs": discNames(x.Found), "sure": x.Sure, "kind": x.About.Kind, "label": x.About.Label, "tracks": len(x.About.Tracks),
				"sectors": x.About.LeadOut, "medium": x.About.Medium, "drive": x.About.Drive, "toc": x.About.ID, "written": x.Written, "swap": x.Swap, "fits": fits,
				"problems": notNil(x.About.Problems), "sessions": x.About.Sessions, "mcn": x.About.MCN, "title": x.About.Title, "contents": tracksJSON(x.About), "exit": c.exit})
			return nil
		}
		c.showIdentified(x)
		return nil
	}
	return cmd
}

func (c *command) showIdentified(x acts.IdentifiedDisc) {
	what := x.About.Kind + " disc"
	if x.About.Label != "" {
		what += fmt.Sprintf(", label %q", x.About.Label)
	}
	c.printf("%s, %s, %s sectors\n", what, report.Count(int64(len(x.About.Tracks)), "track"), report.Number(x.About.LeadOut))
	c.saysOfItself(x.About)
	for _, p := range x.About.Problems {
		c.printf("  note: %s\n", p)
	}
	switch {
	case len(x.Found) > 0 && x.Sure:
		c.printf("Its contents are those of %s\n", strings.Join(discNames(x.Found), " and "))
	case len(x.Found) > 0:
		c.printf("By its table of contents or label it may be %s\n", strings.Join(discNames(x.Found), " or "))
	default:
		c.printf("It is none of the registered discs, as far as these sectors show\n")
	}
	if len(x.Found) > 1 && x.Sure {
		c.printf("Which of them it is can't be told from what it holds: it is what is written on it\n")
	}
	if x.Swap != "" {
		c.printf("%s.\n", x.Swap)
	}
	if len(x.Fits) > 0 {
		c.printf("The lengths of its tracks are those of\n")
		c.printRefs(x.Fits)
	}
}

// saysOfItself prints what is written in a disc's table of contents and beside it. Any
// burning program can have put anything there.
func (c *command) saysOfItself(d acts.DiscAbout) {
	if d.Sessions > 1 {
		c.printf("  %d sessions\n", d.Sessions)
	}
	if d.Title != "" {
		c.printf("  title on it: %s\n", report.Show(d.Title))
	}
	if d.MCN != "" {
		c.printf("  catalogue number on it: %s\n", report.Show(d.MCN))
	}
	if len(d.Tracks) == 1 && d.Tracks[0].Data {
		return
	}
	for _, t := range d.Tracks {
		secs := t.Sectors / 75
		line := fmt.Sprintf("  disc track %2d  %02d:%02d:%02d", t.Number, secs/3600, secs/60%60, secs%60)
		if t.Data {
			line += "  data"
		}
		if t.Title != "" {
			line += "  " + report.Show(t.Title)
		}
		if t.ISRC != "" {
			line += "  ISRC " + report.Show(t.ISRC)
		}
		c.printf("%s\n", line)
	}
}

// trackJSON is a track as the table of contents has it.
type trackJSON struct {
	Number  int    `json:"number"`
	LBA     int64  `json:"lba"`
	Sectors int64  `json:"sectors"`
	Data    bool   `json:"data"`
	ISRC    string `json:"isrc"`
	Title   string `json:"title"`
}

func tracksJSON(d acts.DiscAbout) []trackJSON {
	out := []trackJSON{}
	for _, t := range d.Tracks {
		out = append(out, trackJSON(t))
	}
	return out
}

// disc and sectors feed the progress line of a check.
func (p *progress) disc(sectors int64) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.total, p.began = sectors, time.Now()
	p.line = "opening"
}

func (p *progress) sectors(d acts.DiscProgress) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	line := fmt.Sprintf("%s: sector %s of %s", d.Pass, report.Number(d.LBA), report.Number(d.Of))
	if d.Unreadable > 0 {
		line += fmt.Sprintf(", %s not read so far", report.Number(d.Unreadable))
	}
	secs := time.Since(p.began).Seconds()
	if d.LBA > 0 && d.LBA < d.Of && secs > 2 {
		line += ", " + time.Duration(secs/float64(d.LBA)*float64(d.Of-d.LBA)*float64(time.Second)).Round(time.Second).String() + " left"
	}
	p.line = line
}
