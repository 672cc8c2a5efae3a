package care

import (
	"fmt"
	"path"
	"strings"
)

// Litter is left out of every set: what operating systems, file managers, audio
// editors and transfers leave behind. Patterns are those of LeaveOut.
var Litter = []string{
	// systems and file managers
	".DS_Store", "._*", ".Spotlight-V100/", ".Trashes/", ".fseventsd/", ".TemporaryItems/", ".DocumentRevisions-V100/",
	".apdisk", ".localized", ".VolumeIcon.icns", "Icon\r",
	"Thumbs.db", "ehthumbs.db", "desktop.ini", "$RECYCLE.BIN/", "System Volume Information/",
	".Trash-*/", ".directory", "lost+found/",
	// locks, and files in the making
	".~lock.*", "~$*", "*.tmp", "*.temp", "*.part", "*.partial", "*.crdownload", ".nfs*", "*.swp", "*~",
	// peak and overview files of audio editors
	"*.pk", "*.pkf", "*.peak", "*.peaks", "*.reapeaks", "*.sfk", "*.ovw", "*.wfm", "*.asd",
}

// making are the patterns of litter that may become a recording: files that a program
// is still writing.
var making = []string{"*.tmp", "*.temp", "*.part", "*.partial", "*.crdownload"}

// InTheMaking says that a path is left out because of a name that programs give to what
// they are still writing. On a recorder's stick that may be a recording.
func InTheMaking(p string) bool {
	name := path.Base(strings.ToLower(p))
	for _, pat := range making {
		if ok, _ := path.Match(pat, name); ok {
			return true
		}
	}
	return false
}

// LeaveOut tells litter from files to take care of. Its patterns are in small letters; each
// file of a listing is held against all of them, so nearly all, which are a whole name or its
// end, are looked up.
type LeaveOut struct{ files, folders patterns }

type patterns struct {
	names, ends      map[string]bool // whole names; ends of names from their last dot on
	begins, longEnds []string
	others           []string // held against the name by path.Match
	paths            []string // held against the path by path.Match
}

func (ps *patterns) add(t string) {
	const special = `*?[\`
	begin, end := strings.TrimSuffix(t, "*"), strings.TrimPrefix(t, "*")
	switch {
	case strings.Contains(t, "/"):
		ps.paths = append(ps.paths, t)
	case !strings.ContainsAny(t, special):
		ps.names[t] = true
	case !strings.ContainsAny(begin, special):
		ps.begins = append(ps.begins, begin)
	case !strings.ContainsAny(end, special) && strings.LastIndexByte(end, '.') == 0:
		ps.ends[end] = true
	case !strings.ContainsAny(end, special):
		ps.longEnds = append(ps.longEnds, end)
	default:
		ps.others = append(ps.others, t)
	}
}

func (ps *patterns) match(p string) bool {
	name := p[strings.LastIndexByte(p, '/')+1:]
	if ps.names[name] {
		return true
	}
	if dot := strings.LastIndexByte(name, '.'); dot >= 0 && ps.ends[name[dot:]] {
		return true
	}
	for _, b := range ps.begins {
		if strings.HasPrefix(name, b) {
			return true
		}
	}
	for _, e := range ps.longEnds {
		if strings.HasSuffix(name, e) {
			return true
		}
	}
	return matchAny(ps.others, name) || matchAny(ps.paths, p)
}

func matchAny(patterns []string, subject string) bool {
	for _, t := range patterns {
		if ok, _ := path.Match(t, subject); ok {
			return true
		}
	}
	return false
}

// NewLeaveOut joins the default litter and a set's own patterns. A pattern is
// matched without regard to case against the name of a file, or against the
// whole path if it holds a slash before its end; one that ends in a slash
// matches folders. The syntax is path.Match's; an ill-formed pattern is an error.
func NewLeaveOut(own []string) (LeaveOut, error) {
	empty := func() patterns { return patterns{names: map[string]bool{}, ends: map[string]bool{}} }
	l := LeaveOut{empty(), empty()}
	for _, p := range append(append([]string{}, Litter...), own...) {
		if _, err := path.Match(strings.TrimSuffix(p, "/"), ""); err != nil || p == "" || p == "/" {
			return LeaveOut{}, fmt.Errorf("leave_out pattern %q is not well formed", p)
		}
		if t, folder := strings.CutSuffix(strings.ToLower(p), "/"); folder {
			l.folders.add(t)
		} else {
			l.files.add(t)
		}
	}
	return l, nil
}

// Match says that the file or folder at p is litter.
func (l LeaveOut) Match(p string, isDir bool) bool {
	low := strings.ToLower(p)
	if isDir {
		return l.folders.match(low)
	}
	return l.files.match(low)
}
