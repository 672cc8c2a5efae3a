package app

import (
	"bytes"
	"cmp"
	"compress/flate"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/fixity/ledger/private"
	"firmus/fixity/policy"
	"firmus/manifest"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
)

// openDisc opens the disc in a drive, or an image of one, for acts.
func (a *App) openDisc(ctx context.Context, at acts.DiscAt) (acts.OpenedDisc, error) {
	var d *optical.Disc
	var err error
	if at.Image != "" {
		d, err = optical.OpenImage(ctx, at.Image)
	} else {
		d, err = optical.OpenDrive(ctx, at.Drive)
	}
	if err != nil {
		return nil, inWords(at, err)
	}
	return &disc{d, at, filepath.Join(a.Config.State, "discs")}, nil
}

// CheckDrives says of each drive that discs are read in whether it can be used. That it
// is unplugged is all right: it is watched for until it comes.
func CheckDrives(ctx context.Context, c *config.Config) []acts.StoreCheck {
	var out []acts.StoreCheck
	for _, s := range c.Stores {
		if s.Kind != config.Optical || strings.TrimSpace(s.Drive) == "" {
			continue
		}
		x := acts.StoreCheck{Store: s.Name, OK: true}
		p, err := optical.Look(ctx, s.Drive)
		switch {
		case err == nil:
			x.Detail = fmt.Sprintf("drive %s: %s", s.Drive, inDrive[p])
		case errors.Is(err, fixity.ErrAway), errors.Is(err, fs.ErrNotExist):
			x.Detail = fmt.Sprintf("drive %s isn't there now; discs can be checked when it is", s.Drive)
		default:
			x.OK, x.Detail = false, inWords(acts.DiscAt{Drive: s.Drive}, err).Error()
		}
		out = append(out, x)
	}
	return out
}

var inDrive = map[optical.Presence]string{
	optical.Unknown: "it answers, and doesn't say whether a disc lies in it", optical.NoDrive: "it doesn't answer", optical.TrayOpen: "its tray is open",
	optical.NoDisc: "no disc lies in it", optical.NotReady: "it is looking at its disc", optical.HasDisc: "a disc lies in it",
}

// inWords says of an error of a disc or drive what a person can do about it.
func inWords(at acts.DiscAt, err error) error {
	var denied *scsi.DeniedError
	where := at.Drive
	if where == "" {
		where = at.Image
	}
	switch {
	case errors.Is(err, optical.ErrTrayOpen):
		return fmt.Errorf("%s: the tray is open: %w", where, err)
	case errors.Is(err, optical.ErrNoDisc):
		return fmt.Errorf("%s: there is no disc in the drive: %w", where, err)
	case errors.Is(err, optical.ErrNotReady):
		return fmt.Errorf("%s: the drive doesn't recognise the disc. Take it out, look at it, clean it straight from the centre to the edge, and try another drive: %w", where, err)
	case errors.Is(err, optical.ErrBlank):
		return fmt.Errorf("%s: nothing is written on the disc: %w", where, err)
	case errors.Is(err, optical.ErrHalfErased), errors.Is(err, optical.ErrNoTOC), errors.Is(err, optical.ErrFormat):
		return fmt.Errorf("%s: %w. Try a second drive before you give it up", where, err)
	case errors.As(err, &denied) && denied.Group != "":
		return fmt.Errorf("%s: the account may not use the drive; it would as a member of the group %q: %w", where, denied.Group, err)
	case errors.Is(err, optical.ErrImage):
		return fmt.Errorf("%w: %w", err, fixity.ErrRefused)
	case at.Image == "" && errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: there is no such drive, or it was unplugged: %w", where, fixity.ErrAway)
	case errors.Is(err, fixity.ErrBusy):
		return fmt.Errorf("%s: another program uses the drive: %w", where, err)
	case errors.Is(err, optical.ErrSwapped):
		return fmt.Errorf("%s: %w. Nothing of what was read was kept; check it again", where, err)
	case errors.Is(err, optical.ErrStalled):
		return fmt.Errorf("%s: %w. Let the drive rest, or try a second one", where, err)
	}
	return err
}

