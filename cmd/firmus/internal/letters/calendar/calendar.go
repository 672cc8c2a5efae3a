// Package calendar writes the calendar entry by which a person notices that a weekly letter
// didn't come, as RFC 5545 has it.
package calendar

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// Weekly is an entry that asks each week, three hours after the letter is due, whether it has
// come: a letter that doesn't come is noticed by nobody else. holdings is whose letter it is, on
// one line; domain makes the entry's name one of its own; now is when it is written. next, in the
// zone in which letters are due, is when the next one is. A date with local time and without a
// zone (RFC 5545, 3.3.5, form 1) is that of whoever looks at it.
func Weekly(holdings, domain string, now, next time.Time) string {
	at := time.Date(next.Year(), next.Month(), next.Day(), next.Hour()+3, next.Minute(), 0, 0, next.Location())
	days := []string{"SU", "MO", "TU", "WE", "TH", "FR", "SA"}
	lines := []string{
		"BEGIN:VCALENDAR",
		"VERSION:2.0",
		"PRODID:-//Firmus//letters//EN",
		"METHOD:PUBLISH",
		"BEGIN:VEVENT",
		"UID:firmus-weekly-letter@" + domain,
		"DTSTAMP:" + now.UTC().Format("20060102T150405Z"),
		"DTSTART:" + at.Format("20060102T150405"),
		"DURATION:PT15M",
		"RRULE:FREQ=WEEKLY;BYDAY=" + days[at.Weekday()],
		"SUMMARY:" + escaped("Has the letter from Firmus come?"),
		"DESCRIPTION:" + escaped(fmt.Sprintf("%s: the weekly letter is due at %s. If it has not come, Firmus has stopped: go to the computer and run: firmus check",
			holdings, next.Format("15:04"))),
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
