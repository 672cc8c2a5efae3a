package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/ledger"
)

// Stave shows the copies of a recording as voices, one line a copy, all along the
// recording's time. It is named after music paper.
type Stave struct {
	Length time.Duration // of the version under care
	Voices []Voice
	// Disputed says that nothing tells which version is right.
	Disputed bool
}

// Voice is one copy.
type Voice struct {
	Name  string
	Copy  ledger.Copy
	Away  bool           // its store could not be reached
	Kind  fixity.Kind    // of its open finding; "" if none is open
	How   fixity.Anatomy // of that finding
	Hurt  []damage.Span  // where it differs, or can't be read
	Words string         // what it is, and when it was last known
}

// Sign is what a stretch of a copy's line is drawn as. As a rune it is what text draws.
type Sign rune

// The signs of a stave.
const (
	FirmLine   Sign = '━' // read, and right
	ThinLine   Sign = '─' // reported right by the service, and not read
	HollowLine Sign = '═' // right when last read, and not here now
	DottedLine Sign = '┈' // awaited
	WrongBytes Sign = '▒' // other bytes
	Nothing    Sign = ' ' // can't be read, or nothing
	StopHere   Sign = '┃' // it ends here
	GoesOn     Sign = '▶' // it goes on behind the end
)

// Drawn is what is drawn of a copy, in text and in a picture alike.
type Drawn struct {
	Base Sign // all along, where nothing else is said
	// Hurt are stretches of the recording in order, apart from each other and within its
	// length; Mark is what they are drawn as, WrongBytes or Nothing.
	Hurt []damage.Span
	Mark Sign
	// Ends is where a copy that was cut short ends, if CutShort.
	CutShort bool
	Ends     time.Duration
	Beyond   bool // it goes on behind the end
}

// Drawn is what is drawn of the copy along a recording of the given length.
func (v Voice) Drawn(length time.Duration) Drawn {
	d := Drawn{Base: v.base(), Mark: WrongBytes}
	switch v.Copy.State {
	case fixity.Altered, fixity.Disputed, fixity.Unreadable, fixity.Unsteady:
	default:
		return d
	}
	if v.Copy.State == fixity.Unreadable {
		d.Mark = Nothing
	}
	d.Hurt = within(v.Hurt, length)
	if v.How == fixity.Grown {
		d.Hurt = slices.DeleteFunc(d.Hurt, func(s damage.Span) bool { return s.From >= length-1 })
	}
	switch {
	case v.How == fixity.CutShort && len(d.Hurt) > 0: // nothing comes behind the place where it ends
		d.CutShort, d.Ends, d.Hurt = true, d.Hurt[0].From, nil
	case v.How == fixity.Grown:
		d.Beyond = true
	}
	return d
}

// within are the spans that lie in the sound, as far as the recording goes; what lies
// behind its end is at the end. Those that touch are one.
func within(spans []damage.Span, length time.Duration) (out []damage.Span) {
	spans = slices.Clone(spans)
	slices.SortStableFunc(spans, func(a, b damage.Span) int { return cmp.Compare(a.From, b.From) })
	for _, s := range spans {
		if !s.InSound || length <= 0 {
			continue
		}
		s.From, s.To = max(0, s.From), min(length, s.To)
		if s.From >= length {
			s.From, s.To = length-1, length
		}
		if n := len(out); n > 0 && s.From <= out[n-1].To {
			out[n-1].To = max(out[n-1].To, s.To)
			out[n-1].About = out[n-1].About || s.About
			out[n-1].Channels = nil
			continue
		}
		out = append(out, s)
	}
	return out
}

// Signs are those that are drawn of a copy; Nothing only where it is a gap in a line.
func (d Drawn) Signs() (out []Sign) {
	if d.Base != Nothing {
		out = append(out, d.Base)
	}
	if len(d.Hurt) > 0 && d.Base != d.Mark {
		out = append(out, d.Mark)
	}
	if d.CutShort {
		out = append(out, StopHere)
	}
	if d.Beyond {
		out = append(out, GoesOn)
	}
	return out
}

// meanings are what signs say, in the order in which they are told.
var meanings = []Meaning{
	{FirmLine, "read and right"}, {ThinLine, "reported right, not read"}, {HollowLine, "right when last read, not here now"}, {DottedLine, "awaited"},
	{WrongBytes, "other bytes"}, {StopHere, "it ends here"}, {GoesOn, "it goes on behind the end"}, {Nothing, "can't be read"},
}

// Meaning is what a sign says.
type Meaning struct {
	Sign Sign
	Text string
}

// Legend are the meanings of the signs that occur in the stave.
func (s Stave) Legend() (out []Meaning) {
	seen := map[Sign]bool{}
	for _, v := range s.Voices {
		for _, sign := range v.Drawn(s.Length).Signs() {
			seen[sign] = true
		}
	}
	for _, m := range meanings {
		if !seen[m.Sign] {
			continue
		}
		if s.Disputed {
			m.Text = strings.NewReplacer("read and right", "as the version has it", "reported right", "reported as the version", "right when last read", "as the version when last read").Replace(m.Text)
		}
		out = append(out, m)
	}
	return out
}

