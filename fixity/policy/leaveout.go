package policy

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

// LeaveOut tells litter from files to take care of.
type LeaveOut struct{ patterns []string }

// NewLeaveOut joins the default litter and a set's own patterns. A pattern is
// matched without regard to case against the name of a file, or against the
// whole path if it holds a slash before its end; one that ends in a slash
// matches folders. The syntax is path.Match's; an ill-formed pattern is an error.
func NewLeaveOut(own []string) (LeaveOut, error) {
	var l LeaveOut
	for _, p := range append(append([]string{}, Litter...), own...) {
		if _, err := path.Match(strings.TrimSuffix(p, "/"), ""); err != nil || p == "" || p == "/" {
			return LeaveOut{}, fmt.Errorf("leave_out pattern %q is not well formed", p)
		}
		l.patterns = append(l.patterns, strings.ToLower(p))
	}
	return l, nil
}

// Match says that the file or folder at p is litter.
func (l LeaveOut) Match(p string, isDir bool) bool {
	low := strings.ToLower(p)
	name := path.Base(low)
	for _, pat := range l.patterns {
		t, dirOnly := strings.CutSuffix(pat, "/")
		if dirOnly != isDir {
			continue
		}
		subject := name
		if strings.Contains(t, "/") {
			subject = low
		}
		if ok, _ := path.Match(t, subject); ok {
			return true
		}
	}
	return false
}
