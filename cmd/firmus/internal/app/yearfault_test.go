package app_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/testdata"
)

// How a fault shows: that decides by when it must be found.
const (
	listing = "listing" // a listing of its store shows it
	reading = "reading" // only a reading does
	silence = "silence" // it is no fault to be told: a finding about it is a false alarm
)

// fault is something that isn't as it should be, and that the program must find.
type fault struct {
	kind, store string
	set, path   string     // of a stray; "" for a recording, a store or a disc
	file        *recording // nil: of the whole store, a stray or a disc
	disc        string
	by          string
	at, due     time.Time
	found, over time.Time
	finding     int64
	said        bool // that it was not found in time
}

// kindTally is what became of the faults of a kind.
type kindTally struct {
	Planted, Found, Ended, Late int
	Days                        []float64
	Promise                     float64 // days, the longest that it was given
}

// Promises, in days, as the configuration makes them.
var (
	readWithin   = map[string]int{"studio": 30, "vault": 60, "cloud": 180}
	expectWithin = map[string]time.Duration{"vault": 10 * 24 * time.Hour, "safe": 60 * 24 * time.Hour, "cloud": 5 * 24 * time.Hour}
	listedAfter  = map[string]int{"studio": 4, "vault": 7, "cloud": 7}
)

// dueBy is when a fault of a store must be found at the latest: in the store's next turn,
// or the turn after its promise to read. The safe's drive is read when it comes.
func (y *year) dueBy(store, by string, at time.Time) time.Time {
	days := listedAfter[store]
	if by == reading {
		days += readWithin[store]
	}
	due := at.Add(time.Duration(days)*24*time.Hour + 12*time.Hour)
	if store == "safe" {
		due = y.start.AddDate(2, 0, 0)
		for _, v := range y.visits {
			if read := y.date(v).Add(10 * time.Hour); read.After(at) {
				due = read.Add(8 * time.Hour)
				break
			}
		}
	}
	if from, to := y.date(y.holiday[0]), y.date(y.holiday[1]); y.off && due.After(from) && at.Before(to) {
		due = due.Add(to.Sub(from) + 24*time.Hour)
	}
	return due
}

func (y *year) plant(f *fault) {
	f.at = time.Now()
	f.due = y.dueBy(f.store, f.by, f.at)
	y.faults = append(y.faults, f)
	y.note("planted: %s in %s: %s", f.kind, f.store, f.where())
}

func (f *fault) where() string {
	switch {
	case f.file != nil:
		return f.file.set + "/" + f.file.path
	case f.disc != "":
		return f.disc
	case f.set == "":
		return "all of it"
	}
	return f.set + "/" + f.path
}

func (y *year) note(format string, args ...any) {
	y.evidence = append(y.evidence, time.Now().Format("Mon 2 Jan 15:04  ")+fmt.Sprintf(format, args...))
}

// busy says that a fault of a recording in a store isn't over yet.
func (y *year) busy(store string, f *recording) bool {
	return slices.ContainsFunc(y.faults, func(x *fault) bool {
		return x.over.IsZero() && x.by != silence && (x.file == f && (x.store == store || f == nil) || x.file == nil && x.store == store && x.disc == "")
	})
}

// pick is a recording in a store that can be harmed there without being lost: it is right
// there and in another store, and nothing else is wrong with it.
func (y *year) pick(store string, may func(*recording) bool) *recording {
	for range 40 {
		f := y.files[y.rng.IntN(len(y.files))]
		_, is := f.in[store]
		if !is || f.lost || !strings.HasSuffix(f.path, ".wav") || f.meant != nil || f.renamed != "" || time.Since(f.born) < 8*24*time.Hour || may != nil && !may(f) {
			continue
		}
		if slices.ContainsFunc(y.faults, func(x *fault) bool {
			return x.over.IsZero() && x.by != silence && (x.file == f || x.file == nil && x.disc == "")
		}) {
			continue
		}
		if right := y.rightIn(f); len(right) >= 2 && slices.Contains(right, store) {
			return f
		}
	}
	return nil
}

func (y *year) some(stores ...string) string { return stores[y.rng.IntN(len(stores))] }

// spoil has a drive give other bytes of a file than were written, or none.
func (y *year) spoil(store string, f *recording, s spot) {
	var err error
	s.of, err = os.Lstat(y.atSafe(store, f.set, f.path))
	y.must(err)
	y.mu.Lock()
	y.spots[store+"/"+f.set+"/"+f.path] = &s
	y.mu.Unlock()
}

// atSafe is path, also while the safe's drive is in the safe.
func (y *year) atSafe(store string, rest ...string) string { return y.path(store, rest...) }

