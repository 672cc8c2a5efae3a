package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/sheets"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
)

// caution is said before a disc in a drive is read (IASA-TC 04, 8.1; discs break up in
// fast drives).
const caution = `look at the disc first. Never spin one that is cracked or whose layers lift at the edge.
  Clean it straight from the centre to the edge, with a soft dry cloth; never in circles.`

// checkSheet is what a file with the sheet of a check is.
const checkSheet = "check sheet"

// discWhere are the flags that say where a disc is.
func (c *command) discWhere(cmd *cobra.Command, o *checking.Order) {
	cmd.Flags().StringVar(&o.At.Drive, "drive", "", "`DEVICE` of the drive (default the one of the configuration)")
	cmd.Flags().StringVar(&o.At.Image, "image", "", "an image `FILE`: .iso, or a cue sheet with raw sectors")
	cmd.Flags().StringVar(&o.Written, "written", "", "what is written on the disc, as you read it")
}

// discOrder completes an order from arguments and configuration.
func discOrder(a *app.App, o *checking.Order, args []string) error {
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
	var o checking.Order
	var page string
	var sitting, sample bool
	var pull checking.Pull
	cmd := &cobra.Command{
		Use:   "check [NUMBER]",
		Short: "Read all of a disc and compare it with what was burned",
		Long: `Reads every sector of a disc once and holds it against the version that was burned on
it: a data disc byte by byte, an audio disc sample by sample with copies on hard drives.
Sectors that don't read are tried again, at last at the drive's lowest speed.

Without NUMBER Firmus finds out which disc it is. If two discs have the same contents,
only what is written on them tells them apart: give it with --written. Otherwise Firmus
notes nothing of either.

If a check was broken off, the same command within a day goes on where it ended.

Exit status: 0 the disc is as it should be; 1 it isn't; 3 the check wasn't finished, or
no copy to compare the disc with is within reach.

--sitting reads one disc after the other: it asks for each in the order of the boxes, reads
it once it is in the drive, says in a line what it is, opens the drive and asks for the next. --box, --due and
--sample say which discs. If another disc is in the drive, Firmus goes by its contents and
by what you type. If a sitting was broken off, the same command within a week goes on. It
ends with one sheet. With --image FOLDER it takes an
image of each disc from the folder (QD-0031-A.iso).`,
	}
	c.discWhere(cmd, &o)
	f := cmd.Flags()
	f.BoolVar(&o.Fresh, "fresh", false, "it was burned just now: read it faster")
	f.BoolVar(&o.Twice, "twice", false, "read the sound twice")
	f.StringVar(&o.Looked, "looked", "", "what you saw on the disc, in `WORDS`: \"no cracks, no lifting edge, scratches\"")
	f.BoolVar(&sitting, "sitting", false, "read one disc after the other")
	f.StringVar(&pull.Box, "box", "", "in a sitting: the discs of this `BOX`")
	f.BoolVar(&pull.Due, "due", false, "in a sitting: the discs that should be read now")
	f.BoolVar(&sample, "sample", false, "in a sitting: the month's list of \"firmus disc sample\", what was read of it apart")
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
		switch {
		case sitting && (len(args) > 0 || o.Written != ""):
			return usageError{errors.New("a sitting takes disc after disc: name none of them (--box, --due and --sample say which)")}
		case !sitting && (pull != checking.Pull{} || sample):
			return usageError{errors.New("--box, --due and --sample go with --sitting")}
		case sample:
			pull.Sample = true
			if _, err := a.Discs.Draw(cmd.Context(), 0); err != nil {
				return err
			}
		}
		if page != "" { // said before a disc is read for half an hour
			if err := guarded.Of(a.Config).MaySheet(page, checkSheet); err != nil {
				return err
			}
		}
		if sitting {
			return c.sitting(cmd.Context(), a, pull, o, page)
		}
		if o.At.Drive != "" {
			c.say("%s", caution)
		}
		c.startProgress(0)
		o.About = func(d optical.Contents) { c.progress.disc(d.LeadOut) }
		o.Progress = func(p optical.Progress) { c.progress.sectors(p) }
		x, err := a.Discs.Check(cmd.Context(), o)
		c.progress.stop()
		var broken *checking.BrokenOff
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
		sheet := sheets.CheckSheet{Archive: a.Config.Name, Check: x, Image: o.At.Image, Twice: o.Twice}
		if broken != nil {
			sheet.Unfinished = broken.Error()
		}
		// Those that this check told; one that is open from before may be about something else.
		if now := slices.DeleteFunc(slices.Clone(x.Findings), func(f ledger.Finding) bool { return f.Seen.Before(x.Row.Ended) }); len(now) > 0 {
			m, err := c.matter(cmd.Context(), a, worstOf(now))
			if err != nil {
				return err
			}
			sheet.Steps = report.Texts(m.Steps())
		}
		if page != "" {
			if err := guarded.Of(a.Config).Sheet(page, checkSheet, sheet.HTML); err != nil {
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

// worstOf is the most urgent of some findings, the first of several.
func worstOf(fs []ledger.Finding) ledger.Finding {
	return slices.MaxFunc(fs, func(a, b ledger.Finding) int { return a.Urgency.Level() - b.Urgency.Level() })
}

// afterCheck says below the sheet what there is to do.
func (c *command) afterCheck(ctx context.Context, a *app.App, x discs.Check) {
	if x.Swap != "" {
		c.printf("\n%s.\n", x.Swap)
	}
	if x.Disc.ID == 0 && len(x.Proved) > 1 {
		n := x.Proved[0].Name()
		c.printf("\nIts contents are those of %s, and can't tell which of them it is. Nothing was noted of any of them.\nWhat is written on it tells: firmus disc check %s, or --written %q\n", strings.Join(discNames(x.Proved), " and "), n, n)
	}
	if len(x.Fits) > 0 {
		c.printf("\nThe lengths of its tracks are those of\n")
		c.printRefs(refs(x.Fits))
		c.printf("If that is what was burned: firmus disc add NUMBER --kind audio %s…\n", x.Fits[0].Set+"/"+report.Show(x.Fits[0].Path))
	}
	if len(x.Class) >= 2 && x.Decision == nil {
		c.printf("\n%s are changed alike. One decision is enough: firmus disc decide %s --reason \"…\"\n", fixity.Count(int64(len(x.Class)+1), "disc"), x.Disc.Name())
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
	Unreadable []optical.Range    `json:"unreadable"`         // the first 1,000 rows
	Differing  []differingJSON    `json:"differing"`          // likewise
	Lost       int64              `json:"unreadable_sectors"` // all
	Differ     int64              `json:"differing_sectors"`
	Offset     *int               `json:"offset_samples"`
	Files      []heldJSON         `json:"files"` // those that aren't intact

	Written   string             `json:"written"`
	Proved    []string           `json:"proved"`
	Swap      string             `json:"swap,omitempty"`
	Fits      []deciding.FileRef `json:"fits"`
	AtOnce    int64              `json:"at_once"`
	Retried   int64              `json:"retried"`
	Doubtful  int64              `json:"doubtful"`
	RetriedAt []optical.Range    `json:"retried_at"`
	Structure int64              `json:"structure"`
	Free      int64              `json:"free"`
	Extra     []string           `json:"extra"`
	Directory []string           `json:"directory"` // what is wrong with it; the bytes of its files were found all the same
	Gain      *float64           `json:"gain_db"`
	Edge      int64              `json:"not_comparable_samples"`
	Medium    string             `json:"medium"`
	Drive     string             `json:"drive"`
	Speed     int                `json:"speed"`
	Together  string             `json:"together_complete"` // the disc with which it is; "" none
	Next      []string           `json:"read_next"`
	Bring     []string           `json:"bring"`
	Decision  *int64             `json:"decision"`
	Findings  []report.Finding   `json:"findings"`
	Problems  []string           `json:"problems"`
	Resumed   bool               `json:"resumed"`
	Began     *report.Instant    `json:"began"`
	Ended     *report.Instant    `json:"ended"`
	Event     int64              `json:"event"`
	Error     string             `json:"error,omitempty"` // why it wasn't finished
	Exit      int                `json:"exit"`
}

type differingJSON struct {
	optical.Range
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

func ranges(ps []burned.Sectors) []optical.Range {
	out := []optical.Range{}
	for _, p := range ps {
		out = append(out, optical.Range{LBA: p.LBA, Count: p.Count})
	}
	return out
}

func texts(errs []error) []string {
	out := []string{}
	for _, err := range errs {
		out = append(out, err.Error())
	}
	return out
}

func refs(fs []ledger.File) []deciding.FileRef {
	out := []deciding.FileRef{}
	for _, f := range fs {
		out = append(out, deciding.FileRef{Set: f.Set, Path: ledger.DisplayPath(f.Path)})
	}
	return out
}

func (c *command) checkedJSON(x discs.Check) checkedJSON {
	r, k := x.Report, x.Counts()
	j := checkedJSON{Disc: x.Disc.Number, Twin: x.Disc.Twin, Part: x.Disc.Part, Kind: string(x.About.Kind), Verdict: r.Verdict, Means: fixity.Means("disc", string(r.Verdict)),
		Sectors: k.Sectors, Unreadable: ranges(r.Unreadable), Differing: []differingJSON{}, Lost: r.UnreadableAll, Differ: r.DifferingAll, Files: []heldJSON{},
		Written: x.Row.Written, Proved: discNames(x.Proved), Swap: x.Swap, Fits: refs(x.Fits), AtOnce: k.AtOnce, Retried: k.Retried, Doubtful: k.Doubtful, RetriedAt: ranges(x.RetriedAt()),
		Structure: r.Structure, Free: r.Free, Extra: notNil(r.Extra), Directory: notNil(r.Directory), Medium: x.About.Medium, Drive: x.About.Drive, Speed: r.Check.Speed, Together: x.Together,
		Next: []string{}, Bring: []string{}, Findings: []report.Finding{}, Problems: texts(r.Problems), Resumed: x.Resumed,
		Began: report.InstantOf(x.Row.Began), Ended: report.InstantOf(x.Row.Ended), Event: x.Row.Event, Exit: c.exit}
	on := x.On()
	for _, p := range r.Differing {
		d := differingJSON{Range: optical.Range{LBA: p.LBA, Count: p.Count}, Files: []string{}}
		if p.Track > 0 {
			track, at := p.Track, p.Time
			d.Track, d.Time = &track, &at
		}
		for _, i := range on(p) {
			shown, _ := report.Path(x.Files[i].Path)
			d.Files = append(d.Files, shown)
		}
		j.Differing = append(j.Differing, d)
	}
	for _, b := range x.Bring {
		j.Bring = append(j.Bring, b.Store)
	}
	if h := r.Sound; h != nil {
		if h.Located {
			o := h.Offset
			j.Offset = &o
		}
		j.Edge = h.EdgeStart + h.EdgeEnd
		if g, known := x.Change(); known {
			j.Gain = &g.GainDB
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
	if x.Decision != nil && r.Verdict == fixity.DiscChanged {
		j.Decision = &x.Decision.ID
	}
	for _, f := range x.Findings {
		j.Findings = append(j.Findings, report.FindingOf(f, report.Rules{}, !f.Opened.Before(x.Row.Began)))
	}
	return j
}

func (c *command) discIdentifyCommand() *cobra.Command {
	var o checking.Order
	cmd := &cobra.Command{
		Use:   "identify [NUMBER]",
		Short: "Say which disc this is",
		Long: `Says which registered disc this is, by its table of contents, its label and some of its
sectors. If the disc isn't registered, it names the files that are as long as its tracks.
Nothing is recorded.

Exit status: 0 the disc is known; 1 it isn't, or it is another than the one you named.`,
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
		x, err := a.Discs.Identify(cmd.Context(), o)
		if err != nil {
			return err
		}
		if len(x.Found) == 0 || x.Swap != "" {
			c.exit = exitFinding
		}
		if c.json {
			title, _ := discs.Titles(x.About)
			c.document(map[string]any{"discs": discNames(x.Found), "sure": x.Sure, "kind": x.About.Kind, "label": x.About.Label, "tracks": len(x.About.Tracks),
				"sectors": x.About.LeadOut, "medium": x.About.Medium, "drive": x.About.Drive, "toc": x.About.ID(), "written": x.Written, "swap": x.Swap, "fits": refs(x.Fits),
				"problems": texts(x.About.Problems), "sessions": len(x.About.Sessions), "mcn": x.About.MCN, "title": title, "contents": tracksJSON(x.About), "exit": c.exit})
			return nil
		}
		c.showIdentified(x)
		return nil
	}
	return cmd
}

func (c *command) showIdentified(x checking.Identified) {
	what := string(x.About.Kind) + " disc"
	if x.About.Label != "" {
		what += fmt.Sprintf(", label %q", x.About.Label)
	}
	c.printf("%s, %s, %s sectors\n", what, fixity.Count(len(x.About.Tracks), "track"), fixity.Number(x.About.LeadOut))
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
		c.printRefs(refs(x.Fits))
	}
}

// saysOfItself prints what is written in a disc's table of contents and beside it. Any
// burning program can have put anything there.
func (c *command) saysOfItself(d optical.Contents) {
	title, titles := discs.Titles(d)
	if n := len(d.Sessions); n > 1 {
		c.printf("  %s\n", fixity.Count(int64(n), "session"))
	}
	if title != "" {
		c.printf("  title on it: %s\n", report.Show(title))
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
		if x := titles[t.Number]; x != "" {
			line += "  " + report.Show(x)
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

func tracksJSON(d optical.Contents) []trackJSON {
	out := []trackJSON{}
	_, titles := discs.Titles(d)
	for _, t := range d.Tracks {
		out = append(out, trackJSON{t.Number, t.LBA, t.Sectors, t.Data, t.ISRC, titles[t.Number]})
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

func (p *progress) sectors(d optical.Progress) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	line := fmt.Sprintf("%s: sector %s of %s", discs.Passes[d.Pass], fixity.Number(d.LBA), fixity.Number(p.total))
	if n := d.Counts.Unreadable + d.Counts.Failed; n > 0 {
		line += fmt.Sprintf(", %s not read so far", fixity.Number(n))
	}
	secs := time.Since(p.began).Seconds()
	if d.LBA > 0 && d.LBA < p.total && secs > 2 {
		line += ", " + time.Duration(secs/float64(d.LBA)*float64(p.total-d.LBA)*float64(time.Second)).Round(time.Second).String() + " left"
	}
	p.line = line
}

// ofDisc tells of a disc how many of the sectors that are needed were dealt with.
func (p *progress) ofDisc(done, of int64) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.line = fmt.Sprintf("reading the disc: %s of %s sectors", fixity.Number(done), fixity.Number(of)); done >= of {
		p.line = ""
	}
}
