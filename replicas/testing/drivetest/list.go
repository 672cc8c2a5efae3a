package drivetest

import (
	"encoding/base64"
	"encoding/json"
	"net/url"
	"strconv"
	"time"

	"firmus/replicas/testing/drivetest/disco"
)

// byID is a thing that is asked for by its id.
func (s *Server) byID(id string, q url.Values) (*node, *failure) {
	if id == "root" {
		id = Root
	}
	n := s.tree.nodes[id]
	if n == nil || !s.tree.visible(n) || n.drive != "" && q.Get("supportsAllDrives") != "true" {
		return nil, notFound(id)
	}
	return n, nil
}

// cursor is what a page token stands for.
type cursor struct {
	Q, Corpora, Drive string
	After             int // seq of the last thing shown
	Nth               int // of an endless list
}

// list answers files.list.
func (s *Server) list(q url.Values, f Fault) (map[string]any, *failure) {
	all := q.Get("includeItemsFromAllDrives") == "true"
	drive := q.Get("driveId")
	switch {
	case all && q.Get("supportsAllDrives") != "true":
		return nil, invalid("supportsAllDrives")
	case q.Get("corpora") == "drive" && drive == "":
		return nil, &failure{status: 400, reason: "required", message: "The driveId parameter must be specified if corpora=drive.", location: "driveId"}
	case drive != "" && (!all || q.Get("corpora") != "drive"):
		return nil, invalid("driveId")
	case q.Get("orderBy") != "":
		return nil, invalid("orderBy")
	}
	if d := s.tree.nodes[drive]; drive != "" && (d == nil || !s.tree.visible(d) || s.strange[drive]) {
		return nil, &failure{status: 404, reason: "notFound", message: "Shared drive not found: " + drive, location: "driveId"}
	}
	match, err := parseQuery(q.Get("q"))
	if err != nil {
		return nil, invalid("q")
	}
	size := 100
	if n, err := strconv.Atoi(q.Get("pageSize")); err == nil {
		size = min(max(n, 1), 1000)
	}
	cur := cursor{Q: q.Get("q"), Corpora: q.Get("corpora"), Drive: drive}
	if t := q.Get("pageToken"); t != "" {
		var c cursor
		b, err := base64.RawURLEncoding.DecodeString(t)
		if err != nil || json.Unmarshal(b, &c) != nil {
			return nil, invalid("pageToken")
		}
		if cur.After, cur.Nth, c.After, c.Nth = c.After, c.Nth, 0, 0; c != (cursor{Q: cur.Q, Corpora: cur.Corpora, Drive: cur.Drive}) {
			return nil, invalid("pageToken") // a token belongs to one query
		}
	}
	t := &s.tree
	if s.frozen != nil {
		t = s.frozen
	}
	mask := filesMask(q.Get("fields"))
	files := []any{}
	more := false
	nth := 0
	for _, n := range t.candidates(match) {
		if n.seq <= cur.After || drive == "" && n.drive != "" && !all || drive != "" && n.drive != drive {
			continue
		}
		if !match.holds(t, n) || !t.visible(n) || s.omit[n.id] {
			continue
		}
		if f.End > 0 && len(files) == f.End {
			break
		}
		if len(files) == size {
			more = true
			break
		}
		cur.After = n.seq
		if nth++; f.Half && nth%2 == 0 {
			continue
		}
		for range max(1, f.Times) {
			files = append(files, s.masked(t, n, q.Get("fields"), mask))
		}
	}
	out := map[string]any{"kind": "drive#fileList", "incompleteSearch": f.Incomplete, "files": files}
	if cur.Nth++; more || f.Endless {
		b, _ := json.Marshal(cur)
		out["nextPageToken"] = base64.RawURLEncoding.EncodeToString(b)
	}
	return out, nil
}

// filesMask is the part of a "fields" parameter that is about each file.
func filesMask(fields string) disco.Mask {
	if fields == "" {
		fields = defaultFields["drive.files.list"]
	}
	m, err := disco.ParseMask(fields)
	if err != nil {
		return nil
	}
	return m["files"]
}

// masked is what is said of n, in the form in which it is sent; it is kept for the
// next listing.
func (s *Server) masked(t *tree, n *node, fields string, mask disco.Mask) json.RawMessage {
	key := strconv.FormatBool(t.inBin(n)) + fields
	if b, ok := n.cached[key]; ok {
		return b
	}
	b, err := json.Marshal(mask.Apply(s.meta(t, n)))
	if err != nil {
		panic(err)
	}
	if n.cached == nil {
		n.cached = map[string]json.RawMessage{}
	}
	n.cached[key] = b
	return b
}

type change struct {
	id, drive string
	removed   bool
	at        time.Time
}

func (s *Server) startToken(q url.Values) (map[string]any, *node, *failure) {
	if d := q.Get("driveId"); d != "" {
		if n := s.tree.nodes[d]; n == nil || !s.tree.visible(n) || s.strange[d] {
			return nil, nil, &failure{status: 404, reason: "notFound", message: "Shared drive not found: " + d, location: "driveId"}
		}
	}
	return map[string]any{"kind": "drive#startPageToken", "startPageToken": strconv.Itoa(len(s.changes) + 1)}, nil, nil
}

// changeList answers changes.list. A change says how a thing is now, so each thing
// is in it once; each shared drive has a log of its own.
func (s *Server) changeList(q url.Values, f Fault) (map[string]any, *failure) {
	at, err := strconv.Atoi(q.Get("pageToken"))
	if err != nil || at < 1 || at > len(s.changes)+1 {
		return nil, invalid("pageToken")
	}
	size := 100
	if n, err := strconv.Atoi(q.Get("pageSize")); err == nil {
		size = min(max(n, 1), 1000)
	}
	if s.strange[q.Get("driveId")] {
		return nil, &failure{status: 403, reason: "teamDriveMembershipRequired", message: "The attempted action requires shared drive membership."}
	}
	last := map[string]int{}
	for i := at - 1; i < len(s.changes); i++ {
		last[s.changes[i].id] = i
	}
	list := []any{}
	i := at - 1
	for ; i < len(s.changes) && len(list) < size; i++ {
		c := s.changes[i]
		if last[c.id] != i || c.drive != q.Get("driveId") {
			continue
		}
		n := s.tree.nodes[c.id]
		gone := n == nil || !s.tree.visible(n)
		if gone && q.Get("includeRemoved") == "false" {
			continue
		}
		e := map[string]any{"kind": "drive#change", "changeType": "file", "time": stamp(c.at), "removed": gone, "fileId": c.id}
		if c.id == c.drive {
			e["changeType"] = "drive"
			delete(e, "fileId")
			e["driveId"] = c.id
		} else if !gone {
			e["file"] = s.meta(&s.tree, n)
		}
		list = append(list, e)
	}
	out := map[string]any{"kind": "drive#changeList", "changes": list}
	if f.Endless {
		out["nextPageToken"] = "0" + q.Get("pageToken") // another text, and the same place
	} else if i < len(s.changes) {
		out["nextPageToken"] = strconv.Itoa(i + 1)
	} else {
		out["newStartPageToken"] = strconv.Itoa(len(s.changes) + 1)
	}
	return out, nil
}
