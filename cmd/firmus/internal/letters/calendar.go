package letters

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// calendar is an entry that asks each week, three hours after the letter is due,
// whether it has come: a letter that doesn't come is noticed by nobody else. RFC
// 5545: a date with local time and without a zone (3.3.5, form 1) is that of whoever
// looks at it.
func (l *Letters) calendar(now, next time.Time) string {
	at := next.In(l.o.Zone)
	at = time.Date(at.Year(), at.Month(), at.Day(), at.Hour()+3, at.Minute(), 0, 0, l.o.Zone)
	days := []string{"SU", "MO", "TU", "WE", "TH", "FR", "SA"}
	lines := []string{
		"BEGIN:VCALENDAR",
		"VERSION:2.0",
		"PRODID:-//Firmus//letters//EN",
		"METHOD:PUBLISH",
		"BEGIN:VEVENT",
		"UID:firmus-weekly-letter@" + l.domain(),
		"DTSTAMP:" + now.UTC().Format("20060102T150405Z"),
		"DTSTART:" + at.Format("20060102T150405"),
		"DURATION:PT15M",
		"RRULE:FREQ=WEEKLY;BYDAY=" + days[at.Weekday()],
		"SUMMARY:" + escaped("Has the letter from Firmus come?"),
		"DESCRIPTION:" + escaped(fmt.Sprintf("%s: the weekly letter is due at %s. If it has not come, Firmus has stopped: go to the computer and run: firmus check",
			clean(l.o.Name), next.In(l.o.Zone).Format("15:04"))),
		"TRANSP:TRANSPARENT",
		"BEGIN:VALARM",
		"ACTION:DISPLAY",
		"DESCRIPTION:" + escaped("Has the letter from Firmus come?"),
		"TRIGGER:PT0S",
		"END:VALARM",
		"END:VEVENT",
		"END:VCALENDAR",
	}
	var b strings.Builder
	for _, line := range lines {
		b.WriteString(folded(line))
	}
	return b.String()
}

// escaped is a text as RFC 5545, 3.3.11 has it.
func escaped(s string) string {
	return strings.NewReplacer(`\`, `\\`, ";", `\;`, ",", `\,`, "\n", `\n`).Replace(s)
}

// folded breaks a line so that none is longer than 75 octets (RFC 5545, 3.1), and
// never inside a character.
func folded(line string) string {
	var b strings.Builder
	n := 0
	for _, r := range line {
		if size := utf8.RuneLen(r); n+size > 75 {
			b.WriteString("\r\n ")
			n = 1 + size
		} else {
			n += size
		}
		b.WriteRune(r)
	}
	return b.String() + "\r\n"
}
