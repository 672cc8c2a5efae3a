// Package powercut makes the states that a power cut may leave of a folder, for tests only.
//
// Record runs a program under strace and notes, in the order in which the kernel did it, what
// it wrote, flushed and named below a folder. States then cuts after each of these steps. What
// was flushed before is there; of the rest each write and each name may be lost or kept by
// itself, in any order:
//
//   - fsync(2) of a file keeps its bytes and size, and not its name: that asks for the folder's.
//   - A write that wasn't flushed is lost, kept, kept up to a sector, or a hole: the file has
//     its length, and zeros. Of a file that was cut short and written again, later bytes aren't
//     there while the cutting is lost.
//   - A name that was made, moved or removed may be lost until its folder was flushed, and each
//     by itself; but names that were taken one after the other change in that order, and a
//     rename happens in whole or not at all: from one folder to another it lasts once that
//     other is flushed.
//
// That is what POSIX leaves open, and more than ext4 does: with its journal names change in
// order. A program that holds here holds on any file system that does what fsync(2) says.
package powercut

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// sector is what a drive writes in whole, in bytes.
const sector = 512

// node is a file or folder, whatever its names are.
type node struct {
	folder bool
	base   []byte // its bytes before the program ran
	now    []byte // with all that was written
	mode   fs.FileMode
	at     time.Time // it was written last, before the program ran
	called string    // its first path, for people
}

type name struct {
	folder int
	name   string
}

type kind int

const (
	writes kind = iota
	truncates
	times
	renames // or makes or removes a name
	flushes
)

// op is one step.
type op struct {
	kind kind
	node int
	off  int64
	data []byte
	size int64
	at   time.Time
	sets []set // names: the first is the one that is made or removed, or moved to
	from int   // flush: of what came before this step
	said string
}

// set gives a name to a node, or takes it away: -1.
type set struct {
	name name
	node int
}

// Trace is what a program did below a folder.
type Trace struct {
	Dir   string
	nodes []node // the first is Dir
	names map[name]int
	ops   []op
	safe  []int // see flushedBy
	now   map[name]int
}

// begin notes what lies in the folder.
func begin(dir string) (*Trace, error) {
	t := &Trace{Dir: dir, names: map[name]int{}}
	t.nodes = append(t.nodes, node{folder: true, mode: 0o755})
	ids := map[string]int{dir: 0}
	var seen []fs.FileInfo // files with a second name
	var ofSeen []int
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || p == dir {
			return err
		}
		st, err := d.Info()
		if err != nil {
			return err
		}
		n := node{folder: d.IsDir(), mode: st.Mode().Perm(), at: st.ModTime(), called: strings.TrimPrefix(p, dir+"/")}
		at := name{ids[filepath.Dir(p)], d.Name()}
		if !n.folder {
			if !st.Mode().IsRegular() {
				return fmt.Errorf("%s is no file and no folder", p)
			}
			if i := slices.IndexFunc(seen, func(o fs.FileInfo) bool { return os.SameFile(o, st) }); i >= 0 {
				t.names[at] = ofSeen[i]
				return nil
			}
			if n.base, err = os.ReadFile(p); err != nil {
				return err
			}
			n.now = bytes.Clone(n.base)
			seen, ofSeen = append(seen, st), append(ofSeen, len(t.nodes))
		}
		ids[p] = len(t.nodes)
		t.names[at] = len(t.nodes)
		t.nodes = append(t.nodes, n)
		return nil
	})
	t.now = map[name]int{}
	for k, v := range t.names {
		t.now[k] = v
	}
	return t, err
}

func (t *Trace) add(o op) {
	switch o.kind {
	case writes:
		t.nodes[o.node].now = apply(t.nodes[o.node].now, o, full)
	case truncates:
		t.nodes[o.node].now = resized(t.nodes[o.node].now, o.size)
	case renames:
		for _, s := range o.sets {
			t.now[s.name] = s.node
			if s.node < 0 {
				delete(t.now, s.name)
			}
		}
	}
	t.ops = append(t.ops, o)
}

