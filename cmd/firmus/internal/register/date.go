package register

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"firmus/fixity/expr"
)

var (
	dated     = expr.Once(`^(\d{4})(?:-(\d{2}))?(?:-(\d{2}))?$`)
	dotted    = expr.Once(`^(\d{1,2})\. ?(\d{1,2})\. ?(\d{4})$`)
	dayMonth  = expr.Once(`^(\d{1,2})\.? ([a-z]+)\.? (\d{4})$`)
	monthDay  = expr.Once(`^([a-z]+)\.? (\d{1,2}), (\d{4})$`)
	monthOf   = expr.Once(`^([a-z]+)\.? (\d{4})$`)
	decade    = expr.Once(`^(\d{3})(?:-|_|x|\?|0s|0's)$`)
	century   = expr.Once(`^(\d{2})(?:--|__|xx|\?\?)$`)
	years     = expr.Once(`^(\d{4}) ?(?:-|–|/|to) ?(\d{4}|\d{2})$`)
	vague     = expr.Once(`^(?:ca|c|circa|about|approx|~)[. ]+|^(?:c|~)`)
	notToSay  = map[string]bool{"n.d.": true, "n.d": true, "nd": true, "s.d.": true, "undated": true, "no date": true}
	monthName = map[string]int{"jan": 1, "feb": 2, "mar": 3, "apr": 4, "may": 5, "jun": 6, "jul": 7, "aug": 8, "sep": 9, "oct": 10, "nov": 11, "dec": 12}
	seasons   = map[string]int{"spring": 21, "summer": 22, "autumn": 23, "fall": 23, "winter": 24}
)

// EDTF is an archival date by ISO 8601-2 (levels 0 and 1), "" if the text isn't plainly one:
// then it stays the text that it is. "5/6/1958" is two dates, and so none.
func EDTF(text string) string {
	t := strings.ToLower(strings.Trim(strings.Join(strings.Fields(strings.ReplaceAll(text, "\u00a0", " ")), " "), "[] "))
	if t == "" || nothing[t] || notToSay[t] {
		return ""
	}
	unsure := strings.HasSuffix(t, "?") && !decade().MatchString(t) && !century().MatchString(t)
	if unsure {
		t = strings.TrimRight(strings.TrimSuffix(strings.TrimSuffix(t, "?"), "("), " ")
	}
	rough := vague().MatchString(t)
	t = vague().ReplaceAllString(t, "")
	d := date(t)
	switch {
	case d == "":
		return ""
	case strings.Contains(d, "/") && (rough || unsure):
		return "" // which end?
	case rough && unsure:
		return d + "%"
	case rough:
		return d + "~"
	case unsure:
		return d + "?"
	}
	return d
}

func date(t string) string {
	if m := dated().FindStringSubmatch(t); m != nil {
		if d := ymd(m[1], m[2], m[3]); d != "" {
			return d
		}
	}
	if m := dotted().FindStringSubmatch(t); m != nil {
		return ymd(m[3], m[2], m[1])
	}
	if m := dayMonth().FindStringSubmatch(t); m != nil {
		return ymd(m[3], month(m[2]), m[1])
	}
	if m := monthDay().FindStringSubmatch(t); m != nil {
		return ymd(m[3], month(m[1]), m[2])
	}
	if m := monthOf().FindStringSubmatch(t); m != nil {
		if s, ok := seasons[m[1]]; ok {
			return fmt.Sprintf("%s-%d", m[2], s)
		}
		if n := month(m[1]); n != "0" {
			return ymd(m[2], n, "")
		}
		return ""
	}
	if m := decade().FindStringSubmatch(t); m != nil {
		return m[1] + "X"
	}
	if m := century().FindStringSubmatch(t); m != nil {
		return m[1] + "XX"
	}
	if m := years().FindStringSubmatch(t); m != nil {
		to := m[2]
		if len(to) == 2 {
			to = m[1][:2] + to
		}
		if to <= m[1] {
			return ""
		}
		return m[1] + "/" + to
	}
	return ""
}

// month is its number; "0" is no month.
func month(name string) string {
	if len(name) < 3 {
		return "0"
	}
	full := map[int]string{1: "january", 2: "february", 3: "march", 4: "april", 5: "may", 6: "june", 7: "july", 8: "august", 9: "september", 10: "october", 11: "november", 12: "december"}
	n := monthName[name[:3]]
	if !strings.HasPrefix(full[n], name) && name != "sept" {
		return "0"
	}
	return strconv.Itoa(n)
}

// ymd is a date if there is such a day; month and day may be lacking.
func ymd(y, m, d string) string {
	if m == "" {
		return y
	}
	n, _ := strconv.Atoi(m)
	if d == "" {
		if n < 1 || n > 12 {
			return ""
		}
		return fmt.Sprintf("%s-%02d", y, n)
	}
	k, _ := strconv.Atoi(d)
	out := fmt.Sprintf("%s-%02d-%02d", y, n, k)
	if _, err := time.Parse(time.DateOnly, out); err != nil {
		return ""
	}
	return out
}

// Day is the day that a cell says, of the archive's own doing: digitised, in treatment,
// play by. ok is false if it says none plainly.
func Day(c Cell) (day time.Time, ok bool) {
	text, _, _ := strings.Cut(strings.TrimSpace(c.Text), "T")
	if rest, clock, found := strings.Cut(text, " "); found && dated().MatchString(rest) && strings.Contains(clock, ":") {
		text = rest
	}
	day, err := time.Parse(time.DateOnly, EDTF(text))
	return day, err == nil
}
