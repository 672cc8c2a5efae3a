package manifest

import (
	"cmp"
	"encoding/base64"
	"encoding/json"
	"slices"
	"strings"
	"unicode/utf8"

	"firmus/fixity"
)

// Result is what verifying a folder or bag showed. As JSON it is
//
//	{"valid":false,"complete":true,"read":12,"bytes":123,"cache":"bypassed",
//	 "problems":[{"kind":"altered","path":"data/a.wav","lists":["manifest-sha256.txt"],"line":3,"detail":"…"}],
//	 "warnings":["…"]}
//
// A path that isn't UTF-8 is shown with U+FFFD in path and exactly in path_base64.
type Result struct {
	Valid    bool         // complete, and every digest in every list agrees (RFC 8493, section 3)
	Complete bool         // everything is there that must be, nothing else is, and all is well formed
	Read     int          // files that were read to their end
	Bytes    int64        // bytes in them
	Cache    fixity.Cache // the weakest treatment of the page cache among those reads; "" if none was needed
	Problems []Problem    // ordered by path
	Warnings []Warning

	unread bool // a list couldn't be read: what it names isn't known
}

// Conclude orders the problems and sets Valid and Complete by them. finished is
// false if not all could be listed and read: nothing is claimed then.
func (r *Result) Conclude(finished bool) {
	slices.SortStableFunc(r.Problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Path, b.Path), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Kind, b.Kind))
	})
	r.Complete = finished && !r.unread
	for _, p := range r.Problems {
		if p.Kind.Incomplete() {
			r.Complete = false
		}
	}
	r.Valid = r.Complete && len(r.Problems) == 0
}

// weaker is the weaker of two treatments of the page cache.
func weaker(a, b fixity.Cache) fixity.Cache {
	order := []fixity.Cache{"", fixity.Bypassed, fixity.Dropped, fixity.Unknown, fixity.Allowed}
	return order[max(0, slices.Index(order, a), slices.Index(order, b))]
}

// AddRead counts a file of n bytes that was read with treatment c.
func (r *Result) AddRead(n int64, c fixity.Cache) {
	r.Read++
	r.Bytes += n
	r.Cache = weaker(r.Cache, c)
}

type resultJSON struct {
	Valid    bool         `json:"valid"`
	Complete bool         `json:"complete"`
	Read     int          `json:"read"`
	Bytes    int64        `json:"bytes"`
	Cache    fixity.Cache `json:"cache,omitempty"`
	Problems []Problem    `json:"problems"`
	Warnings []string     `json:"warnings"`
}

// MarshalJSON gives the document above; problems and warnings are never null.
func (r Result) MarshalJSON() ([]byte, error) {
	j := resultJSON{r.Valid, r.Complete, r.Read, r.Bytes, r.Cache, r.Problems, make([]string, 0, len(r.Warnings))}
	if j.Problems == nil {
		j.Problems = []Problem{}
	}
	for _, w := range r.Warnings {
		j.Warnings = append(j.Warnings, w.String())
	}
	return json.Marshal(j)
}

type problemJSON struct {
	Kind   Kind     `json:"kind"`
	Path   string   `json:"path"`
	Exact  string   `json:"path_base64,omitempty"`
	Lists  []string `json:"lists,omitempty"`
	Line   int      `json:"line,omitempty"`
	Detail string   `json:"detail,omitempty"`
}

// MarshalJSON gives a problem as in Result.
func (p Problem) MarshalJSON() ([]byte, error) {
	j := problemJSON{Kind: p.Kind, Path: strings.ToValidUTF8(p.Path, "\uFFFD"), Line: p.Line,
		Detail: strings.ToValidUTF8(p.Detail, "\uFFFD")}
	if !utf8.ValidString(p.Path) {
		j.Exact = base64.StdEncoding.EncodeToString([]byte(p.Path))
	}
	for _, l := range p.Lists {
		j.Lists = append(j.Lists, strings.ToValidUTF8(l, "\uFFFD"))
	}
	return json.Marshal(j)
}