// Count is how many steps are of the kinds that a test names: it shows that they were seen.
func (t *Trace) Count() (written, named, flushed int) {
	for _, o := range t.ops {
		switch o.kind {
		case writes, truncates:
			written++
		case renames:
			named++
		case flushes:
			flushed++
		}
	}
	return written, named, flushed
}

// fate is what becomes of a step that wasn't flushed.
type fate int64

const (
	lost fate = -1
	hole fate = -2 // the length, and zeros
	full fate = -3
	// From 0 on: so many bytes of a write are there.
)

// resized cuts bytes short, or lengthens them by zeros; nobody else may hold them.
func resized(b []byte, size int64) []byte {
	if int64(len(b)) >= size {
		return b[:size:size]
	}
	return append(b, make([]byte, size-int64(len(b)))...)
}

func apply(b []byte, o op, f fate) []byte {
	n := int64(len(o.data))
	switch {
	case f == lost:
		return b
	case f == hole:
		if o.off+n > int64(len(b)) {
			b = resized(b, o.off+n)
		}
		return b
	case f >= 0:
		n = min(n, int64(f))
	}
	if o.off+n > int64(len(b)) {
		b = resized(b, o.off+n)
	}
	copy(b[o.off:], o.data[:n])
	return b
}

// State is what a power cut may leave.
type State struct {
	t     *Trace
	after int
	fates map[int]fate // of the steps that weren't flushed; those that lack are lost
	// Ended says that the program had ended before the power went.
	Ended bool
}

// flushedBy gives, for each step, how many steps there were when it was flushed.
func (t *Trace) flushedBy() []int {
	if len(t.safe) == len(t.ops) {
		return t.safe
	}
	t.safe = make([]int, len(t.ops))
	for i, o := range t.ops {
		n := o.node
		if o.kind == renames {
			n = o.sets[0].name.folder
		}
		k := slices.IndexFunc(t.ops[i:], func(f op) bool { return f.kind == flushes && f.node == n && f.from > i })
		if k < 0 {
			k = len(t.ops)
		}
		t.safe[i] = i + k + 1
	}
	return t.safe
}

// pending are the steps before the cut that weren't flushed.
func (t *Trace) pending(after int) (out []int) {
	safe := t.flushedBy()
	for i, o := range t.ops[:after] {
		if o.kind != flushes && safe[i] > after {
			out = append(out, i)
		}
	}
	return out
}

// lawful keeps besides what was chosen all that can't be lost then.
func (t *Trace) lawful(pending []int, fates map[int]fate) {
	for k := len(pending) - 1; k >= 0; k-- {
		i := pending[k]
		if f, ok := fates[i]; !ok || f == lost {
			continue
		}
		o := t.ops[i]
		for _, j := range pending[:k] {
			e := t.ops[j]
			if o.kind == renames && e.kind == renames && slices.ContainsFunc(e.sets, func(a set) bool {
				return slices.ContainsFunc(o.sets, func(b set) bool { return a.name == b.name })
			}) || (o.kind == writes || o.kind == truncates) && e.kind == truncates && e.node == o.node {
				fates[j] = full
			}
		}
	}
}

