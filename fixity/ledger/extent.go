package ledger

import (
	"cmp"
	"database/sql"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/fixity/care"
	"firmus/fixity/ledger/database"
)

// filed is what a file under care adds to the counts; the zero one, of a file that isn't
// under care, adds nothing.
type filed struct {
	set, path, item string
	held, read      string // stores shown to hold its version, and by a reading: in order, a blank between two
	sound           time.Duration
}

// extentKey is what the files of one count have in common.
type extentKey struct{ set, held, read string }

// extent is how many they are, and how long their sound is.
type extent struct {
	files   int64
	sound   time.Duration
	unknown int64 // files whose length isn't known
}

// itemKey is an item in a set.
type itemKey struct{ set, item string }

// fewKey is a file that no store was shown to hold, or one.
type fewKey struct{ stores, file int64 }

func (f filed) key() extentKey { return extentKey{f.set, f.held, f.read} }

func (f filed) extent() extent {
	x := extent{files: 1, sound: f.sound}
	if f.sound == 0 {
		x.unknown = 1
	}
	return x
}

func (x extent) plus(n int64, y extent) extent {
	return extent{x.files + n*y.files, x.sound + time.Duration(n)*y.sound, x.unknown + n*y.unknown}
}

// stores is how many stores of whatever configuration were shown to hold it.
func (f filed) stores() int64 { return int64(len(strings.Fields(f.held))) }

// files is a query of rows of file: see filed.
type files struct {
	where  string // more of the condition
	limit  int    // 0: all
	byPath bool   // by set and path; else by number
	args   []any
}