// disc is an opened disc as acts see it.
type disc struct {
	*optical.Disc
	at  acts.DiscAt
	tmp string
}

func (d *disc) About() acts.DiscAbout {
	c := d.Contents()
	out := acts.DiscAbout{ID: c.ID(), Kind: string(c.Kind), Medium: c.Medium, Drive: c.Drive, Label: c.Label, LeadOut: c.LeadOut}
	if d.Drive() && out.Drive == "" {
		out.Drive = d.at.Drive
	}
	out.Sessions, out.MCN = len(c.Sessions), c.MCN
	titles := map[int]string{}
	if len(c.Text) > 0 { // the first language is the disc's own
		out.Title = titleOf(c.Text[0].Disc)
		for _, w := range c.Text[0].Tracks {
			titles[w.Track] = titleOf(w)
		}
	}
	for _, t := range c.Tracks {
		out.Tracks = append(out.Tracks, acts.DiscTrack{Number: t.Number, LBA: t.LBA, Sectors: t.Sectors, Data: t.Data, ISRC: t.ISRC, Title: titles[t.Number]})
	}
	out.Closed = d.Drive()
	for _, p := range c.Problems {
		out.Closed = out.Closed && !errors.Is(p, optical.ErrNotClosed) && !errors.Is(p, optical.ErrSessions)
		out.Open = out.Open || errors.Is(p, optical.ErrNotClosed)
		out.Problems = append(out.Problems, p.Error())
	}
	return out
}

// titleOf is what CD-TEXT calls something, and whose it says it is.
func titleOf(w mmc.Words) string {
	if w.Title != "" && w.Performer != "" {
		return w.Title + " (" + w.Performer + ")"
	}
	return w.Title + w.Performer
}

// spare is what the state folder's drive must have left beside a spool.
const spare = 256 << 20

func (d *disc) spool(n int64) (burned.Spool, error) {
	if err := private.MkdirAll(d.tmp); err != nil {
		return nil, err
	}
	if free := freeBytes(d.tmp); free >= 0 && free < n+spare {
		return nil, fmt.Errorf("%s has room for %d bytes, and the disc takes %d: its files are read from it a second time", d.tmp, free, n)
	}
	f, err := acts.NewScratch(d.tmp, "sectors-*")
	if err != nil {
		return nil, err
	}
	return f, nil
}

var passes = map[optical.Pass]string{
	optical.First: "reading", optical.Again: "reading single sectors again", optical.Second: "reading the sound a second time", optical.Slow: "trying at the lowest speed",
}

func (d *disc) Check(ctx context.Context, w acts.DiscWant, o acts.DiscOptions) (acts.DiscReport, error) {
	want := burned.Want{Kind: optical.Kind(w.Kind), Files: files(w.Files)}
	if len(w.Baseline) > 0 {
		want.Baseline = &burned.Baseline{}
		if err := want.Baseline.UnmarshalBinary(w.Baseline); err != nil {
			return acts.DiscReport{}, fmt.Errorf("what the first reading gave can't be read: %w", err)
		}
	}
	opts := burned.Options{Fresh: o.Fresh, Twice: o.Twice, Spool: d.spool, Now: o.Now, Offset: o.Offset, OffsetKnown: o.OffsetKnown}
	if len(o.Map) > 0 {
		m, err := unpackMap(o.Map)
		if err == nil && m.Disc() == d.Contents().ID() {
			opts.Map = m // a map that can't be used is no loss: the check begins anew
		}
	}
	if o.Progress != nil {
		opts.Progress = func(p optical.Progress) {
			o.Progress(acts.DiscProgress{Pass: passes[p.Pass], LBA: p.LBA, Of: d.Contents().LeadOut, Unreadable: p.Counts.Unreadable + p.Counts.Failed})
		}
	}
	r, err := burned.Check(ctx, d.Disc, want, opts)
	out, packErr := d.report(r, w)
	if err != nil {
		if errors.Is(err, optical.ErrSwapped) {
			out.Map = nil // it is of no disc
		}
		return out, inWords(d.at, err)
	}
	return out, packErr
}