// States are up to n states, the same ones for the same seed, and out of how many: with a large
// n the power is cut after each step. A fifth are of the end, a fifth differ only in files that least says by their paths, and the
// others differ in the rest.
func (t *Trace) States(seed uint64, n int, least func(path string) bool) (states []State, all int) {
	rnd := rand.New(rand.NewPCG(seed, 7))
	var cuts, rest []int
	for after := 1; after < len(t.ops); after++ {
		switch o := t.ops[after-1]; {
		case o.kind == flushes: // each of its states was one before
		case o.kind != renames && least(t.nodes[o.node].called):
			rest = append(rest, after)
		default:
			cuts = append(cuts, after)
		}
	}
	some := func(of []int, n int) []int {
		rnd.Shuffle(len(of), func(i, j int) { of[i], of[j] = of[j], of[i] })
		return of[:min(n, len(of))]
	}
	cuts = slices.Sorted(slices.Values(append(some(cuts, 2*n), some(rest, n/2)...)))
	seen := map[[32]byte]bool{}
	var ends, first, then []State
	for _, after := range append(cuts, len(t.ops)) {
		if after == len(t.ops) {
			clear(seen) // of the end more is asked
		}
		pending := t.pending(after)
		for _, fates := range t.choices(rnd, pending) {
			t.lawful(pending, fates)
			s := State{t: t, after: after, fates: fates, Ended: after == len(t.ops)}
			whole, part := s.prints(least)
			if seen[whole] {
				continue
			}
			seen[whole] = true
			switch {
			case s.Ended:
				ends = append(ends, s)
			case !seen[part]:
				first = append(first, s)
			default:
				then = append(then, s)
			}
			seen[part] = true
		}
	}
	all = len(ends) + len(first) + len(then)
	pick := func(from []State, n int) {
		rnd.Shuffle(len(from), func(i, j int) { from[i], from[j] = from[j], from[i] })
		states = append(states, from[:min(n, len(from))]...)
	}
	pick(ends, max(n/5, n-len(first)-len(then)))
	pick(then, max(n/5, n-len(states)-len(first)))
	pick(first, n-len(states))
	return states, all
}

// choices are what may become of the steps: all ways if they are few; else the plain cases,
// some steps by themselves, and some ways at random.
func (t *Trace) choices(rnd *rand.Rand, pending []int) []map[int]fate {
	of := func(names, rest fate) map[int]fate {
		out := map[int]fate{}
		for _, i := range pending {
			f := rest
			if t.ops[i].kind == renames {
				f = names
			}
			out[i] = f
		}
		return out
	}
	if len(pending) <= 4 {
		out := []map[int]fate{{}}
		for _, i := range pending {
			may := []fate{lost, full}
			if t.ops[i].kind == writes {
				may = append(may, hole)
			}
			var more []map[int]fate
			for _, was := range out {
				for _, f := range may {
					x := maps.Clone(was)
					x[i] = f
					more = append(more, x)
				}
			}
			out = more
		}
		return out
	}
	out := []map[int]fate{of(lost, lost), of(full, full), of(full, lost), of(full, hole), of(lost, full)}
	some := slices.Clone(pending)
	rnd.Shuffle(len(some), func(i, j int) { some[i], some[j] = some[j], some[i] })
	for _, i := range some[:min(6, len(some))] {
		but, only := of(full, full), of(lost, lost)
		but[i], only[i] = lost, full
		out = append(out, but, only)
	}
	for range 4 {
		f := of(lost, lost)
		for _, i := range pending {
			o := t.ops[i]
			switch rnd.IntN(5) {
			case 0, 1:
				f[i] = full
			case 2:
				if f[i] = full; o.kind == writes {
					f[i] = hole
				}
			case 3:
				if n := int64(len(o.data)) / sector; n > 0 {
					f[i] = fate(rnd.Int64N(n) * sector)
				}
			}
		}
		out = append(out, f)
	}
	return out
}

// tree gives the names of a state, and what was done to each node that has one.
func (s State) tree() (paths map[string]int, done map[int][]int) {
	at, done := map[name]int{}, map[int][]int{}
	for k, v := range s.t.names {
		at[k] = v
	}
	for i, o := range s.t.ops[:s.after] {
		f, unsure := s.fates[i]
		if o.kind == flushes || unsure && f == lost {
			continue
		}
		if o.kind != renames {
			done[o.node] = append(done[o.node], i)
			continue
		}
		for _, x := range o.sets {
			at[x.name] = x.node
		}
	}
	in := map[int][]name{}
	for k, v := range at {
		if v >= 0 {
			in[k.folder] = append(in[k.folder], k)
		}
	}
	paths = map[string]int{}
	var walk func(folder int, prefix string)
	walk = func(folder int, prefix string) {
		for _, n := range in[folder] {
			paths[prefix+n.name] = at[n]
			if s.t.nodes[at[n]].folder {
				walk(at[n], prefix+n.name+"/")
			}
		}
	}
	walk(0, "")
	return paths, done
}