// Lines are the stave in text: a scale, a line a copy, and a legend of the signs that occur.
// A damaged stretch is at least one sign wide. It is nil if the length isn't known.
func (s Stave) Lines(width int) []string {
	if s.Length <= 0 || width <= 0 || len(s.Voices) == 0 {
		return nil
	}
	names := 0
	for _, v := range s.Voices {
		names = max(names, len([]rune(v.Name)))
	}
	from, to := damage.Clock(0), damage.Clock(s.Length)
	out := []string{fmt.Sprintf("%-*s  %s%*s", names, "", from, max(1, width-len(from)), to)}
	for _, v := range s.Voices {
		line := v.Drawn(s.Length).text(s.Length, width)
		out = append(out, strings.TrimRight(fmt.Sprintf("%-*s  %s  %s", names, v.Name, line, v.Words), " "))
	}
	var key []string
	for _, m := range s.Legend() {
		if m.Sign == Nothing {
			key = append(key, "a gap: "+m.Text)
			continue
		}
		key = append(key, fmt.Sprintf("%c %s", m.Sign, m.Text))
	}
	if len(key) > 0 {
		out = append(out, strings.Join(key, "   "))
	}
	return out
}

// text is one copy's line.
func (d Drawn) text(length time.Duration, width int) string {
	line := []rune(strings.Repeat(string(rune(d.Base)), width))
	for i, h := range damage.Columns(d.Hurt, length, width) {
		if h {
			line[i] = rune(d.Mark)
		}
	}
	if d.CutShort {
		at := slices.Index(damage.Columns([]damage.Span{{InSound: true, From: d.Ends, To: length}}, length, width), true)
		for i := at; i < width; i++ {
			line[i] = rune(Nothing)
		}
		line[at] = rune(StopHere)
	}
	if d.Beyond {
		line[width-1] = rune(GoesOn)
	}
	return string(line)
}

// base is the sign of a copy where nothing is known to be wrong in it.
func (v Voice) base() Sign {
	c := v.Copy
	switch c.State {
	case fixity.Awaited:
		return DottedLine
	case fixity.Missing, fixity.Behind:
		return Nothing
	case fixity.Unsteady:
		return WrongBytes // nothing is known of where
	case fixity.Altered, fixity.Disputed, fixity.Unreadable:
		if len(v.Hurt) == 0 {
			if c.State == fixity.Unreadable {
				return Nothing
			}
			return WrongBytes
		}
	}
	switch {
	case v.Away:
		return HollowLine
	case c.Read.At.IsZero() && c.Reported.OK:
		return ThinLine
	}
	return FirmLine
}

// toldMost is how many stretches of one copy are told in words.
const toldMost = 5

// Told are a copy's stretches in words, with their times: what its line shows.
func (s Stave) Told(v Voice) (out []string) {
	d := v.Drawn(s.Length)
	what := "other bytes"
	if d.Mark == Nothing {
		what = "can't be read"
	}
	for i, h := range d.Hurt {
		if i == toldMost {
			out = append(out, fmt.Sprintf("and %s more", fixity.Count(len(d.Hurt)-i, "place")))
			break
		}
		about, channels := "", ""
		if h.About {
			about = "about "
		}
		if len(h.Channels) > 0 {
			channels = ", channel " + strings.Trim(strings.ReplaceAll(fmt.Sprint(h.Channels), " ", ", "), "[]") + " only"
		}
		out = append(out, fmt.Sprintf("%s: %s%s to %s (%s%s)", what, about, damage.Clock(h.From), damage.Clock(h.To), Lasts(h.To-h.From), channels))
	}
	switch {
	case d.CutShort:
		out = append(out, fmt.Sprintf("it ends at %s: the last %s is lacking", damage.Clock(d.Ends), Lasts(s.Length-d.Ends)))
	case d.Beyond:
		out = append(out, "it goes on behind the end")
	case len(d.Hurt) > 0:
	case d.Base == Nothing && v.Copy.State == fixity.Unreadable:
		out = append(out, "can't be read; where isn't known")
	case d.Base == WrongBytes:
		out = append(out, "where it differs isn't known")
	}
	return out
}

// Lasts is how long a stretch of a recording is, for a person.
func Lasts(d time.Duration) string {
	switch {
	case d < 10*time.Millisecond:
		return fmt.Sprintf("%.4f s", d.Seconds())
	case d < time.Minute:
		return fmt.Sprintf("%.2f s", d.Seconds())
	}
	d = d.Round(time.Second)
	if d < time.Hour {
		return fmt.Sprintf("%d min %d s", d/time.Minute, d/time.Second%60)
	}
	return fmt.Sprintf("%d h %d min", d/time.Hour, d/time.Minute%60)
}

// Stave is the stave of a file from its copies and the findings about it; hurt gives the
// spans that a finding tells of. Discs have a picture of their own.
func (m Matter) Stave(copies []ledger.Copy, findings []ledger.Finding, length time.Duration, away Absent, hurt func(ledger.Finding) ([]damage.Span, error)) (Stave, error) {
	s := Stave{Length: length, Disputed: InDispute(copies)}
	for _, x := range copies {
		if x.Carrier != 0 {
			continue
		}
		_, gone := away[x.Store]
		v := Voice{Name: x.Store, Copy: x, Away: gone}
		v.Words, _ = m.CopyInWords(x, s.Disputed)
		for _, o := range findings {
			if !o.Open() || o.Store != x.Store || o.Carrier != 0 || o.Kind == fixity.Unfinished {
				continue
			}
			spans, err := hurt(o)
			if err != nil {
				return Stave{}, err
			}
			v.Kind, v.How, v.Hurt = o.Kind, o.Anatomy, spans
		}
		s.Voices = append(s.Voices, v)
	}
	return s, nil
}
