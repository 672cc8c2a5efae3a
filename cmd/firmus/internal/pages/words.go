package pages

import (
	"fmt"

	"firmus/cmd/firmus/internal/acts/archive"
)

// options are what a form asks in the place of a command's option.
var options = map[string]string{
	"new-transfer":   "choose “It is a better transfer, made on purpose”",
	"description":    "choose “The description was changed; the sound is the same”",
	"lost-otherwise": "choose “Nothing better can be had any more”",
	"master":         "choose “The change is meant”",
	"reason":         "type it",
	"paused":         "tick the box",
}

// words are how things are ordered on pages.
func words() archive.Words {
	return archive.Words{
		Option: func(name string) string {
			if w, ok := options[name]; ok {
				return w
			}
			return "--" + name
		},
		Read: func(store string) string { return "have " + store + " read: Work, Read a store now" },
		Show: func(finding int64) string { return fmt.Sprintf("the page of finding %d", finding) },
		Recover: func(finding int64) string {
			return fmt.Sprintf("“Put it right”, on the page of finding %d", finding)
		},
	}
}
