package manifest

import "strings"

// Encode writes path for a manifest: CR, LF and % become %0D, %0A and %25, all
// else stays (RFC 8493, section 2.1.3).
func Encode(path string) string {
	if !strings.ContainsAny(path, "%\r\n") {
		return path
	}
	return coder.Replace(path)
}

var coder = strings.NewReplacer("%", "%25", "\r", "%0D", "\n", "%0A")

// Decode is the path that s stands for in a manifest of version 1.0. Hexadecimal
// digits of either case are understood. bare says that s holds a % that begins
// none of the three codes; it is left as it is.
func Decode(s string) (path string, bare bool) { return decode(s, true) }

func decode(s string, mark bool) (path string, bare bool) {
	if strings.IndexByte(s, '%') < 0 {
		return s, false
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] != '%' {
			b.WriteByte(s[i])
			continue
		}
		code := ""
		if i+3 <= len(s) {
			code = strings.ToUpper(s[i+1 : i+3])
		}
		switch {
		case code == "0D":
			b.WriteByte('\r')
		case code == "0A":
			b.WriteByte('\n')
		case code == "25" && mark:
			b.WriteByte('%')
		default:
			b.WriteByte('%')
			bare = true
			continue
		}
		i += 2
	}
	return b.String(), bare
}

// Leaves says why path may lead out of the folder it is relative to, "" if it
// doesn't (RFC 8493, section 5.1). always is true for what leads out on every
// system: an absolute path or a part "..". Else it depends on the system: "~" and
// a drive letter are plain characters on some, so a file that the folder's own
// listing shows under such a name is inside. goos is the system by Go's name for
// it; on "windows" device names and streams lead out as well.
func Leaves(path, goos string) (why string, always bool) {
	if strings.HasPrefix(path, "/") {
		return "the path is absolute", true
	}
	slashed := strings.ReplaceAll(path, `\`, "/")
	for part := range strings.SplitSeq(path, "/") {
		if part == ".." {
			return `the path has a part ".."`, true
		}
	}
	windows := goos == "windows"
	for part := range strings.SplitSeq(slashed, "/") {
		if part == ".." { // with "\" between the parts
			return `the path has a part ".."`, windows
		}
		if windows && device(part) {
			return "the path names a device", true
		}
	}
	switch {
	case strings.HasPrefix(path, `\`):
		return "the path is absolute", windows
	case len(path) >= 2 && path[1] == ':' && letter(path[0]) && (windows || len(path) > 2 && (path[2] == '/' || path[2] == '\\')):
		return "the path begins with a drive letter", windows
	case windows && strings.Contains(path, ":"):
		return "the path names a stream", true
	case path == "~" || path[:min(1, len(path))] == "~" && strings.Contains(slashed, "/"):
		return "the path begins with a home folder", false
	}
	return "", false
}

func letter(c byte) bool { return 'a' <= c|0x20 && c|0x20 <= 'z' }

// device says that Windows takes a path's part for a device whatever folder it is
// in (RFC 8493, section 6.1.2), with or without an extension or blanks behind it.
func device(part string) bool {
	name, _, _ := strings.Cut(part, ".")
	name = strings.ToUpper(strings.TrimRight(name, " "))
	switch name {
	case "CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$":
		return true
	}
	for _, p := range []string{"COM", "LPT"} {
		if d, ok := strings.CutPrefix(name, p); ok {
			return len(d) == 1 && d[0] >= '1' && d[0] <= '9' || d == "¹" || d == "²" || d == "³"
		}
	}
	return false
}