// isMaster and isAccess choose recordings.
func isMaster(f *recording) bool { return f.set == "masters" }
func isAccess(f *recording) bool { return f.set == "access" }

// plots are what befalls an archive, each with how often beside the others. false: it
// can't be done just now.
//
// Latent sector errors come as Bairavasundaram et al. found them (SIGMETRICS 2007, "An
// Analysis of Latent Sector Errors in Disk Drives": from memory, 3.45 % of 1.53 million
// drives had one within 32 months, 8.5 % of the drives of personal computers; a drive that
// has one soon has more, close by): some 1 or 2 % of three drives would have one in a year.
// Here there are a hundred times as many, so that each year has some.
var plots = []struct {
	weight int
	do     func(y *year) bool
}{
	{6, (*year).badSector},
	{4, (*year).flippedBit},
	{3, (*year).zeroedBlock},
	{2, (*year).cutShort},
	{2, (*year).looseCable},
	{1, (*year).deadDrive},
	{1, (*year).otherDrive},
	{2, (*year).copiedOver},
	{3, (*year).deleted},
	{2, (*year).dragged},
	{3, (*year).savedOver},
	{3, (*year).headerRewritten},
	{2, (*year).olderCopiedBack},
	{1, (*year).otherCase},
	{2, (*year).cloudRot},
	{2, (*year).cloudOverwritten},
	{2, (*year).cloudDeleted},
	{2, (*year).conflictCopy},
	{2, (*year).editedLate},
	{2, (*year).renamedOnPurpose},
	{1, (*year).shelfDragged},
	{2, (*year).fadedDisc},
	{1, (*year).transferBrokenOff},
}

// befall lets one of them happen.
func (y *year) befall() {
	all := 0
	for _, p := range plots {
		all += p.weight
	}
	for range 20 {
		n := y.rng.IntN(all)
		for _, p := range plots {
			if n -= p.weight; n < 0 {
				if p.do(y) {
					return
				}
				break
			}
		}
	}
}

func (y *year) badSector() bool {
	s := y.some("studio", "vault", "vault", "safe")
	f := y.pick(s, nil)
	if f == nil || s == "safe" && y.safeIsHere() {
		return false
	}
	// A drive that has one soon has more, close by.
	y.spoil(s, f, spot{bad: int64(512 * y.rng.IntN(len(f.right)/512))})
	y.plant(&fault{kind: "latent sector error", store: s, file: f, by: reading})
	return true
}

func (y *year) flippedBit() bool {
	s := y.some(diskStores...)
	f := y.pick(s, nil)
	if f == nil {
		return false
	}
	at, mask := int64(y.rng.IntN(len(f.right))), byte(1)<<y.rng.IntN(8)
	y.spoil(s, f, spot{bad: -1, change: func(p []byte, off int64) { flipAt(p, off, at, mask) }})
	y.plant(&fault{kind: "flipped bit", store: s, file: f, by: reading})
	return true
}

func (y *year) zeroedBlock() bool {
	s := y.some(diskStores...)
	f := y.pick(s, nil)
	if f == nil {
		return false
	}
	at := int64(512 * (1 + y.rng.IntN(len(f.right)/512-1)))
	y.spoil(s, f, spot{bad: -1, change: func(p []byte, off int64) {
		for i := range p {
			if n := off + int64(i); n >= at && n < at+2048 {
				p[i] = 0
			}
		}
	}})
	y.plant(&fault{kind: "zeroed block", store: s, file: f, by: reading})
	return true
}

func (y *year) cutShort() bool {
	s := y.some("studio", "vault", "safe")
	f := y.pick(s, nil)
	if f == nil {
		return false
	}
	y.write(y.path(s, f.set, f.path), f.right[:len(f.right)/3+y.rng.IntN(len(f.right)/2)], f.in[s])
	y.plant(&fault{kind: "cut short", store: s, file: f, by: listing})
	y.noticed2(s, f.set, f.path)
	return true
}

// noticed2 is noticed, of a drive that may be away.
func (y *year) noticed2(store, set string, paths ...string) {
	if store != "safe" {
		y.noticed(store, set, paths...)
	}
}

func (y *year) looseCable() bool {
	s := y.some("studio", "vault")
	if y.gone[s] != "" || y.busy(s, nil) || y.pick(s, nil) == nil {
		return false
	}
	y.mu.Lock()
	y.loose[s] = 0
	y.mu.Unlock()
	y.plant(&fault{kind: "loose cable", store: s, by: reading})
	return true
}