// firmusOwn says that a file on a disc came there with the folder that was burned: a
// marker, a backup, a list of checksums. Nobody registers those.
func firmusOwn(p string) bool {
	_, _, list := manifest.ParseName(path.Base(p))
	return list || strings.HasPrefix(p, ".firmus") || strings.Contains(p, "/.firmus")
}

func (d *disc) report(r burned.Report, w acts.DiscWant) (acts.DiscReport, error) {
	out := acts.DiscReport{Verdict: r.Verdict, Speed: r.Check.Speed, Structure: r.Structure, Free: r.Free, View: viewed[r.View], Directory: r.Directory, Extra: slices.DeleteFunc(slices.Clone(r.Extra), firmusOwn)}
	for _, p := range r.Problems {
		out.Problems = append(out.Problems, p.Error())
	}
	var err error
	if m := r.Check.Map; m != nil {
		c := m.Counts()
		out.Sectors, out.AtOnce, out.Retried, out.Doubtful, out.Unreadable, out.Untried = c.Sectors, c.AtOnce, c.Retried, c.Doubtful, c.Unreadable, c.Untried+c.Failed
		for run := range m.Runs() {
			out.Runs = append(out.Runs, acts.DiscRun{DiscRange: acts.DiscRange{LBA: run.LBA, Count: run.Count}, State: run.State.String(), Tries: run.Tries})
		}
		again, _ := m.Retried()
		for _, x := range again {
			out.RetriedAt = append(out.RetriedAt, d.place(x.LBA, x.Count))
		}
		if out.Map, err = packMap(m); err != nil {
			return out, err
		}
	}
	index := map[string]int{}
	for i, f := range r.Files {
		if f.At != "" {
			index[f.At] = i
		}
	}
	for _, s := range r.Unreadable {
		out.UnreadableAt = append(out.UnreadableAt, d.sectors(s, r.Files, index))
	}
	for _, s := range r.Differing {
		out.DifferingAt = append(out.DifferingAt, d.sectors(s, r.Files, index))
	}
	for i, f := range r.Files {
		if i == len(w.Files) {
			break
		}
		out.Files = append(out.Files, holds(f))
	}
	out.Sound = heard(r)
	if r.Baseline != nil {
		if out.Baseline, err = r.Baseline.MarshalBinary(); err != nil {
			return out, err
		}
	}
	return out, nil
}

// viewed are the trees of a disc in words.
var viewed = map[discfs.View]string{discfs.RockRidge: "Rock Ridge", discfs.UDF: "UDF", discfs.Joliet: "Joliet", discfs.Plain: "ISO 9660"}

// heard is how an audio disc's sound compares.
func heard(r burned.Report) *acts.DiscHeard {
	if r.Sound == nil {
		return nil
	}
	s := r.Sound
	out := &acts.DiscHeard{Located: s.Located, Offset: s.Offset, EdgeStart: s.EdgeStart, EdgeEnd: s.EdgeEnd, Slips: s.SlipsAll}
	if r.Verdict != fixity.DiscChanged {
		return out
	}
	low, high, any := 0.0, 0.0, false
	out.Levelled = r.UnreadableAll == 0 && r.DifferingAll == 0
	for _, f := range r.Files {
		l := f.Likeness
		if f.Cause != burned.CauseChanged {
			out.Levelled = out.Levelled && f.State == fixity.Intact && !f.Weaker
			continue
		}
		out.Levelled = out.Levelled && l.Even && l.Lacking == 0
		if l.Alike > 0 && !any {
			any, low, high = true, l.LowDB, l.HighDB
			out.Changed, out.GainDB, out.SpreadDB, out.Inverted = true, l.GainDB, l.SpreadDB, l.Inverted
		}
		low, high = min(low, l.LowDB), max(high, l.HighDB)
	}
	out.OneLevel = high-low <= policy.SameGain
	return out
}

