// Package stave draws pages' own picture: the copies of a recording as voices, one line a
// copy, all along the recording's time. What is drawn comes from report.Stave, which the text
// of it comes from too, so that the two can't disagree.
//
// Each copy's line is an SVG of its own with lengths in per cent: so lines are as wide as
// the page has room for, and what is written beside them keeps its size on a phone. No colour
// and no style of an element carries a meaning.
package stave

import (
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity/damage"
)

// least is the width of the outline of a damaged stretch in CSS pixels. Half of it lies
// on each side of the box, so nothing is drawn narrower, however short it is.
const least = 3

// narrow is the narrowest that a line is drawn, in CSS pixels: on a phone.
const narrow = 300

// CSS is the figure's part of a style sheet.
//
//go:embed stave.css
var CSS string

//go:embed stave.html
var page string

var pages = sync.OnceValue(func() *template.Template { return template.Must(template.New("stave").Parse(page)) })

// HTML is the whole figure; "" if the recording's length isn't known or there is no copy.
// id tells it from other figures on the page.
func HTML(s report.Stave, id string) (template.HTML, error) {
	if s.Length <= 0 || len(s.Voices) == 0 {
		return "", nil
	}
	f := figure{ID: id, Ticks: ticks(s.Length), Long: damage.Clock(s.Length), End: short(s.Length)}
	if s.Length >= 10*time.Second {
		f.End = short(s.Length.Truncate(time.Second))
	}
	for _, m := range s.Legend() {
		f.Legend = append(f.Legend, key{m.Text, kinds[m.Sign]})
	}
	for i, v := range s.Voices {
		r := drawn(s, v)
		r.Hatch = fmt.Sprintf("%s-%d", id, i)
		r.Ticks = f.Ticks
		f.Rows = append(f.Rows, r)
		f.Wider = f.Wider || r.wider
	}
	var b bytes.Buffer
	if err := pages().Execute(&b, f); err != nil {
		return "", err
	}
	return template.HTML(b.String()), nil
}

type figure struct {
	ID, Long string
	End      string // the length as the scale has it
	Ticks    []tick
	Rows     []row
	Legend   []key
	Wider    bool // some stretch is drawn wider than it is
}

// tick is a mark of the scale.
type tick struct{ X, Text string }

// key is a sign with what it means.
type key struct{ Text, Kind string }

// row is one copy. Lengths are per cents of the recording.
type row struct {
	Name, Is string
	Hatch    string // the id of its hatching
	Alt      string
	Told     []string
	Lines    []line
	Boxes    []box
	Gaps     []box  // drawn in the colour of the paper, so that short ones are seen
	Stop     string // where it ends; "" if it doesn't
	Beyond   bool
	Ticks    []tick
	wider    bool
}

type line struct{ X1, X2, Kind string }

type box struct{ X, Width string }

// kinds are the classes of lines.
var kinds = map[report.Sign]string{
	report.FirmLine: "firm", report.ThinLine: "thin", report.HollowLine: "hollow", report.DottedLine: "dotted",
	report.WrongBytes: "wrong", report.StopHere: "stop", report.GoesOn: "beyond", report.Nothing: "gap",
}

// drawn lays one copy out.
func drawn(s report.Stave, v report.Voice) row {
	d := v.Drawn(s.Length)
	r := row{Name: plain(v.Name), Is: plain(v.Words)}
	for _, told := range s.Told(v) {
		r.Told = append(r.Told, plain(told))
	}
	r.Alt = r.Name + ": " + r.Is
	if len(r.Told) > 0 {
		r.Alt += ". " + strings.Join(r.Told, ". ")
	}
	end := s.Length
	if d.CutShort {
		end, r.Stop = d.Ends, per(d.Ends, s.Length)
	}
	at := time.Duration(0)
	stretch := func(to time.Duration) {
		switch {
		case to <= at || d.Base == report.Nothing:
		case d.Base == report.WrongBytes:
			r.Boxes = append(r.Boxes, box{per(at, s.Length), per(to-at, s.Length)})
		default:
			r.Lines = append(r.Lines, line{per(at, s.Length), per(to, s.Length), kinds[d.Base]})
		}
	}
	for _, h := range d.Hurt {
		stretch(h.From)
		r.wider = r.wider || float64(h.To-h.From)/float64(s.Length)*narrow < least
		b := box{per(h.From, s.Length), per(h.To-h.From, s.Length)}
		if d.Mark == report.WrongBytes {
			r.Boxes = append(r.Boxes, b)
		} else {
			r.Gaps = append(r.Gaps, b)
		}
		at = h.To
	}
	stretch(end)
	r.Beyond = d.Beyond
	return r
}

// plain is a text without what XML and SVG can't hold.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0xfffe || r == 0xffff {
			return utf8.RuneError
		}
		return r
	}, strings.ToValidUTF8(s, string(utf8.RuneError)))
}

// per is a time as per cent of the length.
func per(d, length time.Duration) string {
	return fmt.Sprintf("%.4f%%", 100*float64(d)/float64(length))
}

// steps are what a scale may count by.
var steps = []time.Duration{
	10 * time.Millisecond, 50 * time.Millisecond, 100 * time.Millisecond, 500 * time.Millisecond,
	time.Second, 5 * time.Second, 10 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 30 * time.Minute,
	time.Hour, 2 * time.Hour, 6 * time.Hour, 24 * time.Hour,
}

// mostTicks keeps the scale readable on a phone.
const mostTicks = 7

// ending is the share of a scale that the text of its end takes on a phone.
const ending = 0.16

// ticks are the marks of a scale, without its end: none so near to that or to each other
// that their texts would touch.
func ticks(length time.Duration) (out []tick) {
	step := steps[len(steps)-1]
	for _, s := range steps {
		if length/s < mostTicks {
			step = s
			break
		}
	}
	step = max(step, length/mostTicks)
	for at := time.Duration(0); at == 0 || at < length; at += step {
		t := tick{X: per(at, length)}
		if at == 0 || float64(at) < (1-ending)*float64(length) {
			t.Text = short(at)
			if step < time.Second {
				t.Text = fmt.Sprintf("%g s", at.Seconds())
			}
		}
		out = append(out, t)
	}
	return out
}

// short is a time of the scale, as short as it can be told.
func short(d time.Duration) string {
	if d%time.Second != 0 {
		return fmt.Sprintf("%.2f s", d.Seconds())
	}
	return cmp.Or(report.Clock(d), "0:00")
}