// allElsewhere says that each recording of a store is right in another one.
func (y *year) allElsewhere(store string) bool {
	for _, f := range y.files {
		if _, is := f.in[store]; !is || f.lost {
			continue
		}
		if right := y.rightIn(f); len(right) == 0 || len(right) == 1 && right[0] == store {
			return false
		}
	}
	return true
}

func (y *year) deadDrive() bool {
	if y.gone["vault"] != "" || y.busy("vault", nil) || !y.allElsewhere("vault") {
		return false
	}
	at := fmt.Sprintf("scrap-%d", y.day())
	y.must(os.Rename(y.path("vault"), filepath.Join(y.dir, at)))
	y.gone["vault"] = at
	y.plant(&fault{kind: "drive died", store: "vault", by: listing})
	return true
}

func (y *year) otherDrive() bool {
	if y.gone["vault"] != "" || y.busy("vault", nil) {
		return false
	}
	at := fmt.Sprintf("drawer-%d", y.day())
	y.must(os.Rename(y.path("vault"), filepath.Join(y.dir, at)))
	for _, set := range []string{"masters", "access"} {
		y.write(filepath.Join(y.dir, "vault", set, "holiday", "beach.wav"), testdata.Wave("beach", 9000), time.Now())
	}
	y.gone["vault"] = at
	y.plant(&fault{kind: "another drive in its place", store: "vault", by: listing})
	return true
}

// copiedOver: somebody copies the wrong file over a good one.
func (y *year) copiedOver() bool {
	s := y.some("studio", "vault")
	f := y.pick(s, nil)
	if f == nil {
		return false
	}
	b := bytes.Clone(f.right)
	clear(b[len(b)/2 : len(b)/2+1024])
	y.write(y.path(s, f.set, f.path), b, time.Now().Add(-72*time.Hour))
	y.plant(&fault{kind: "damaged copy copied over", store: s, file: f, by: listing})
	y.noticed(s, f.set, f.path)
	return true
}

func (y *year) deleted() bool {
	s := y.some("studio", "vault", "safe")
	f := y.pick(s, nil)
	if f == nil {
		return false
	}
	y.must(os.Remove(y.path(s, f.set, f.path)))
	y.plant(&fault{kind: "deleted", store: s, file: f, by: listing})
	y.noticed2(s, f.set, f.path)
	return true
}

// dragged: a file lands in the folder of another reel.
func (y *year) dragged() bool {
	s := y.some("studio", "vault")
	f := y.pick(s, nil)
	if f == nil {
		return false
	}
	g := y.files[y.rng.IntN(len(y.files))]
	if _, is := g.in[s]; !is || g.set != f.set || path.Dir(g.path) == path.Dir(f.path) {
		return false
	}
	to := path.Dir(g.path) + "/" + path.Base(f.path)
	if err := os.Rename(y.path(s, f.set, f.path), y.path(s, f.set, to)); err != nil {
		return false
	}
	y.plant(&fault{kind: "dragged into another folder", store: s, file: f, by: listing})
	y.noticed(s, f.set, f.path, to)
	return true
}

// savedOver: a master is saved in an editor under its own name.
func (y *year) savedOver() bool {
	f := y.pick("studio", isMaster)
	if f == nil {
		return false
	}
	b := bytes.Clone(f.right)
	for i := 44; i < len(b); i++ {
		b[i] = byte(128 + (int(b[i])-128)*3/4)
	}
	y.write(y.path("studio", f.set, f.path), b, time.Now())
	y.plant(&fault{kind: "master saved over", store: "studio", file: f, by: listing})
	y.noticed("studio", f.set, f.path)
	return true
}

// tagged is a sound file with a description behind its sound.
func tagged(b []byte, text string) []byte {
	if len(text)%2 == 1 {
		text += " "
	}
	if len(b)%2 == 1 { // RIFF fills up chunks of an odd length
		b = append(bytes.Clone(b), 0)
	}
	chunk := []byte("LIST\x00\x00\x00\x00INFOICMT\x00\x00\x00\x00" + text)
	binary.LittleEndian.PutUint32(chunk[4:], uint32(len(chunk)-8))
	binary.LittleEndian.PutUint32(chunk[16:], uint32(len(text)))
	out := slices.Concat(b, chunk)
	binary.LittleEndian.PutUint32(out[4:], uint32(len(out)-8))
	return out
}

func (y *year) headerRewritten() bool {
	s := y.some("studio", "vault")
	f := y.pick(s, nil)
	if f == nil {
		return false
	}
	y.write(y.path(s, f.set, f.path), tagged(f.right, "opened in an editor"), time.Now())
	y.plant(&fault{kind: "header rewritten", store: s, file: f, by: listing})
	y.noticed(s, f.set, f.path)
	return true
}

