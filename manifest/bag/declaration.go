package bag

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"firmus/manifest"
)

// Names of tag files that mean something.
const (
	declarationName = "bagit.txt"
	infoName        = "bag-info.txt"
	oldInfoName     = "package-info.txt" // before version 0.96
	fetchName       = "fetch.txt"
	payload         = "data"
)

// Declaration is what bagit.txt says (RFC 8493, section 2.1.1).
type Declaration struct {
	Major, Minor int    // version of the format
	Encoding     string // of the other tag files, by its IANA name
}

// current is the version that is written, and the one whose rules hold where a
// bag's own isn't known.
var current = Declaration{1, 0, "UTF-8"}

// Version is M.N.
func (d Declaration) Version() string { return fmt.Sprintf("%d.%d", d.Major, d.Minor) }

// before says that d is of a version below major.minor.
func (d Declaration) before(major, minor int) bool {
	return d.Major < major || d.Major == major && d.Minor < minor
}

// Known says that d's version is one that this package reads.
func (d Declaration) Known() bool {
	return d.Major == 1 && d.Minor == 0 || d.Major == 0 && d.Minor >= 93 && d.Minor <= 97
}

// String is bagit.txt to the letter.
func (d Declaration) String() string {
	return "BagIt-Version: " + d.Version() + "\nTag-File-Character-Encoding: " + d.Encoding + "\n"
}

// ParseDeclaration reads the text of bagit.txt. Of what is wrong with it the
// first thing is told; the Declaration holds what could be read, and what
// version 1.0 and UTF-8 would say where it couldn't. warning is true for
// "BagIt-version", as RFC 8493 spells it in its own examples (section 4).
func ParseDeclaration(text []byte) (d Declaration, warning bool, problem *manifest.Problem) {
	d = current
	fail := func(kind manifest.Kind, line int, format string, args ...any) {
		if problem == nil {
			problem = &manifest.Problem{Kind: kind, Path: declarationName, Line: line, Detail: fmt.Sprintf(format, args...)}
		}
	}
	if rest, found := bytes.CutPrefix(text, []byte("\xef\xbb\xbf")); found {
		fail(manifest.Declaration, 1, "it begins with a byte order mark")
		text = rest
	} else if !utf8.Valid(text) {
		fail(manifest.Declaration, 0, "it isn't UTF-8")
	}
	var lines []string
	for line, err := range manifest.TextLines(bytes.NewReader(text)) {
		if err != nil {
			fail(manifest.Declaration, len(lines)+1, "%v", err)
		}
		lines = append(lines, line)
	}
	count := len(lines)
	if count < 2 {
		fail(manifest.Declaration, 0, "it has %d lines, not two", count)
		lines = append(lines, "", "")
	}
	loose := false // before 1.0, blanks around the colon were free
	version, err := element(lines[0], "BagIt-Version", true)
	if version == "" {
		if version, _ = element(lines[0], "BagIt-version", true); version != "" {
			warning, err = true, nil
		}
	}
	if major, minor, ok := parseVersion(version); ok {
		d.Major, d.Minor = major, minor
		loose = d.before(1, 0)
	} else if err == nil {
		err = fmt.Errorf("the version is not two numbers with a dot between them")
	}
	if err == nil && !loose {
		label := "BagIt-Version"
		if warning {
			label = "BagIt-version"
		}
		_, err = element(lines[0], label, false)
	}
	if err != nil {
		fail(manifest.Declaration, 1, "%v", err)
	}
	enc, err := element(lines[1], "Tag-File-Character-Encoding", true)
	if err == nil && !loose {
		_, err = element(lines[1], "Tag-File-Character-Encoding", false)
	}
	if err != nil {
		fail(manifest.Declaration, 2, "%v", err)
	}
	if enc != "" {
		d.Encoding = enc
	}
	if count > 2 {
		fail(manifest.Declaration, 3, "it has %d lines, not two", count)
	}
	if !d.Known() {
		fail(manifest.Version, 1, "version %s is not known", d.Version())
	}
	return d, warning, problem
}

// element takes the value off a line "label: value". Blanks beside the colon are
// free if loose; else there is one blank behind it and none before (section 7.1).
func element(line, label string, loose bool) (string, error) {
	got, value, found := strings.Cut(line, ":")
	if loose {
		got, value = strings.TrimRight(got, " \t"), strings.Trim(value, " \t")
	} else if rest, one := strings.CutPrefix(value, " "); one && strings.Trim(rest, " \t") == rest {
		value = rest
	} else {
		return "", fmt.Errorf("behind the colon there isn't one blank and the value")
	}
	if !found || got != label || value == "" {
		return "", fmt.Errorf("it isn't %q", label+": …")
	}
	return value, nil
}

func parseVersion(s string) (major, minor int, ok bool) {
	a, b, found := strings.Cut(s, ".")
	if !found || !digits(a) || !digits(b) {
		return 0, 0, false
	}
	major, err := strconv.Atoi(a)
	if err != nil {
		return 0, 0, false
	}
	minor, err = strconv.Atoi(b)
	return major, minor, err == nil
}

func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}
