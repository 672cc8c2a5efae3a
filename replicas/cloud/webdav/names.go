package webdav

import (
	"fmt"
	"net/url"
	"strings"
)

// names are the names on the way from a server's root to where an address leads. Which host
// it names doesn't count: servers behind others name their own.
func names(href string) ([]string, error) {
	href = strings.TrimSpace(href)
	if strings.HasPrefix(href, "/") {
		href = "/" + strings.TrimLeft(href, "/") // "//x" would name a host
	}
	u, err := url.Parse(href)
	// No file's address has a query or a fragment: a server that wrote "#" or "?" as they are
	// may have written "%" so, too, and which name it means nobody can say.
	if err != nil || strings.ContainsAny(href, "?#") || u.Opaque != "" || !strings.HasPrefix(u.EscapedPath(), "/") {
		return nil, fmt.Errorf("the address %q can't be understood", href)
	}
	var all []string
	for part := range strings.SplitSeq(u.EscapedPath(), "/") {
		if part == "" {
			continue
		}
		name, err := url.PathUnescape(part)
		if err != nil || name == "." || name == ".." {
			return nil, fmt.Errorf("the address %q can't be understood", href)
		}
		all = append(all, name)
	}
	return all, nil
}

// escaped is names as a path; of a folder it ends in a slash.
func escaped(names []string, dir bool) string {
	var b strings.Builder
	for i, name := range names {
		if i > 0 {
			b.WriteByte('/')
		}
		b.WriteString(url.PathEscape(name))
	}
	if dir && len(names) > 0 {
		b.WriteByte('/')
	}
	return b.String()
}

// below is what lies in names under base, and whether anything is.
func below(base, names []string) ([]string, bool) {
	if len(names) < len(base) {
		return nil, false
	}
	for i := range base {
		if base[i] != names[i] {
			return nil, false
		}
	}
	return names[len(base):], true
}
