package care

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"firmus/fixity"
)

// RootOf names one set's root in a store.
type RootOf struct{ Store, Set string }

// UnsaidVolume is the volume of a root of which the system doesn't say what it lies on:
// it may be that of any other disk store.
const UnsaidVolume = "unsaid"

// volumes without an id of their own get a name that begins so.
const namedHere = "named "

// VolumesOf names the volume of each root: by the file system's own id, which is kept.
// Device numbers change at each mount, so they are only compared among roots that were
// seen just now, and not kept. A volume without an id keeps the name that fresh gave it
// once, as long as no root on another device has the same name. A root that isn't there
// keeps what was known.
func VolumesOf(kept map[RootOf]string, seen map[RootOf]fixity.Lies, fresh func() string) map[RootOf]string {
	out := maps.Clone(kept)
	if out == nil {
		out = map[RootOf]string{}
	}
	onDevice := map[string][]RootOf{}
	for _, r := range slices.SortedFunc(maps.Keys(seen), func(a, b RootOf) int {
		return strings.Compare(a.Store+"\n"+a.Set, b.Store+"\n"+b.Set)
	}) {
		switch l := seen[r]; {
		case l.Vague:
			out[r] = UnsaidVolume
		case l.ID != "":
			out[r] = l.ID
		default:
			out[r] = ""
		}
		if d := seen[r].Device; d != "" {
			onDevice[d] = append(onDevice[d], r)
		}
	}
	taken := map[string]bool{}
	for _, d := range slices.Sorted(maps.Keys(onDevice)) {
		roots := onDevice[d]
		var names []string // one device is one volume, whatever it is called
		for _, r := range roots {
			if out[r] != "" && out[r] != UnsaidVolume {
				names = append(names, out[r])
			}
		}
		name := ""
		if len(names) > 0 {
			name = slices.Min(names)
		}
		for _, r := range roots {
			if k := kept[r]; name == "" && strings.HasPrefix(k, namedHere) && !taken[k] {
				name = k
			}
		}
		for _, r := range roots {
			if out[r] == UnsaidVolume {
				continue
			}
			if name == "" {
				name = namedHere + fresh()
			}
			out[r] = name
		}
		taken[name] = true
	}
	return out
}

// OnVolumes are the rules with what is known of where stores lie.
func (r Rules) OnVolumes(volumes map[RootOf]string) Rules {
	r.volumes = map[string][]string{}
	for root, v := range volumes {
		if v != "" && !slices.Contains(r.volumes[root.Store], v) {
			r.volumes[root.Store] = append(r.volumes[root.Store], v)
		}
	}
	for _, v := range r.volumes {
		slices.Sort(v)
	}
	return r
}

// onOne says that two stores lie on one volume, as far as is known, and that neither
// says that it counts all the same.
func (r Rules) onOne(a, b Store) bool {
	if a.Name == b.Name || a.Kind != diskKind || b.Kind != diskKind || a.OwnDrive || b.OwnDrive {
		return false
	}
	va, vb := r.volumes[a.Name], r.volumes[b.Name]
	if slices.Contains(va, UnsaidVolume) && len(vb) > 0 || slices.Contains(vb, UnsaidVolume) && len(va) > 0 {
		return true
	}
	return slices.ContainsFunc(va, func(v string) bool { return slices.Contains(vb, v) })
}

const diskKind = "disk"

// drive names what a store goes with when a drive dies: the first store, by the
// configuration's order, on the same volume, directly or by way of others.
func (r Rules) drive(name string) string {
	at, _ := r.Store(name)
	group := []Store{at}
	for i := 0; i < len(group); i++ {
		for _, s := range r.Stores {
			if r.onOne(group[i], s) && !slices.ContainsFunc(group, func(g Store) bool { return g.Name == s.Name }) {
				group = append(group, s)
			}
		}
	}
	for _, s := range r.Stores {
		if slices.ContainsFunc(group, func(g Store) bool { return g.Name == s.Name }) {
			return s.Name
		}
	}
	return name
}

// Drives counts the drives that some stores lie on, as far as is known.
func (r Rules) Drives(stores []string) int {
	seen := map[string]bool{}
	for _, s := range stores {
		seen[r.drive(s)] = true
	}
	return len(seen)
}

// Sharing are the other stores that lie on one volume with a store and count as one
// copy with it; unsaid says that this is only so because the system doesn't say where
// one of them lies.
func (r Rules) Sharing(name string) (with []string, unsaid bool) {
	at, _ := r.Store(name)
	for _, s := range r.Stores {
		if r.onOne(at, s) {
			with = append(with, s.Name)
			unsaid = unsaid || slices.Contains(r.volumes[name], UnsaidVolume) || slices.Contains(r.volumes[s.Name], UnsaidVolume)
		}
	}
	return with, unsaid
}

// Shared are stores that lie on one volume and count as one copy.
type Shared struct {
	Store  string
	With   []string
	Unsaid bool // only because the system doesn't say where one of them lies
}

// Shared tells which stores count as one because of where they lie, as far as is known;
// each pair once.
func (r Rules) Shared() []Shared {
	var out []Shared
	told := map[string]bool{}
	for _, s := range r.Stores {
		with, unsaid := r.Sharing(s.Name)
		with = slices.DeleteFunc(with, func(o string) bool { return told[o] })
		told[s.Name] = true
		if len(with) > 0 {
			out = append(out, Shared{s.Name, with, unsaid})
		}
	}
	return out
}

// Words say so, and what to do.
func (s Shared) Words() string {
	names := strings.Join(s.With, " and ")
	if s.Unsaid {
		return fmt.Sprintf("store %s may lie on one volume with %s: the system doesn't say what one of them lies on. They count as one copy. If they are different drives, write own_drive = true for the store that the system doesn't tell of", s.Store, names)
	}
	return fmt.Sprintf("store %s lies on one volume with %s: they count as one copy, because one drive that dies takes both. Move one of them to another drive, or write own_drive = true for it if it counts all the same", s.Store, names)
}

// InStep says that a program keeps two stores in step: one wrong hand is carried from
// one to the other.
func (r Rules) InStep(a, b string) bool { return a != b && r.Leader(a) == r.Leader(b) }

// Independent says that copies in the two stores fail neither by one wrong hand nor
// with one drive.
func (r Rules) Independent(a, b string) bool {
	return a != b && !r.InStep(a, b) && r.drive(a) != r.drive(b)
}

// CountIndependent counts how many of the stores are independent of each other. A store
// fails with those that it is kept in step with, and with those on its volume, so the
// answer is how many pairs of the two can be had without using one twice.
func (r Rules) CountIndependent(stores []string) int {
	drives := map[string][]string{} // by leader
	for _, s := range stores {
		l, d := r.Leader(s), r.drive(s)
		if !slices.Contains(drives[l], d) {
			drives[l] = append(drives[l], d)
		}
	}
	holder := map[string]string{} // drive -> the leader that it is counted for
	var give func(leader string, tried map[string]bool) bool
	give = func(leader string, tried map[string]bool) bool {
		for _, d := range drives[leader] {
			if tried[d] {
				continue
			}
			tried[d] = true
			if other, held := holder[d]; !held || give(other, tried) {
				holder[d] = leader
				return true
			}
		}
		return false
	}
	n := 0
	for l := range drives {
		if give(l, map[string]bool{}) {
			n++
		}
	}
	return n
}