func (y *year) olderCopiedBack() bool {
	f := y.pick("studio", func(f *recording) bool { return len(f.older) > 0 })
	if f == nil {
		return false
	}
	y.write(y.path("studio", f.set, f.path), f.older[0], time.Now())
	y.plant(&fault{kind: "older version copied back", store: "studio", file: f, by: listing})
	y.noticed("studio", f.set, f.path)
	return true
}

// otherCase: a folder's name gets small letters. That is the same place, and nothing to tell.
func (y *year) otherCase() bool {
	f := y.pick("vault", isAccess)
	if f == nil || y.gone["vault"] != "" {
		return false
	}
	was, is := y.path("vault", f.set, path.Dir(f.path)), y.path("vault", f.set, strings.ToLower(path.Dir(f.path)))
	key := "vault/access/" + path.Dir(f.path)
	if y.small[key] || os.Rename(was, is) != nil {
		return false
	}
	y.small[key] = true
	y.plant(&fault{kind: "folder's case changed", store: "vault", file: f, by: silence})
	y.later(30, func() {
		if y.gone["vault"] == "" && y.small[key] {
			y.must(os.Rename(is, was))
			delete(y.small, key)
		}
	})
	return true
}

func (y *year) cloudRot() bool {
	f := y.pick("cloud", nil)
	if f == nil {
		return false
	}
	y.drive.Rot(y.drive.Find(y.inCloud, f.set+"/"+f.path), int64(y.rng.IntN(len(f.right))))
	y.plant(&fault{kind: "flipped bit", store: "cloud", file: f, by: reading})
	return true
}

func (y *year) cloudOverwritten() bool {
	f := y.pick("cloud", nil)
	if f == nil {
		return false
	}
	b := bytes.Clone(f.right)
	clear(b[1000:2000])
	y.drive.Put(y.inCloud, f.set+"/"+f.path, b)
	y.plant(&fault{kind: "damaged copy copied over", store: "cloud", file: f, by: listing})
	return true
}

func (y *year) cloudDeleted() bool {
	f := y.pick("cloud", nil)
	if f == nil {
		return false
	}
	y.drive.Delete(y.drive.Find(y.inCloud, f.set+"/"+f.path))
	y.plant(&fault{kind: "deleted", store: "cloud", file: f, by: listing})
	return true
}

// conflictCopy: a program that keeps folders in step could not decide, and keeps both.
func (y *year) conflictCopy() bool {
	s := y.some("vault", "cloud")
	f := y.pick(s, isMaster)
	if f == nil || y.gone[s] != "" {
		return false
	}
	p := strings.TrimSuffix(f.path, ".wav") + " (1).wav"
	b := bytes.Clone(f.right)
	b[len(b)-1] ^= 1
	if s == "cloud" {
		y.drive.Put(y.inCloud, f.set+"/"+p, b)
	} else {
		y.write(y.path(s, f.set, p), b, time.Now())
	}
	y.plant(&fault{kind: "conflict copy", store: s, set: f.set, path: p, by: listing})
	y.noticed(s, f.set, p)
	return true
}

// editedLate: an access file is edited on purpose, long after it counted as finished.
func (y *year) editedLate() bool {
	f := y.pick("studio", isAccess)
	if f == nil {
		return false
	}
	f.meant = testdata.Wave(fmt.Sprint("late", y.seed, y.day(), f.path), len(f.right)-300)
	y.write(y.path("studio", f.set, f.path), f.meant, time.Now())
	y.plant(&fault{kind: "access file edited late", store: "studio", file: f, by: listing})
	y.noticed("studio", f.set, f.path)
	return true
}

func (y *year) renamedOnPurpose() bool {
	f := y.pick("studio", isAccess)
	if f == nil {
		return false
	}
	f.renamed = strings.TrimSuffix(f.path, ".wav") + " song of the mill.wav"
	y.must(os.Rename(y.path("studio", f.set, f.path), y.path("studio", f.set, f.renamed)))
	y.plant(&fault{kind: "access file renamed", store: "studio", file: f, by: listing})
	y.noticed("studio", f.set, f.path, f.renamed)
	return true
}

