package workbook

import (
	"math"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/register"
)

// format is what a number format makes of a number.
type format struct {
	kind  register.Kind // NumberCell, DateCell, DurationCell, ClockCell
	front string        // text before the digits
	back  string        // text behind them
	width int           // digits filled in with zeros; 0: as many as there are
	plain bool          // the format shows whole digits only: front, back and width hold
}

// builtIn are the formats with a number of their own (ECMA-376 part 1, 18.8.30) that show
// a date, a length or a time of day.
func builtIn(id int) format {
	switch {
	case id >= 14 && id <= 17, id == 22:
		return format{kind: register.DateCell}
	case id == 46:
		return format{kind: register.DurationCell}
	case id >= 18 && id <= 21, id == 45, id == 47:
		return format{kind: register.ClockCell}
	}
	return format{kind: register.NumberCell}
}

// custom reads a format's code: what is in quotes, escaped or a colour says nothing.
func custom(code string) format {
	if strings.EqualFold(strings.TrimSpace(code), "general") {
		return format{kind: register.NumberCell}
	}
	var letters strings.Builder // of the first section
	f := format{kind: register.NumberCell, plain: true}
	digits := false
	text := func(s string) {
		if digits {
			f.back += s
		} else {
			f.front += s
		}
	}
	var duration bool
section:
	for i := 0; i < len(code); i++ {
		switch c := code[i]; c {
		case ';':
			break section
		case '"':
			end := strings.IndexByte(code[i+1:], '"')
			if end < 0 {
				break section
			}
			text(code[i+1 : i+1+end])
			i += end + 1
		case '\\':
			if i+1 < len(code) {
				n := len(string([]rune(code[i+1:])[:1]))
				text(code[i+1 : i+1+n])
				i += n
			}
		case '_', '*':
			i++
		case '[':
			end := strings.IndexByte(code[i:], ']')
			if end < 0 {
				break section
			}
			in := strings.ToLower(code[i+1 : i+end])
			if in != "" && strings.Trim(in, string(in[0])) == "" && strings.Contains("hms", in[:1]) {
				duration = true
			}
			i += end
		case '0', '#', '?':
			if f.back != "" {
				f.plain = false
			}
			if digits = true; c == '0' {
				f.width++
			}
		case '-', ' ', '/', '(', ')', ':':
			text(string(c))
			letters.WriteByte(c)
		default:
			f.plain = false
			letters.WriteByte(c | 0x20)
		}
	}
	l := strings.ReplaceAll(letters.String(), "e+", "")
	l = strings.ReplaceAll(l, "e-", "")
	l = strings.ReplaceAll(l, "am/pm", "h")
	l = strings.ReplaceAll(l, "a/p", "h")
	switch {
	case duration:
		return format{kind: register.DurationCell}
	case strings.ContainsAny(l, "yd"):
		return format{kind: register.DateCell}
	case strings.ContainsAny(l, "hs"):
		return format{kind: register.ClockCell}
	case strings.Contains(l, "m"):
		return format{kind: register.DateCell}
	}
	f.plain = f.plain && digits
	return f
}

// number reads a stored number; infinity and what is no number at all are none.
func number(raw string) (float64, error) {
	v, err := strconv.ParseFloat(raw, 64)
	if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
		err = strconv.ErrRange
	}
	return v, err
}

// cell is a stored number as a cell.
func (f format) cell(raw string, v float64, from1904 bool) register.Cell {
	c := register.Cell{Text: raw, Number: v, IsNumber: true, Kind: register.NumberCell}
	switch f.kind {
	case register.DateCell:
		if text, ok := dateOf(v, from1904); ok {
			c.Text, c.Kind = text, register.DateCell
			return c
		}
	case register.DurationCell, register.ClockCell:
		if s := v * 86400; math.Abs(s) < 1e12 {
			c.Kind, c.Number = f.kind, math.Round(s*1000)/1000
			c.Text = clock(c.Number)
			return c
		}
	}
	whole := v == math.Trunc(v) && math.Abs(v) < 1e15
	if c.Text = strconv.FormatFloat(v, 'f', -1, 64); math.Abs(v) >= 1e21 || v != 0 && math.Abs(v) < 1e-9 {
		c.Text = strconv.FormatFloat(v, 'g', -1, 64)
	}
	if f.plain && whole && v >= 0 {
		if n := f.width - len(c.Text); n > 0 {
			c.Text = strings.Repeat("0", n) + c.Text
		}
		c.Text = f.front + c.Text + f.back
	}
	return c
}

// dateOf is a stored day, rounded to the second. Not ok: a day before March 1900, which
// programs count in two ways, or none that a person can have meant.
func dateOf(v float64, from1904 bool) (string, bool) {
	start := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	if from1904 {
		start = time.Date(1904, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	if !from1904 && v < 61 || v < -1462 || v > 2958465.99999 {
		return "", false
	}
	seconds := int64(math.Round(v * 86400))
	days, of := seconds/86400, seconds%86400
	if of < 0 {
		days, of = days-1, of+86400
	}
	t := start.AddDate(0, 0, int(days)).Add(time.Duration(of) * time.Second)
	if of == 0 {
		return t.Format(time.DateOnly), true
	}
	return t.Format("2006-01-02T15:04:05"), true
}

// clock is seconds as hours, minutes and seconds.
func clock(s float64) string {
	sign := ""
	if s < 0 {
		sign, s = "-", -s
	}
	whole := math.Floor(s)
	n := int64(whole)
	text := sign + strconv.FormatInt(n/3600, 10) + ":" + two(n/60%60) + ":" + two(n%60)
	if part := math.Round((s - whole) * 1000); part > 0 {
		text += strings.TrimRight("."+strconv.FormatInt(1000+int64(part), 10)[1:], "0")
	}
	return text
}

func two(n int64) string {
	if n < 10 {
		return "0" + strconv.FormatInt(n, 10)
	}
	return strconv.FormatInt(n, 10)
}
