package drivetest

import (
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Media types of what has no bytes.
const (
	folderType   = "application/vnd.google-apps.folder"
	shortcutType = "application/vnd.google-apps.shortcut"
	documentType = "application/vnd.google-apps.document"
	sheetType    = "application/vnd.google-apps.spreadsheet"
)

// Root is the id of the owner's own drive.
const Root = "0AOwnDriveOfTheArchivist"

// node is a file, a folder or another thing.
type node struct {
	id, name, mime, parent, drive string
	owner                         string // instead of Options.Owner
	seq                           int    // the order in which things came
	created, modified             time.Time
	binned                        bool
	binnedAt                      time.Time
	version                       int64
	data                          []byte
	sums                          map[string]string // as recorded when the bytes came
	rev                           int
	target                        string
	forbidden                     bool           // no bytes for readers
	closed                        bool           // its contents aren't shown
	hidden                        bool           // neither it nor what is below it is shown
	lie                           map[string]any // instead of what is so; nil values are left out
	cached                        map[string]json.RawMessage
}

func (n *node) blob() bool { return n.rev > 0 }

// tree is all things by id, in the order in which they came, and by folder.
type tree struct {
	nodes map[string]*node
	order []*node
	kids  map[string][]*node
}

func newTree() tree {
	t := tree{nodes: map[string]*node{}, kids: map[string][]*node{}}
	t.nodes[Root] = &node{id: Root, name: "My Drive", mime: folderType, version: 1}
	return t
}

// clone is a copy in which later changes don't show.
func (t *tree) clone() *tree {
	c := &tree{nodes: make(map[string]*node, len(t.nodes)), kids: map[string][]*node{}}
	for id, n := range t.nodes {
		x := *n
		x.cached = nil
		c.nodes[id] = &x
	}
	for _, n := range t.order {
		x := c.nodes[n.id]
		c.order = append(c.order, x)
		c.kids[x.parent] = append(c.kids[x.parent], x)
	}
	return c
}

func (t *tree) add(n *node) {
	t.nodes[n.id] = n
	t.order = append(t.order, n)
	t.kids[n.parent] = append(t.kids[n.parent], n)
}

func (t *tree) remove(n *node) {
	delete(t.nodes, n.id)
	t.order = without(t.order, n)
	t.kids[n.parent] = without(t.kids[n.parent], n)
}

func without(all []*node, n *node) []*node {
	out := make([]*node, 0, len(all))
	for _, x := range all {
		if x != n {
			out = append(out, x)
		}
	}
	return out
}

// above calls f for n and what is above it until f says true.
func (t *tree) above(n *node, f func(*node) bool) bool {
	for depth := 0; n != nil && depth < 200; depth++ {
		if f(n) {
			return true
		}
		n = t.nodes[n.parent]
	}
	return false
}

func (t *tree) inBin(n *node) bool {
	return t.above(n, func(x *node) bool { return x.binned })
}

// visible says that the caller may know of n.
func (t *tree) visible(n *node) bool {
	return !t.above(n, func(x *node) bool { return x.hidden || x.closed && x != n })
}

// meta is what the API says of n (discovery document, schema "File").
func (s *Server) meta(t *tree, n *node) map[string]any {
	m := map[string]any{
		"kind": "drive#file", "id": n.id, "name": n.name, "mimeType": n.mime, "version": strconv.FormatInt(n.version, 10),
		"createdTime": stamp(n.created), "modifiedTime": stamp(n.modified),
		"trashed": t.inBin(n), "explicitlyTrashed": n.binned, "spaces": []any{"drive"},
		"capabilities": map[string]any{"canDownload": n.blob() && !n.forbidden, "canListChildren": n.mime == folderType && !n.closed},
	}
	if n.parent != "" && t.nodes[n.parent] != nil && t.visible(t.nodes[n.parent]) {
		m["parents"] = []any{n.parent}
	}
	if n.drive != "" {
		m["driveId"] = n.drive
		if n.binned {
			m["trashedTime"] = stamp(n.binnedAt) // "Only populated for items in shared drives"
		}
	} else {
		owner, name := s.o.Owner, "Archivist"
		if n.owner != "" {
			owner, name = n.owner, "Somebody"
		}
		m["owners"] = []any{map[string]any{"kind": "drive#user", "displayName": name, "emailAddress": owner, "me": false, "permissionId": "7"}}
		m["ownedByMe"] = false
	}
	switch {
	case n.blob():
		m["size"] = strconv.Itoa(len(n.data))
		m["headRevisionId"] = fmt.Sprintf("0Brev%s%06d", n.id, n.rev)
		m["originalFilename"] = n.name
		for k, v := range n.sums {
			m[k] = v
		}
	case n.mime == shortcutType:
		d := map[string]any{"targetId": n.target}
		if x := t.nodes[n.target]; x != nil {
			d["targetMimeType"] = x.mime
		}
		m["shortcutDetails"] = d
	case n.mime == documentType:
		m["size"] = "1024" // also what has no bytes has a size
	}
	for k, v := range n.lie {
		if v == nil {
			delete(m, k)
		} else {
			m[k] = v
		}
	}
	return m
}

// forget drops what was kept of the answers about n.
func (n *node) forget() { n.cached = nil }

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

// sums are the digests that the service records when bytes come.
func sums(data []byte) map[string]string {
	a, b, c := md5.Sum(data), sha1.Sum(data), sha256.Sum256(data)
	return map[string]string{"md5Checksum": hex.EncodeToString(a[:]), "sha1Checksum": hex.EncodeToString(b[:]), "sha256Checksum": hex.EncodeToString(c[:])}
}

// --- what people and programs do with their files

// do changes the tree under the lock, and lets a second pass.
func (s *Server) do(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = s.now.Add(time.Second)
	f()
}

// touch notes a change of n in the log.
func (s *Server) touch(n *node, removed bool) {
	n.version++
	n.forget()
	s.changes = append(s.changes, change{n.id, n.drive, removed, s.clock()})
}

func (s *Server) insert(n *node) string {
	n.seq = len(s.changes) + 1
	if n.id == "" {
		// As long as a real one.
		n.id = fmt.Sprintf("1%032x", n.seq)
	}
	if p := s.tree.nodes[n.parent]; p != nil {
		n.drive = p.drive
	}
	n.created, n.modified = s.clock(), s.clock()
	s.tree.add(n)
	s.touch(n, false)
	return n.id
}

// AddDrive makes a shared drive; its id is also that of its top folder.
func (s *Server) AddDrive(name string) (id string) {
	s.do(func() {
		id = fmt.Sprintf("0ASharedDrive%06d", len(s.changes)+1)
		s.tree.nodes[id] = &node{id: id, name: name, mime: folderType, drive: id, version: 1, created: s.clock(), modified: s.clock()}
		s.changes = append(s.changes, change{id, id, false, s.clock()})
	})
	return id
}

// AddFolder makes a folder in another, or in Root.
func (s *Server) AddFolder(parent, name string) (id string) {
	s.do(func() { id = s.insert(&node{name: name, mime: folderType, parent: parent}) })
	return id
}

// AddFile puts a file into a folder, beside others of its name.
func (s *Server) AddFile(parent, name string, data []byte) (id string) {
	s.do(func() {
		id = s.insert(&node{name: name, mime: "audio/x-wav", parent: parent, data: data, sums: sums(data), rev: 1})
	})
	return id
}

// AddShortcut puts a shortcut to target into a folder.
func (s *Server) AddShortcut(parent, name, target string) (id string) {
	s.do(func() { id = s.insert(&node{name: name, mime: shortcutType, parent: parent, target: target}) })
	return id
}

// AddDocument puts a document of the service's own into a folder.
func (s *Server) AddDocument(parent, name string) (id string) {
	s.do(func() { id = s.insert(&node{name: name, mime: documentType, parent: parent}) })
	return id
}

// AddSheet puts a spreadsheet of the service's own into a folder. It has no bytes; xlsx is
// what it is exported as.
func (s *Server) AddSheet(parent, name string, xlsx []byte) (id string) {
	s.do(func() { id = s.insert(&node{name: name, mime: sheetType, parent: parent, data: xlsx}) })
	return id
}

// EditSheet changes a spreadsheet of the service's own.
func (s *Server) EditSheet(id string, xlsx []byte) {
	s.do(func() {
		n := s.tree.nodes[id]
		n.data, n.modified = xlsx, s.clock()
		s.touch(n, false)
	})
}

// Write exchanges a file's bytes, as an upload does.
func (s *Server) Write(id string, data []byte) {
	s.do(func() {
		n := s.tree.nodes[id]
		n.data, n.sums, n.modified = data, sums(data), s.clock()
		n.rev++
		s.touch(n, false)
	})
}

// Put writes a file at a path below a folder, and makes the folders it needs. It
// gives the file's id.
func (s *Server) Put(folder, path string, data []byte) string {
	names := strings.Split(path, "/")
	for _, name := range names[:len(names)-1] {
		next := s.Find(folder, name)
		if next == "" {
			next = s.AddFolder(folder, name)
		}
		folder = next
	}
	if id := s.Find(folder, names[len(names)-1]); id != "" {
		s.Write(id, data)
		return id
	}
	return s.AddFile(folder, names[len(names)-1], data)
}

// Find is the id of what lies at a path below a folder, "" if nothing does.
func (s *Server) Find(folder, path string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	for name := range strings.SplitSeq(path, "/") {
		next := ""
		for _, k := range s.tree.kids[folder] {
			if k.name == name && !k.binned {
				next = k.id
				break
			}
		}
		if folder = next; folder == "" {
			return ""
		}
	}
	return folder
}

// Rename gives a thing another name.
func (s *Server) Rename(id, name string) {
	s.do(func() { n := s.tree.nodes[id]; n.name = name; s.touch(n, false) })
}

// Move puts a thing into another folder.
func (s *Server) Move(id, parent string) {
	s.do(func() {
		n := s.tree.nodes[id]
		s.tree.kids[n.parent] = without(s.tree.kids[n.parent], n)
		n.parent = parent
		s.tree.kids[parent] = append(s.tree.kids[parent], n)
		s.touch(n, false)
	})
}

// Bin puts a thing into the bin, or takes it out.
func (s *Server) Bin(id string, in bool) {
	s.do(func() {
		n := s.tree.nodes[id]
		n.binned, n.binnedAt = in, s.clock()
		s.touch(n, false)
	})
}

// Delete deletes a thing and all below it for good.
func (s *Server) Delete(id string) {
	s.do(func() { s.delete(s.tree.nodes[id]) })
}

func (s *Server) delete(n *node) {
	for _, k := range s.tree.kids[n.id] {
		s.delete(k)
	}
	s.touch(n, true)
	s.tree.remove(n)
}

// Hide takes a thing, and all below it, from what is shared with the caller, or
// gives it back.
func (s *Server) Hide(id string, hidden bool) {
	s.do(func() {
		n := s.tree.nodes[id]
		n.hidden = hidden
		s.touch(n, hidden)
	})
}

// NoMember makes the caller one who is no member of a shared drive, though things
// in it are shared with them one by one.
func (s *Server) NoMember(drive string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.strange[drive] = true
}

// CloseFolder keeps what lies in a folder from the caller, who sees the folder.
func (s *Server) CloseFolder(id string) {
	s.do(func() { n := s.tree.nodes[id]; n.closed = true; s.touch(n, false) })
}

// Give makes another account the owner of a thing that isn't in a shared drive.
func (s *Server) Give(id, account string) {
	s.do(func() { n := s.tree.nodes[id]; n.owner = account; s.touch(n, false) })
}

// Bytes are those that are kept of a file; false if there is no such file.
func (s *Server) Bytes(id string) ([]byte, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := s.tree.nodes[id]
	if n == nil || !n.blob() {
		return nil, false
	}
	return slices.Clone(n.data), true
}

// Forbid keeps readers from downloading a file.
func (s *Server) Forbid(id string) {
	s.do(func() { n := s.tree.nodes[id]; n.forbidden = true; s.touch(n, false) })
}

// Rot changes one bit of the bytes that are kept, and nothing that is said of them.
func (s *Server) Rot(id string, offset int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := s.tree.nodes[id]
	data := append([]byte(nil), n.data...)
	data[offset] ^= 1
	n.data = data
}

// Lie makes the service say something else of a thing than is so: properties by
// their names in the API; nil leaves one out.
func (s *Server) Lie(id string, about map[string]any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := s.tree.nodes[id]
	n.lie = maps.Clone(about)
	n.forget()
}

// Freeze keeps listings as they are now, whatever happens; Thaw ends that.
func (s *Server) Freeze() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.frozen = s.tree.clone()
}

// Thaw ends Freeze.
func (s *Server) Thaw() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.frozen = nil
}

// Omit leaves a thing out of listings, though it can be asked for by its id.
func (s *Server) Omit(id string, out bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.omit[id] = out
}

// ClockAhead sets the service's clock ahead of the one it was given.
func (s *Server) ClockAhead(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ahead = d
}

// Parent is the id of the folder that a thing lies in.
func (s *Server) Parent(id string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.tree.nodes[id].parent
}
