package clips

import (
	"encoding/xml"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// The waveform's picture, in units of its own: it is stretched to whatever place it gets.
const (
	waveWide = columns
	waveHigh = 120
	// leastWide is how wide a damaged stretch is drawn at least.
	leastWide = 4
)

// SVG draws the clip's waveform, with brackets around what is damaged and nothing where
// nothing can be played. It holds no text: times stand beside it on the page. It brings its
// own ground, so that it is seen on any page and on paper.
func (c *Clip) SVG() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" preserveAspectRatio="none" width="%d" height="%d">`, waveWide, waveHigh, waveWide, waveHigh)
	fmt.Fprintf(&b, "\n"+`<rect width="%d" height="%d" fill="#fbf9f3"/>`, waveWide, waveHigh)
	fmt.Fprintf(&b, "\n"+`<path d="M0 %d.5H%d" stroke="#1f1c17" stroke-opacity=".35" stroke-width="1" vector-effect="non-scaling-stroke"/>`, waveHigh/2, waveWide)
	wide := float64(waveWide) / float64(max(1, len(c.Peaks)))
	var d strings.Builder
	for i, p := range c.Peaks {
		if p.Nothing {
			continue
		}
		top, low := level(p.High), level(p.Low)
		if low-top < 1 {
			top, low = (top+low)/2-.5, (top+low)/2+.5
		}
		fmt.Fprintf(&d, "M%.2f %.1fh%.2fV%.1fh-%.2fz", float64(i)*wide, top, wide, low, wide)
	}
	if d.Len() > 0 {
		fmt.Fprintf(&b, "\n"+`<path d="%s" fill="#1f1c17"/>`, d.String())
	}
	for _, h := range c.Hurt {
		from, to := c.x(h.From), c.x(h.To)
		if to-from < leastWide {
			mid := (from + to) / 2
			from, to = mid-leastWide/2, mid+leastWide/2
		}
		fmt.Fprintf(&b, "\n"+`<path class="hurt" d="M%.2f 12V2H%.2fV12M%.2f %dV%dH%.2fV%d" fill="none" stroke="#8a2b36" stroke-width="2" vector-effect="non-scaling-stroke"/>`,
			from, to, from, waveHigh-12, waveHigh-2, to, waveHigh-12)
	}
	if c.Ended() {
		fmt.Fprintf(&b, "\n"+`<path class="ends" d="M%.2f 0V%d" stroke="#1f1c17" stroke-width="4" vector-effect="non-scaling-stroke"/>`, c.x(c.To), waveHigh)
	}
	b.WriteString("\n</svg>\n")
	return []byte(b.String())
}

// Ended says that the recording ends within the clip's time.
func (c *Clip) Ended() bool { return c.Asked.To-c.To > time.Millisecond }

// Sorry is a picture in the place of a waveform that can't be drawn, with the reason. It
// has the same shape.
func Sorry(why string) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d">`+"\n"+`<rect width="%d" height="%d" fill="#fbf9f3" stroke="#595347"/>`, waveWide, waveHigh, waveWide, waveHigh, waveWide, waveHigh)
	const row = 68 // signs that a line holds
	line, y := "", 40
	put := func() {
		var escaped strings.Builder
		_ = xml.EscapeText(&escaped, []byte(line))
		fmt.Fprintf(&b, "\n"+`<text x="20" y="%d" font-family="sans-serif" font-size="16" fill="#1f1c17">%s</text>`, y, escaped.String())
		line, y = "", y+22
	}
	for _, word := range strings.Fields(why) {
		if line != "" && utf8.RuneCountInString(line+" "+word) > row {
			put()
		}
		line = strings.TrimSpace(line + " " + word)
	}
	if line != "" {
		put()
	}
	b.WriteString("\n</svg>\n")
	return []byte(b.String())
}

// level is where a sample lies in the picture.
func level(x int16) float64 { return waveHigh/2 - float64(x)/(1<<15)*(waveHigh/2-1) }

// x is where a time lies in it.
func (c *Clip) x(t interface{ Seconds() float64 }) float64 {
	return waveWide * (t.Seconds() - c.Asked.From.Seconds()) / max(1e-9, (c.Asked.To-c.Asked.From).Seconds())
}
