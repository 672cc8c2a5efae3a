package care

import (
	"path"
	"regexp"
	"slices"
	"strings"

	"firmus/fixity/expr"
)

// Marks that programs put into a name when two versions of a file met, or when a
// file was copied beside itself (common practice).
var conflictMarks = []func() *regexp.Regexp{
	expr.Once(`(?i)^(.+?) ?\(\d{1,2}\)$`),
	expr.Once(`(?i)^(.+?)[ ._-]*\([^()]*conflict[^()]*\)$`),
	expr.Once(`(?i)^(.+?)[ ._-]+conflict(ed)?([ ._-].*)?$`),
	expr.Once(`(?i)^(.+?) - copy( \(\d{1,2}\))?$`),
	expr.Once(`(?i)^copy of (.+)$`),
}

var audioEndings = []string{".wav", ".bwf", ".rf64", ".w64", ".aif", ".aiff", ".aifc", ".flac", ".mp3", ".m4a", ".ogg", ".opus", ".wv"}

// ConflictsOf are the paths of the files of which the one at p may be a conflict
// copy by its name: an audio file that a program put beside another when two
// versions met. Such a file is never litter: one of the two may be the better one.
// It is empty for all other names; whether such a file exists is for the caller.
func ConflictsOf(p string) []string {
	dir, name := path.Split(p)
	ext := path.Ext(name)
	stem := strings.TrimSuffix(name, ext)
	audio := false
	for _, e := range audioEndings {
		audio = audio || strings.EqualFold(ext, e)
	}
	if !audio {
		return nil
	}
	low := strings.ToLower(stem)
	if !slices.ContainsFunc([]string{"(", "conflict", "copy"}, func(part string) bool { return strings.Contains(low, part) }) {
		return nil // as of most names: each mark has one of these
	}
	var out []string
	for _, m := range conflictMarks {
		if g := m().FindStringSubmatch(stem); g != nil {
			out = append(out, dir+g[1]+ext)
		}
	}
	return out
}