// shelfDragged: a shelf of folders is dragged away, and nobody saw it.
func (y *year) shelfDragged() bool {
	if y.gone["vault"] != "" || y.busy("vault", nil) || y.busy("studio", nil) || !y.allElsewhere("studio") {
		return false
	}
	var moved []*recording
	for _, f := range y.files {
		if len(moved) < 26 && y.pickable("studio", f) && f.set == "access" {
			moved = append(moved, f)
		}
	}
	if len(moved) < 22 {
		return false
	}
	var paths []string
	for _, f := range moved {
		to := filepath.Join(y.dir, fmt.Sprintf("desk-%d", y.day()), filepath.FromSlash(f.path))
		y.must(os.MkdirAll(filepath.Dir(to), 0o755))
		y.must(os.Rename(y.path("studio", f.set, f.path), to))
		y.plant(&fault{kind: "shelf of folders dragged away", store: "studio", file: f, by: listing})
		paths = append(paths, f.path)
	}
	y.noticed("studio", "access", paths...)
	return true
}

func (y *year) pickable(store string, f *recording) bool {
	if _, is := f.in[store]; !is || f.lost || !strings.HasSuffix(f.path, ".wav") || f.meant != nil || f.renamed != "" || time.Since(f.born) < 8*24*time.Hour || y.busy(store, f) {
		return false
	}
	right := y.rightIn(f)
	return len(right) >= 2 && slices.Contains(right, store)
}

// yearDisc is a disc that was burned.
type yearDisc struct {
	number string
	files  []*recording
	image  []byte
	at     string // the image's file
	bad    bool
}

func (y *year) fadedDisc() bool {
	if len(y.discs) == 0 {
		return false
	}
	d := y.discs[y.rng.IntN(len(y.discs))]
	if d.bad {
		return false
	}
	f := d.files[y.rng.IntN(len(d.files))]
	i := bytes.Index(d.image, f.right)
	if i < 0 { // a later version is the right one by now
		return false
	}
	d.image[i+len(f.right)/2] ^= 0x40
	d.bad = true
	y.write(d.at, d.image, time.Now())
	x := &fault{kind: "faded disc", store: "shelf", disc: d.number, by: reading}
	y.plant(x)
	x.due = x.at.AddDate(1, 0, 31)
	return true
}

// transferBrokenOff: the recorder's stick is pulled before all of a master was copied, and
// that is noticed on the next day.
func (y *year) transferBrokenOff() bool {
	fs := y.transfer(8)
	f := fs[0]
	for _, g := range fs[1:] {
		y.put("studio", g)
		y.feed(g)
	}
	y.write(y.path("studio", f.set, f.path), f.right[:len(f.right)/2], time.Now())
	f.in["studio"], f.stump = time.Now(), true
	y.plant(&fault{kind: "transfer broken off", store: "studio", file: f, by: listing})
	y.noticed("studio", f.set, f.path)
	y.waiting = true
	return true
}

// check says which faults are over, and which were not found within their promise.
func (y *year) check() {
	y.t.Helper()
	now := time.Now()
	for _, f := range y.faults {
		if !f.over.IsZero() {
			continue
		}
		switch {
		case f.by == silence:
			if y.isRight(f.store, f.file) {
				f.over = now
			}
		case f.file != nil && y.isRight(f.store, f.file):
			f.over = now
		case f.file != nil && f.file.meant == nil && f.file.renamed == "" && f.kind == "access file renamed" && y.isRight(f.store, f.file):
			f.over = now
		case f.path != "":
			if _, err := y.bytesIn(f.store, f.set, f.path); errors.Is(err, fs.ErrNotExist) {
				f.over = now
			}
		}
		if f.over.IsZero() && f.found.IsZero() && f.by != silence && now.After(f.due) && !f.said {
			f.said = true
			y.t.Errorf("%s: %s in %s (%s), of %s, was not found by %s", now.Format(time.DateOnly), f.kind, f.store, f.where(), f.at.Format(time.DateOnly), f.due.Format(time.DateOnly))
		}
	}
	for _, f := range y.files {
		if !f.lost && len(f.in) > 1 && len(y.rightIn(f)) == 0 && !y.isAnywhere(f) {
			f.lost = true
			y.t.Errorf("%s: %s/%s is lost: no copy of it is right any more", now.Format(time.DateOnly), f.set, f.path)
		}
	}
}

// explains says that a fault is what a finding tells of.
func (x *fault) explains(f ledger.Finding) bool {
	switch {
	case x.store != f.Store || x.by == silence:
		return false
	case x.kind == "loose cable": // each reading is another one, and nothing else is so
		return f.Kind == fixity.Kind(fixity.Unsteady)
	case x.disc != "":
		return x.disc == f.Disc
	case x.file != nil:
		return f.Set == x.file.set && (f.Path == x.file.path || x.file.renamed != "" && f.Path == x.file.renamed)
	case x.path != "":
		return f.Set == x.set && f.Path == x.path
	}
	return true // all of the store
}