// filed reads what files under care add to the counts.
func (t Copies) filed(q files, each func(id int64, f filed) error) error {
	of := `SELECT id, set_name, path, item, version FROM file WHERE retired_at = 0` + q.where
	by := `id`
	if q.byPath {
		by = `set_name, path, id`
	}
	if q.limit > 0 {
		of += ` ORDER BY ` + by + ` LIMIT ` + strconv.Itoa(q.limit)
	}
	var id int64
	var is filed
	var held, read []string
	tell := func() error {
		if id == 0 {
			return nil
		}
		return each(id, is.by(held, read))
	}
	err := t.rows(`SELECT f.id, f.set_name, f.path, f.item, CAST(coalesce(v.duration, 0) AS BIGINT), coalesce(i.store, ''), CASE WHEN `+readToHold+` THEN 1 ELSE 0 END
		FROM (`+of+`) AS f LEFT JOIN version v ON v.file = f.id AND v.n = f.version
		LEFT JOIN instance i ON i.file = f.id AND `+isOf("i")+` AND `+shownToHold+` ORDER BY `+strings.ReplaceAll("f."+by, ", ", ", f."), q.args, func(r *sql.Rows) error {
		var next, sound, isRead int64
		var set, store string
		var path, item []byte
		if err := r.Scan(&next, &set, &path, &item, &sound, &store, &isRead); err != nil {
			return err
		}
		if next != id {
			if err := tell(); err != nil {
				return err
			}
			id, is, held, read = next, filed{set: set, path: string(path), item: string(item), sound: time.Duration(sound)}, held[:0], read[:0]
		}
		if store != "" {
			held = append(held, store)
			if isRead != 0 {
				read = append(read, store)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return tell()
}

// fresh is what a file that the transaction took under care adds to the counts, as long as
// nothing but new copies came to it.
type fresh struct {
	filed
	version    int64
	held, read []string
}

// copied adds a store that was shown to hold it.
func (f *fresh) copied(store string, s shows) {
	if s.held != f.version {
		return
	}
	f.held = append(f.held, store)
	if s.read {
		f.read = append(f.read, store)
	}
}

// by is f with the stores that were shown to hold it.
func (f filed) by(held, read []string) filed {
	slices.Sort(held)
	slices.Sort(read)
	f.held, f.read = strings.Join(slices.Compact(held), " "), strings.Join(slices.Compact(read), " ")
	return f
}

// affects says that what a file adds to the counts may change: it must be said before that,
// and the transaction's end counts it anew.
func (t Copies) affects(file int64) error {
	delete(t.fresh, file)
	if _, ok := t.before[file]; ok {
		return nil
	}
	var was filed
	err := t.filed(files{where: ` AND id = $1`, args: []any{file}}, func(_ int64, f filed) error { was = f; return nil })
	t.before[file] = was
	return err
}

// shows is what a copy adds to what its file adds.
type shows struct {
	file, held  int64
	shown, read bool
	sameAs      string
}

func showsOf(c Copy) shows {
	s := shows{file: c.File, held: c.Held, shown: care.HoldsVersion(c.State), sameAs: c.SameAs}
	s.read = s.shown && !c.Read.At.IsZero() && c.Read.OK && (!c.Reported.OK || !c.Reported.At.After(c.Read.At))
	if !s.shown || s.held == 0 || s.sameAs != "" {
		return shows{}
	}
	return s
}

// shown notes what follows for the counts of files from a copy that becomes another.
func (t Copies) shown(was, c Copy) error {
	a, b := showsOf(was), showsOf(c)
	if a == b {
		return nil
	}
	if f := t.fresh[b.file]; f != nil && a == (shows{}) {
		f.copied(c.Store, b)
		return nil
	}
	for _, s := range []shows{a, b} {
		if s != (shows{}) {
			if err := t.affects(s.file); err != nil {
				return err
			}
		}
	}
	return nil
}

// flushFiled counts the files anew that the transaction affected.
func (t Copies) flushFiled() error {
	ids, now := slices.Sorted(maps.Keys(t.before)), map[int64]filed{}
	var known []int64 // of which that must be read
	for _, id := range ids {
		if f := t.fresh[id]; f != nil {
			now[id] = f.by(f.held, f.read)
			continue
		}
		known = append(known, id)
	}
	if err := database.Among(0, known, func(places string, some []any) error {
		return t.filed(files{where: ` AND id IN (` + places + `)`, args: some}, func(id int64, f filed) error { now[id] = f; return nil })
	}); err != nil {
		return err
	}
	c := newCounted()
	for _, id := range ids {
		c.add(id, t.before[id], -1)
		c.add(id, now[id], 1)
	}
	return t.putFiled(c)
}

// putFiled adds to what is kept of files.
func (t Copies) putFiled(c counted) error {
	for _, k := range slices.SortedFunc(maps.Keys(c.extents), func(a, b extentKey) int {
		return cmp.Or(cmp.Compare(a.set, b.set), cmp.Compare(a.held, b.held), cmp.Compare(a.read, b.read))
	}) {
		x := c.extents[k]
		if x == (extent{}) {
			continue
		}
		if _, err := t.exec(`INSERT INTO extent (set_name, held, read, files, sound, unknown) VALUES ($1, $2, $3, $4, $5, $6)
			ON CONFLICT (set_name, held, read) DO UPDATE SET files = extent.files + $4, sound = extent.sound + $5, unknown = extent.unknown + $6`,
			k.set, k.held, k.read, x.files, int64(x.sound), x.unknown); err != nil {
			return err
		}
	}
	for _, k := range slices.SortedFunc(maps.Keys(c.items), func(a, b itemKey) int {
		return cmp.Or(cmp.Compare(a.set, b.set), cmp.Compare(a.item, b.item))
	}) {
		n := c.items[k]
		if n == 0 {
			continue
		}
		var left int64
		if err := t.row(`INSERT INTO item (set_name, item, files) VALUES ($1, $2, $3) ON CONFLICT (set_name, item) DO UPDATE SET files = item.files + $3 RETURNING files`,
			[]any{k.set, []byte(k.item), n}, &left); err != nil {
			return err
		}
		if left != 0 {
			continue
		}
		if _, err := t.exec(`DELETE FROM item WHERE set_name = $1 AND item = $2`, k.set, []byte(k.item)); err != nil {
			return err
		}
	}
	var come [][]any
	gone := map[int64][]int64{} // by the number of stores
	for _, k := range slices.SortedFunc(maps.Keys(c.few), func(a, b fewKey) int {
		return cmp.Or(cmp.Compare(a.stores, b.stores), cmp.Compare(a.file, b.file))
	}) {
		switch n := c.few[k]; {
		case n > 0:
			come = append(come, []any{k.stores, k.file})
		case n < 0:
			gone[k.stores] = append(gone[k.stores], k.file)
		}
	}
	for stores, ids := range gone {
		if err := database.Among(1, ids, func(places string, some []any) error {
			_, err := t.exec(`DELETE FROM few WHERE stores = $1 AND file IN (`+places+`)`, append([]any{stores}, some...)...)
			return err
		}); err != nil {
			return err
		}
	}
	return t.insert(`INSERT INTO few (stores, file)`, come)
}

// Extent is how much is under care in a set.
type Extent struct {
	Set          string
	Files, Items int64
	Sound        time.Duration // of the current versions whose length is known
	Unknown      int64         // files whose length isn't
}

// Extents are of every set that has files under care.
func (t Files) Extents() ([]Extent, error) {
	out, err := list(t.Tx, `SELECT set_name, CAST(sum(files) AS BIGINT), CAST(sum(sound) AS BIGINT), CAST(sum(unknown) AS BIGINT) FROM extent
		GROUP BY set_name HAVING sum(files) > 0 ORDER BY set_name`, nil, func(r row) (Extent, error) {
		var e Extent
		var d int64
		err := r.Scan(&e.Set, &e.Files, &d, &e.Unknown)
		e.Sound = time.Duration(d)
		return e, err
	})
	for i := range out {
		if err == nil {
			err = t.row(`SELECT count(*) FROM item WHERE set_name = $1`, []any{out[i].Set}, &out[i].Items)
		}
	}
	return out, err
}

// CopiesCount is how many files have so many stores, of those that count apart, that
// were shown to hold them: by a reading or a service's report (Files), and by a reading
// alone (Read).
type CopiesCount struct{ Copies, Files, Read int64 }

// group is how many files the same stores were shown to hold: by what counts as shown, and
// by readings alone, of the stores that the configuration names for their set.
type group struct {
	extentKey
	extent
	in   []string // stores that hold them
	held int64    // of them, those that count apart
	read int64    // likewise, by readings
}

// keptBy are those of some stores that the configuration names for a set.
func keptBy(rules care.Rules, names, set string) (in []string) {
	for _, s := range strings.Fields(names) {
		if rules.Keeps(s, set) {
			in = append(in, s)
		}
	}
	return in
}

// Apart is how many stores, of those that count apart, were shown to hold the version of each
// file of an item that is under care: as CountsByNumber counts it.
func (t Copies) Apart(item string) (map[int64]int64, error) {
	rules, err := t.Stores.Rules()
	if err != nil {
		return nil, err
	}
	n := map[int64]int64{}
	err = t.filed(files{where: ` AND item = $1`, args: []any{[]byte(item)}}, func(id int64, f filed) error {
		n[id] = int64(rules.CountIndependent(keptBy(rules, f.held, f.set)))
		return nil
	})
	return n, err
}

func (t Copies) groups() ([]group, error) {
	rules, err := t.Stores.Rules()
	if err != nil {
		return nil, err
	}
	kept := func(names, set string) []string { return keptBy(rules, names, set) }
	return list(t.Tx, `SELECT set_name, held, read, files, sound, unknown FROM extent WHERE files <> 0 ORDER BY set_name, held, read`, nil, func(r row) (group, error) {
		var g group
		var d int64
		err := r.Scan(&g.set, &g.extentKey.held, &g.extentKey.read, &g.files, &d, &g.unknown)
		g.sound, g.in = time.Duration(d), kept(g.extentKey.held, g.set)
		g.held, g.read = int64(rules.CountIndependent(g.in)), int64(rules.CountIndependent(kept(g.extentKey.read, g.set)))
		return g, err
	})
}

// CountsByNumber counts files by the number of independent stores shown to hold their
// current version, the fewest first.
func (t Copies) CountsByNumber() ([]CopiesCount, error) {
	groups, err := t.groups()
	if err != nil {
		return nil, err
	}
	by := map[int64]CopiesCount{}
	for _, g := range groups {
		x := by[g.held]
		x.Files += g.files
		by[g.held] = x
		x = by[g.read]
		x.Read += g.files
		by[g.read] = x
	}
	var out []CopiesCount
	for _, n := range slices.Sorted(maps.Keys(by)) {
		x := by[n]
		x.Copies = n
		out = append(out, x)
	}
	return out, nil
}

// Thin is a file that few stores were shown to hold.
type Thin struct {
	File
	In     []string // stores that were shown to hold it
	Copies int64    // of them, those that count apart
	Sound  time.Duration
}

// Thin are up to n files that at most so many independent stores were shown to hold, by
// a reading or a service's report: the fewest copies first, then by set and path. sound
// is how long files are, by the number of copies, whatever that is.
func (t Copies) Thin(most int64, n int) (out []Thin, sound map[int64]time.Duration, err error) {
	sound = map[int64]time.Duration{}
	groups, err := t.groups()
	if err != nil {
		return nil, nil, err
	}
	for _, g := range groups {
		sound[g.held] += g.sound
	}
	for copies := range most + 1 {
		var these []group
		for _, g := range groups {
			if g.held == copies {
				these = append(these, g)
			}
		}
		fs, err := t.ofGroups(these, groups, n-len(out))
		if err != nil {
			return nil, nil, err
		}
		out = append(out, fs...)
	}
	return out, sound, nil
}

// sortedAtOnce is how many files are read and sorted at once; more are gone through by path.
const sortedAtOnce = 10_000

// ofGroups are up to n files of some of all groups, by set and path.
func (t Copies) ofGroups(these, all []group, n int) (out []Thin, err error) {
	wanted, left, stores := map[[2]string]group{}, int64(0), map[int64]bool{}
	for _, g := range these {
		wanted[[2]string{g.set, g.extentKey.held}] = g
		left += g.files
		stores[int64(len(strings.Fields(g.extentKey.held)))] = true
	}
	if left == 0 || n <= 0 {
		return nil, nil
	}
	among := int64(0) // so many files are looked at
	for _, g := range all {
		if stores[int64(len(strings.Fields(g.extentKey.held)))] {
			among += g.files
		}
	}
	take := func(id int64, f filed) error {
		if g, ok := wanted[[2]string{f.set, f.held}]; ok && len(out) < n {
			out = append(out, Thin{File: File{ID: id, Set: f.set, Path: f.path, Item: f.item}, In: g.in, Copies: g.held, Sound: f.sound})
			left--
		}
		return nil
	}
	in, isFew := "", true
	for _, k := range slices.Sorted(maps.Keys(stores)) {
		if k > 1 {
			isFew = false // stores that don't count apart
		}
		in += ", " + strconv.FormatInt(k, 10)
	}
	in = strings.TrimPrefix(in, ", ")
	if isFew && among <= sortedAtOnce {
		return out, t.filed(files{where: ` AND id IN (SELECT file FROM few WHERE stores IN (` + in + `))`, byPath: true}, take)
	}
	few := ""
	if isFew {
		few = ` AND (SELECT count(*) FROM few WHERE few.stores IN (` + in + `) AND few.file = file.id) > 0`
	}
	for set, path := "", ""; left > 0 && len(out) < n; {
		seen := 0
		if err := t.filed(files{where: ` AND (set_name, path) > ($1, $2)` + few, limit: 1000, byPath: true, args: []any{set, []byte(path)}}, func(id int64, f filed) error {
			seen, set, path = seen+1, f.set, f.path
			return take(id, f)
		}); err != nil || seen == 0 {
			return out, err
		}
	}
	return out, nil
}