// place is a row of sectors, with where in its track it is.
func (d *disc) place(lba, count int64) acts.DiscPlace {
	p := acts.DiscPlace{DiscRange: acts.DiscRange{LBA: lba, Count: count}}
	if t, ok := d.Contents().TrackAt(lba); ok && !t.Data && lba >= t.LBA {
		p.Track, p.Time = t.Number, cdda.Run{LBA: lba, Track: t.Number, Frame: lba - t.LBA}.Time()
	}
	return p
}

func (d *disc) sectors(s burned.Sectors, files []burned.Held, index map[string]int) acts.DiscPlace {
	p := acts.DiscPlace{DiscRange: acts.DiscRange{LBA: s.LBA, Count: s.Count}, Track: s.Track, Time: s.Time, Structure: s.Kind == discfs.OfStructure}
	for _, x := range s.Of {
		p.Paths = append(p.Paths, x.Path)
		if i, ok := index[x.Path]; ok {
			p.Files = append(p.Files, i)
		}
	}
	if s.Of != nil || s.Kind != "" {
		return p
	}
	// Sound: the source that begins last before the sector. A drive reads shifted by some
	// sectors at most, so at an edge it may be the neighbour's.
	best := -1
	for i, f := range files {
		if f.LBA >= 0 && f.LBA <= s.LBA+s.Count-1 && (best < 0 || f.LBA > files[best].LBA) {
			best = i
		}
	}
	if best >= 0 {
		p.Files = []int{best}
	}
	return p
}

// why says in a sentence why a file isn't simply intact.
var why = map[string]string{
	burned.CauseChanged:     "the same recording with other samples: its level or more was changed on the way",
	burned.CauseAlike:       "the same recording, as far as a likeness can tell",
	burned.CauseOther:       "another recording",
	burned.CauseSaysNothing: "there is no sound in it to compare",
	burned.CauseNotCompared: "nothing to compare it with is within reach",
	burned.CauseRenamed:     "its bytes lie under another name",
	burned.CauseNotFound:    "its directory can't be read, so it isn't known whether it is there",
	burned.CauseShorter:     "it lies behind the end of the disc or image",
	burned.CauseSilent:      "the disc is silent where the file has a sound",
	burned.CauseReduced:     "sample for sample, each brought to 16 bits",

	string(cdda.ChannelsExchanged): "the left and right channels are exchanged",
	string(cdda.BytesExchanged):    "the bytes of each sample are exchanged: it plays as noise",
	string(cdda.LeftLost):          "the left channel is lost: it is silent on the disc",
	string(cdda.RightLost):         "the right channel is lost: it is silent on the disc",
	string(cdda.LeftInBoth):        "the right channel is lost: the left one stands in both",
	string(cdda.RightInBoth):       "the left channel is lost: the right one stands in both",
}

func holds(f burned.Held) (out acts.DiscHolds) {
	defer func() { out.Why = cmp.Or(soundIs(f), out.Why) }()
	out = acts.DiscHolds{State: f.State, At: f.At, Track: f.Track, LBA: f.LBA, Ranges: f.Ranges, More: f.More, Weaker: f.Weaker, Why: why[f.Cause]}
	if f.Cause == burned.CauseChanged && f.Likeness.Alike > 0 {
		out.Why = fmt.Sprintf("the same recording with other samples: %+.1f dB", f.Likeness.GainDB)
	}
	for _, g := range f.Got {
		if g.Algorithm == fixity.BLAKE3 && f.State == fixity.Altered {
			out.Wrong = g
		}
	}
	if f.State == fixity.Altered {
		out.Blocks = f.Blocks
	}
	return out
}

// mostPlaces is how many places a sentence tells.
const mostPlaces = 3

