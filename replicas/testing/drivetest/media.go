package drivetest

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
)

func sortBySeq(all []*node) {
	slices.SortFunc(all, func(a, b *node) int { return cmp.Compare(a.seq, b.seq) })
}

// downloadable says why a thing's bytes aren't given.
func (n *node) downloadable() *failure {
	switch {
	case !n.blob():
		return &failure{status: 403, reason: "fileNotDownloadable", location: "alt",
			message: "Only files with binary content can be directly downloaded. Use Export with Docs Editors files."}
	case n.forbidden:
		return &failure{status: 403, reason: "cannotDownloadFile", message: "This file cannot be downloaded by the user."}
	}
	return nil
}

// exportable says why a document isn't written as a file of a media type: only sheets are,
// and only as workbooks.
func (n *node) exportable(mime string) *failure {
	switch {
	case n.mime != sheetType:
		return &failure{status: 403, reason: "fileNotExportable", message: "Export only supports Docs Editors files."}
	case mime != "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet":
		return &failure{status: 400, reason: "badRequest", message: "The requested conversion is not supported.", location: "convertTo"}
	case len(n.data) > 10<<20:
		return &failure{status: 403, reason: "exportSizeLimitExceeded", message: "This file is too large to be exported."}
	}
	return nil
}

// sendMedia sends a file's bytes, or the range of them that was asked for.
func (s *Server) sendMedia(w http.ResponseWriter, r *http.Request, n *node, f Fault) {
	s.mu.Lock()
	data, mime := n.data, n.mime
	s.mu.Unlock()
	if f.Extra > 0 {
		data = append(slices.Clone(data), make([]byte, f.Extra)...)
	}
	all := int64(len(data)) - int64(f.Extra)
	from, to, status := int64(0), int64(len(data)), http.StatusOK
	if v := r.Header.Get("Range"); v != "" {
		a, b, ok := parseRange(v, all)
		if !ok {
			w.Header().Set("Content-Range", fmt.Sprintf("bytes */%d", all))
			(&failure{status: 416, reason: "requestedRangeNotSatisfiable", message: "Request range not satisfiable"}).write(w)
			return
		}
		w.Header().Set("Content-Range", fmt.Sprintf("bytes %d-%d/%d", a, b-1, all))
		from, to, status = a, b+int64(f.Extra), http.StatusPartialContent
	}
	body := data[from:to]
	if f.Flip && f.FlipAt >= from && f.FlipAt < to {
		body = slices.Clone(body)
		body[f.FlipAt-from] ^= 1
	}
	w.Header().Set("Content-Type", mime)
	w.Header().Set("Accept-Ranges", "bytes")
	odd := f.Extra > 0 || f.EndAfter != 0
	if !odd { // else it is sent in chunks, which may be more or less than was said
		w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	}
	w.WriteHeader(status)
	flush := http.NewResponseController(w).Flush
	switch {
	case f.CutAfter > 0 && f.CutAfter < int64(len(body)):
		w.Write(body[:f.CutAfter])
		flush()
		panic(http.ErrAbortHandler)
	case f.Stall > 0 && f.Stall < int64(len(body)):
		w.Write(body[:f.Stall])
		flush()
		select {
		case <-r.Context().Done():
		case <-s.closed:
		}
		panic(http.ErrAbortHandler)
	case f.EndAfter != 0 && f.EndAfter < int64(len(body)):
		body = body[:max(f.EndAfter, 0)]
	}
	if odd {
		flush()
	}
	w.Write(body)
}

// parseRange reads a Range header of one range (RFC 9110, section 14.1.2).
func parseRange(v string, size int64) (from, to int64, ok bool) {
	v, found := strings.CutPrefix(v, "bytes=")
	a, b, dash := strings.Cut(v, "-")
	if !found || !dash || a == "" {
		return 0, 0, false
	}
	from, err := strconv.ParseInt(a, 10, 64)
	if err != nil || from >= size {
		return 0, 0, false
	}
	to = size
	if b != "" {
		n, err := strconv.ParseInt(b, 10, 64)
		if err != nil || n < from {
			return 0, 0, false
		}
		to = min(n+1, size)
	}
	return from, to, true
}