// prints tell states apart, and those that differ in more than the files that least says.
func (s State) prints(least func(string) bool) (whole, part [32]byte) {
	paths, done := s.tree()
	w, p := sha256.New(), sha256.New()
	p.Write([]byte("part"))
	for _, path := range sorted(paths) {
		n := paths[path]
		line := []byte(fmt.Sprintf("%s %d", path, n))
		for _, i := range done[n] {
			if k := s.t.ops[i].kind; k == writes || k == truncates {
				f, unsure := s.fates[i]
				if !unsure {
					f = full
				}
				line = fmt.Appendf(line, " %d:%d", i, f)
			}
		}
		line = append(line, 10)
		if w.Write(line); !least(path) {
			p.Write(line)
		}
	}
	return [32]byte(w.Sum(nil)), [32]byte(p.Sum(nil))
}

func sorted(m map[string]int) []string {
	out := make([]string, 0, len(m))
	for p := range m {
		out = append(out, p)
	}
	slices.Sort(out)
	return out
}

// file is a file of a state.
type file struct {
	data []byte
	at   time.Time
}

func (s State) file(n int, done []int) file {
	x := s.t.nodes[n]
	out := file{bytes.Clone(x.base), x.at}
	for _, i := range done {
		o := s.t.ops[i]
		f, unsure := s.fates[i]
		if !unsure {
			f = full
		}
		switch o.kind {
		case writes:
			out.data = apply(out.data, o, f)
		case truncates:
			out.data = resized(out.data, o.size)
		}
		out.at = o.at
	}
	return out
}

// Lay puts the state where the program ran, in the place of what lies there.
func (s State) Lay() error {
	entries, err := os.ReadDir(s.t.Dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if err := os.RemoveAll(filepath.Join(s.t.Dir, e.Name())); err != nil {
			return err
		}
	}
	paths, done := s.tree()
	made := map[int]string{}
	for _, p := range sorted(paths) {
		n := paths[p]
		to := filepath.Join(s.t.Dir, p)
		x := s.t.nodes[n]
		if x.folder {
			if err := os.Mkdir(to, x.mode|0o700); err != nil {
				return err
			}
			continue
		}
		if first := made[n]; first != "" { // a second name
			if err := os.Link(first, to); err != nil {
				return err
			}
			continue
		}
		made[n] = to
		f := s.file(n, done[n])
		if err := os.WriteFile(to, f.data, x.mode); err != nil {
			return err
		}
		if !f.at.IsZero() {
			if err := os.Chtimes(to, f.at, f.at); err != nil {
				return err
			}
		}
	}
	return nil
}

// String says where the cut was, and what became of what wasn't flushed.
func (s State) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "the power goes after step %d of %d", s.after, len(s.t.ops))
	if s.after > 0 {
		fmt.Fprintf(&b, " (%s)", s.t.ops[s.after-1].said)
	}
	pending := s.t.pending(s.after)
	said := 0
	for _, i := range pending {
		if said++; said > 40 {
			fmt.Fprintf(&b, "\n  and %d more", len(pending)-said+1)
			break
		}
		word := ""
		switch f := s.fates[i]; {
		case f == lost:
			word = "lost"
		case f == hole:
			word = "zeros"
		case f == full:
			word = "kept"
		default:
			word = fmt.Sprintf("%d bytes of it kept", f)
		}
		fmt.Fprintf(&b, "\n  %d %s: %s", i+1, s.t.ops[i].said, word)
	}
	return b.String()
}
