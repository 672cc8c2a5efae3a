package register

import (
	"math"
	"strconv"
	"strings"
	"time"

	"firmus/fixity/expr"
)

// Lengths is what a cell of lengths may mean. A cell that has one meaning has one reading.
type Lengths struct {
	Text     string
	Readings []Reading // the likeliest first; none: the cell says no length
}

// Reading is one way to read a length.
type Reading struct {
	Length    time.Duration
	Tolerance time.Duration // how exactly it was typed
	// Sixty says that 60 times the true length is stored where somebody typed minutes and
	// seconds without hours, if this isn't the true length.
	Sixty bool
}

// Trouble is why a length isn't understood.
type Trouble string

// Why a length isn't understood; "" if it is, or if there is none.
const (
	Understood Trouble = ""
	Negative   Trouble = "negative"
	ADate      Trouble = "date"    // 3/4 typed, a day in March or April stored
	AnError    Trouble = "error"   // #DIV/0!
	Unsaved    Trouble = "unsaved" // a formula without its value
	NoLength   Trouble = "text"    // words
)

// The tolerances of lengths that say no more than this.
const (
	ofMinutes = 30 * time.Second // minutes alone
	ofHidden  = time.Minute      // hours and minutes of a clock format, which drops the seconds
	ofHours   = 30 * time.Minute
	least     = 3 * time.Second
)

// typed is the tolerance of a length that was typed to the second.
func typed(d time.Duration) time.Duration { return max(least, d/100) }

func exact(d time.Duration) Reading { return Reading{Length: d, Tolerance: typed(d)} }

// Fits says that one of the readings is as long as d.
func (l Lengths) Fits(d time.Duration) bool {
	for _, r := range l.Readings {
		if (r.Length - d).Abs() <= r.Tolerance {
			return true
		}
	}
	return false
}

// seconds rounds what a spreadsheet program stores: 31:52 is 1911.999999999997 s there.
func seconds(s float64) time.Duration {
	return time.Duration(math.Round(s*1000)) * time.Millisecond
}

// ReadLength is what the cell may mean as a length. A blank cell, and one that says that
// the length isn't known, has no reading and no trouble.
func ReadLength(c Cell) (Lengths, Trouble) {
	l := Lengths{Text: c.Text}
	switch c.Kind {
	case ErrorCell:
		return l, AnError
	case UnsavedCell:
		return l, Unsaved
	case DateCell:
		return l, ADate
	case DurationCell, ClockCell:
		if c.Number < 0 {
			return l, Negative
		}
		if c.Number > 1e6*3600 {
			return l, NoLength
		}
		l.Readings = stored(seconds(c.Number), strings.Count(c.Text, ":") < 2)
		return l, Understood
	}
	if c.IsNumber {
		if c.Number < 0 {
			return l, Negative
		}
		l.Readings = number(c.Number, decimals(strconv.FormatFloat(c.Number, 'f', -1, 64)))
		return l, Understood
	}
	var t Trouble
	l.Readings, t = written(c.Text)
	return l, t
}

// stored are the readings of a length that the spreadsheet program keeps as one. Whoever
// types 31:52 gets 31 hours and 52 minutes. Where that is shown as 31:52 it may mean either;
// 31:52:00 says hours, and if those are wrong somebody should hear of it.
func stored(d time.Duration, short bool) []Reading {
	if d == 0 {
		return nil
	}
	out := []Reading{exact(d)}
	if d%time.Minute == 0 {
		if short {
			return []Reading{exact(d / 60), out[0]}
		}
		out[0].Sixty = true
	}
	return out
}

// decimals is how many digits stand behind the point.
func decimals(text string) int {
	if _, after, ok := strings.Cut(text, "."); ok {
		return len(after)
	}
	return 0
}

// number are the readings of a number without a unit, typed with so many decimals.
func number(v float64, decimals int) []Reading {
	if v == 0 || v > 1e6 {
		return nil
	}
	half := 0.5 * math.Pow10(-decimals) // of the last digit
	of := func(unit time.Duration) Reading {
		d := seconds(v * unit.Seconds())
		return Reading{Length: d, Tolerance: max(typed(d), seconds(half*unit.Seconds()))}
	}
	day := of(24 * time.Hour)
	day.Length = day.Length.Round(time.Second)
	minutes := of(time.Minute)
	switch whole, part := math.Modf(v); {
	case decimals == 0 && v < 60:
		return []Reading{minutes}
	case decimals == 0:
		return []Reading{minutes, exact(seconds(v))}
	case v < 0.1:
		return []Reading{day}
	case v < 1:
		return []Reading{of(time.Hour), minutes, day}
	case decimals <= 2:
		var out []Reading
		if s := math.Round(part * 100); s < 60 { // 31.52, or 31.5 where a zero was dropped
			out = append(out, exact(seconds(whole*60+s)))
		}
		out = append(out, minutes)
		if v < 10 {
			day.Sixty = true
			out = append(out, day)
		}
		return out
	case v < 10:
		day.Sixty = true
		return []Reading{minutes, day}
	default:
		return []Reading{minutes}
	}
}