// soundIs says what can be said in numbers of a source on a disc of sound; "" if nothing.
func soundIs(f burned.Held) string {
	seconds := func(samples int64) string { return fmt.Sprintf("%.2f s", float64(samples)/cdda.Rate) }
	l := f.Likeness
	whole := fmt.Sprintf("%s of %s", seconds(l.AlikeSectors*cdda.SectorSamples), seconds(l.Sectors*cdda.SectorSamples+l.Lacking))
	switch f.Cause {
	case burned.CauseSkips:
		var at []string
		for i, b := range f.Breaks {
			if i == mostPlaces {
				at = append(at, fmt.Sprintf("and %d more places", len(f.Breaks)-i))
				break
			}
			p := fmt.Sprintf("at sector %d", b.LBA)
			if t := (cdda.Run{Track: b.Track, Frame: b.Frame}).Time(); t != "" {
				p = fmt.Sprintf("in disc track %d at %s", b.Track, t)
			}
			switch {
			case b.LeftOut > 0 && b.PutIn > 0:
				p += fmt.Sprintf(" %s are left out, and %s of something else are put in", seconds(b.LeftOut), seconds(b.PutIn))
			case b.LeftOut > 0:
				p += fmt.Sprintf(" %s are left out", seconds(b.LeftOut))
			case b.PutIn > 0:
				p += fmt.Sprintf(" %s are put in", seconds(b.PutIn))
			default:
				p += " something is played twice"
			}
			at = append(at, p)
		}
		return "the disc itself skips: " + strings.Join(at, "; ")
	case burned.CausePartlyAlike:
		return fmt.Sprintf("the same recording for %s; the rest isn't", whole)
	case burned.CauseAlike:
		if l.Sectors > 0 {
			return fmt.Sprintf("the same recording for %s, as far as a likeness can tell", whole)
		}
	case burned.CauseShorter:
		if f.Lacking > 0 {
			return fmt.Sprintf("the disc ends before it does, or has no room for it: %s of it lack", seconds(f.Lacking))
		}
	case burned.CauseChanged:
		if l.Sectors > 0 && !l.Even {
			return fmt.Sprintf("the same recording with other samples: %+.1f dB, and more than its level was changed", l.GainDB)
		}
	}
	return ""
}

func (d *disc) Identify(ctx context.Context, known []acts.KnownDisc) ([]acts.DiscMatch, error) {
	var ks []burned.Known
	for _, k := range known {
		x := burned.Known{ID: k.Disc, Kind: optical.Kind(k.Kind), TOC: k.TOC, Files: files(k.Files)}
		if len(k.Baseline) > 0 {
			x.Baseline = &burned.Baseline{}
			if err := x.Baseline.UnmarshalBinary(k.Baseline); err != nil {
				return nil, fmt.Errorf("what the first reading of a disc gave can't be read: %w", err)
			}
		}
		ks = append(ks, x)
	}
	ms, err := burned.Identify(ctx, d.Disc, ks)
	if err != nil {
		return nil, inWords(d.at, err)
	}
	var out []acts.DiscMatch
	for _, m := range ms {
		out = append(out, acts.DiscMatch{Disc: m.ID, Sure: m.Sure, How: string(m.How)})
	}
	return out, nil
}

func files(fs []acts.WantedFile) []burned.File {
	var out []burned.File
	for _, f := range fs {
		x := burned.File{Name: f.Name, Size: f.Size, Digests: f.Digests, Blocks: f.Blocks, Samples: f.Samples}
		if s := f.Sound; s != nil {
			x.Sound = &cdda.Source{Name: f.Name, PCM: s.PCM, Samples: s.Samples, Format: cdda.Format{Rate: s.Rate, Channels: s.Channels, Bits: s.Bits}}
		}
		out = append(out, x)
	}
	return out
}

// packMap is a map as it is kept.
func packMap(m *optical.Map) ([]byte, error) {
	var b bytes.Buffer
	w, err := flate.NewWriter(&b, flate.BestSpeed)
	if err != nil {
		return nil, err
	}
	if _, err := m.WriteTo(w); err != nil {
		return nil, err
	}
	err = w.Close()
	return b.Bytes(), err
}

// maxMap bounds what a map may unfold to.
const maxMap = 256 << 20

func unpackMap(b []byte) (*optical.Map, error) {
	return optical.ReadMap(io.LimitReader(flate.NewReader(bytes.NewReader(b)), maxMap))
}

// Drive is the device that discs are read in where none is named; "" if the
// configuration has none.
func (a *App) Drive() string {
	for _, s := range a.Config.Stores {
		if s.Kind == config.Optical && strings.TrimSpace(s.Drive) != "" {
			return s.Drive
		}
	}
	return ""
}
