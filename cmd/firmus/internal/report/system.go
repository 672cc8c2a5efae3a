package report

import (
	"cmp"
	"regexp"
	"slices"
	"strings"
	"sync"

	"firmus/fixity/expr"
)

// answers are what systems, networks and Go's library say, in our words. What isn't here
// stays as it was said.
var answers = map[string]string{
	// errno(3), as Go words it
	"no such file or directory":            "there is no such file or folder",
	"file does not exist":                  "there is no such file or folder",
	"permission denied":                    "this account has no permission",
	"operation not permitted":              "the system doesn't permit it",
	"no space left on device":              "the drive is full",
	"disk quota exceeded":                  "the room of this account on the drive is used up",
	"read-only file system":                "nothing can be written on the drive: it is mounted read-only",
	"input/output error":                   "the drive doesn't give the data (input/output error)",
	"not a directory":                      "a part of the path is a file, not a folder",
	"is a directory":                       "it is a folder",
	"file exists":                          "it is there already",
	"directory not empty":                  "the folder isn't empty",
	"file name too long":                   "the name is too long for the drive",
	"no such device":                       "there is no such device",
	"no such device or address":            "there is no such device",
	"device or resource busy":              "another program uses it",
	"stale file handle":                    "the share was lost; connect it again",
	"stale NFS file handle":                "the share was lost; connect it again",
	"transport endpoint is not connected":  "the share was lost; connect it again",
	"connection refused":                   "nothing answers there (connection refused)",
	"connection reset by peer":             "the other side broke the connection off",
	"broken pipe":                          "the other side broke the connection off",
	"network is unreachable":               "this computer has no way to it through the network",
	"no route to host":                     "this computer has no way to it through the network",
	"address already in use":               "another program has this address",
	"cannot assign requested address":      "this computer doesn't have this address",
	"i/o timeout":                          "no answer came in time",
	"context deadline exceeded":            "no answer came in time",
	"TLS handshake timeout":                "no answer came in time",
	"context canceled":                     "it was stopped",
	"EOF":                                  "it ended too early",
	"unexpected EOF":                       "it ended too early",
	"too many open files":                  "too many files are open on this computer",
	"database disk image is malformed":     "the database is damaged",
	"no such host":                         "no computer has this name",
	"server misbehaving":                   "no computer could be asked for this name",
	"Temporary failure in name resolution": "no computer could be asked for this name",
}

// answered builds an expression in which ANSWER stands for any of answers.
func answered(text string) func() *regexp.Regexp {
	return sync.OnceValue(func() *regexp.Regexp {
		var all []string
		for a := range answers {
			all = append(all, regexp.QuoteMeta(a))
		}
		slices.SortFunc(all, func(a, b string) int { return cmp.Or(len(b)-len(a), strings.Compare(a, b)) })
		return regexp.MustCompile(strings.ReplaceAll(text, "ANSWER", strings.Join(all, "|")))
	})
}

var (
	// Get "https://…": dial tcp: lookup … on 10.0.0.1:53: no such host
	fetched = expr.Once(`\b(?:Get|Post|Head|Put|Patch) "([^"\s]+)": `)
	asked   = answered(`(?:dial tcp: )?lookup (\S+?)(?: on \S+)?: (ANSWER)`)
	// read tcp 127.0.0.1:4711->127.0.0.1:25: i/o timeout
	between = expr.Once(`\b(read|write) tcp \S+->(\S+): `)
	// open /x/y: no such file or directory; dial tcp 127.0.0.1:25: connect: connection refused
	called = answered(`(^|: |; |\(|\n)(?:(?:dial|listen|read|write) tcp4?|(?:l|f|new)?stat(?:at)?|open(?:at)?|p?read(?:at|v|link|linkat)?|p?write|mkdir(?:at)?|rename(?:at)?|unlink(?:at)?|remove|readdirent|getdents64|f?sync|close|f?truncate|f?ch(?:mod|own|dir)|flock|symlink|link) (\S(?:[^:\n]|:\S)*): (?:(?:connect|bind|read|write): )?(ANSWER)`)
	alone  = answered(`(^|: |\n)(?:(?:connect|bind|read|write): )?(ANSWER)($|[:;,.)\n])`)
	// what sentinels of package fixity add to a sentence that says it
	before = expr.Once(`(^|: )(?:store is away|vanished|unreadable): `)
	behind = expr.Once(`( \S+[^:\n]*): (?:store is away|vanished|refused|not found|busy)$`)
)

// Plainly is what a person reads in place of an error's text: what a system, a network
// or a library answered is put into words, calls of the system are left out, and nothing
// is said twice. Paths, names and all else stay as they are.
func Plainly(text string) string {
	text = fetched().ReplaceAllString(text, "$1: ")
	text = asked().ReplaceAllStringFunc(text, func(s string) string {
		m := asked().FindStringSubmatch(s)
		return m[1] + ": " + answers[m[2]]
	})
	text = between().ReplaceAllString(text, "$1 tcp $2: ")
	text = called().ReplaceAllStringFunc(text, func(s string) string {
		m := called().FindStringSubmatch(s)
		return m[1] + m[2] + ": " + answers[m[3]]
	})
	for range 2 { // neighbours share their colon
		text = alone().ReplaceAllStringFunc(text, func(s string) string {
			m := alone().FindStringSubmatch(s)
			return m[1] + answers[m[2]] + m[3]
		})
	}
	text = behind().ReplaceAllString(before().ReplaceAllString(text, "$1"), "$1")
	var parts []string
	for part := range strings.SplitSeq(text, ": ") {
		if n := len(parts); n > 0 && (parts[n-1] == part || part != "" && (strings.HasSuffix(parts[n-1], " "+part) || strings.HasSuffix(parts[n-1], `"`+part+`"`))) {
			continue
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, ": ")
}