var (
	roughly = expr.Once(`^(?:appx|approx|approximately|about|circa|ca|c|~|≈)[. ]*|[ ]*(?:\?|\(\?\)|appx\.?|approx\.?|ca\.)$`)
	clock3  = expr.Once(`^(\d{1,3}):(\d{1,2}):(\d{1,2}(?:\.\d+)?)$`)
	clock2  = expr.Once(`^(\d{1,4}):(\d{1,2})(\.\d+)?$`)
	plain   = expr.Once(`^\d+(?:\.\d+)?$`)
	between = expr.Once(`^(\d+) ?(?:-|–|to) ?(\d+) ?(?:m|min|mins|minutes|')$`)
	united  = expr.Once(`^(?:(\d+(?:\.\d+)?) ?(?:h|hr|hrs|hour|hours))?[ ,]*(?:(\d+(?:\.\d+)?) ?(?:m|mn|min|mins|minute|minutes|'))?[ ,]*(?:(\d+(?:\.\d+)?) ?(?:s|sec|secs|second|seconds|"|'')?)?$`)
	signs   = strings.NewReplacer("’", "'", "′", "'", "‘", "'", "″", `"`, "”", `"`, "\u00a0", " ", "\u202f", " ", "min.", "min", "mins.", "mins", "sec.", "sec", "hr.", "hr", ";", ":")
	comma   = expr.Once(`(\d),(\d)`)
)

// nothing are words that stand for a length that isn't known.
var nothing = map[string]bool{"": true, "-": true, "--": true, "–": true, "—": true, "?": true, "n/a": true, "na": true, "n.a.": true, "unknown": true, "none": true, "tbc": true, "tba": true, "not known": true}

// written are the readings of a length in words.
func written(text string) ([]Reading, Trouble) {
	t := strings.ToLower(strings.Join(strings.Fields(signs.Replace(strings.Map(narrow, text))), " "))
	if nothing[t] {
		return nil, Understood
	}
	if strings.HasPrefix(t, "-") || strings.HasPrefix(t, "−") {
		if r, _ := written(strings.TrimLeft(t, "-− ")); r != nil {
			return nil, Negative
		}
		return nil, NoLength
	}
	if isError(text) {
		return nil, AnError
	}
	t = comma().ReplaceAllString(t, "$1.$2")
	rough := roughly().MatchString(t)
	if rough {
		t = roughly().ReplaceAllString(t, "")
	}
	out := parsed(strings.TrimSuffix(strings.TrimPrefix(t, "pt"), "."))
	if out == nil {
		return nil, NoLength
	}
	for i := range out {
		if rough {
			out[i].Tolerance = max(out[i].Tolerance, ofMinutes)
		}
		if out[i].Length == 0 {
			return nil, Understood
		}
	}
	return out, Understood
}

func isError(text string) bool {
	return strings.HasPrefix(text, "#") && (strings.HasSuffix(text, "!") || strings.HasSuffix(text, "?") || text == "#N/A") || strings.HasPrefix(text, "Err:")
}

func parsed(t string) []Reading {
	if m := clock3().FindStringSubmatch(t); m != nil {
		h, min, s := float(m[1]), float(m[2]), float(m[3])
		if min >= 60 || s >= 60 {
			return nil
		}
		r := exact(seconds(h*3600 + min*60 + s))
		r.Sixty = s == 0 && r.Length > 0
		return []Reading{r}
	}
	if m := clock2().FindStringSubmatch(t); m != nil {
		a, b := float(m[1]), float(m[2])
		if b >= 60 {
			return nil
		}
		out := []Reading{exact(seconds(a*60 + b + float("0"+m[3])))}
		if m[3] == "" && a < 24 && a+b > 0 {
			out = append(out, Reading{Length: seconds(a*3600 + b*60), Tolerance: max(ofHidden, typed(seconds(a*3600+b*60)))})
		}
		return out
	}
	if plain().MatchString(t) {
		if v := float(t); v > 0 {
			return number(v, decimals(t))
		}
		return []Reading{{}}
	}
	if m := between().FindStringSubmatch(t); m != nil {
		a, b := float(m[1]), float(m[2])
		if b <= a {
			return nil
		}
		return []Reading{{Length: seconds((a + b) * 30), Tolerance: seconds((b-a)*30) + ofMinutes}}
	}
	m := united().FindStringSubmatch(t)
	if m == nil || t == "" {
		return nil
	}
	h, min, s := float(m[1]), float(m[2]), float(m[3])
	// The last number may lack its unit: 31'07, 1h02.
	bare := m[3] != "" && t[len(t)-1] >= '0' && t[len(t)-1] <= '9'
	if bare && m[2] == "" {
		m[2], m[3], min, s = m[3], "", s, 0
	}
	if m[1] != "" && min >= 60 || m[1]+m[2] != "" && s >= 60 {
		return nil
	}
	d := seconds(h*3600 + min*60 + s)
	r := exact(d)
	switch {
	case m[3] != "":
	case m[2] != "" && decimals(m[2]) == 0:
		r.Tolerance = ofMinutes
	case m[2] == "" && decimals(m[1]) == 0:
		r.Tolerance = ofHours
	}
	return []Reading{r}
}

// float is a number that a pattern above found; "" is 0.
func float(text string) float64 {
	v, _ := strconv.ParseFloat(text, 64)
	return v
}
