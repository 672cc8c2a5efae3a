package app_test

import (
	"bytes"
	"context"
	"crypto/md5"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
	"firmus/replicas/testing/drivetest"
	"firmus/replicas/testing/replicatest"
	"firmus/testdata"
)

// yearConfig is an ordinary small archive: a drive where files arrive, one in another house,
// one that lives in a safe and visits, a cloud, and a shelf of discs.
const yearConfig = `name  = "Quillmere Valley Song Survey"
state = "state"
%[4]s
[set.masters]
role = "master"
[set.access]
role = "access"
editing = "3d"
[store.studio]
kind = "disk"
arrivals = true
place = "Studio, room 12"
sets = { masters = "studio/masters", access = "studio/access" }
read_within = "30d"
drill_within = "90d"
schedule = "0 1 * * 1,4"
[store.vault]
kind = "disk"
own_drive = true
place = "Vault, town hall"
sets = { masters = "vault/masters", access = "vault/access" }
read_within = "60d"
expect_within = "10d"
schedule = "0 1 * * 2"
[store.safe]
kind = "disk"
own_drive = true
visiting = true
place = "Safe, town hall"
sets = { masters = "safe/masters", access = "safe/access" }
read_within = "120d"
expect_within = "60d"
schedule = "0 1 1 * *"
[store.cloud]
kind = "cloud"
service = "drive"
folder = %[1]q
sets = ["masters"]
endpoint = %[2]q
read_within = "180d"
expect_within = "5d"
schedule = "0 1 * * 4"
[store.shelf]
kind = "optical"
place = "Shelf, room 12"
read_within = "1y"
[rule]
copies = 2
within = "10d"
[mail]
server = %[3]q
from = "firmus@quillmere.example"
to = ["archivist@quillmere.example"]
deputy = "deputy@quillmere.example"
tls = "none"
`

// diskStores are those whose files lie in folders.
var diskStores = []string{"studio", "vault", "safe"}

// year is an archive in the course of a year, and what is true of it.
type year struct {
	t       *testing.T
	seed    uint64
	rng     *rand.Rand
	dir     string
	drive   *drivetest.Server
	inCloud string
	post    *postOffice
	log     *said
	d       *app.Stepped // nil while the computer is off

	start     time.Time
	files     []*recording
	byPath    map[string]*recording // set/path, also under former names
	reels     int
	todo      []errand
	faults    []*fault
	strays    map[string]*fault // store/set/path
	discs     []*yearDisc
	holiday   [2]int        // days on which nobody is there
	off       bool          // the computer is off meanwhile
	ahead     time.Duration // by how much its clock is
	visits    []int         // days on which the safe's drive comes
	late      map[int64]time.Time
	tried     map[int64]int
	lastID    int64
	open      map[int64]ledger.Finding
	told      map[int64]ledger.Told
	urgent    map[int64]time.Time // since when a finding has been more than untidy
	tally     map[string]*kindTally
	onSince   time.Time
	offDays   []int
	gone      map[string]string      // stores whose drive isn't in its place, and where it is
	waiting   bool                   // new files wait to be taken in
	settles   time.Time              // when some will have settled that had not, when it was looked last; zero: none
	changed   map[[2]string][]string // what people did in stores' sets since the watch came round
	small     map[string]bool        // store/set/folder: it has small letters now
	ordinary  map[int]bool           // months without a fault
	letters   int
	evidence  []string
	drawnTill string

	mu    sync.Mutex
	spots map[string]*spot // store/set/path: what its drive does to a file
	loose map[string]int   // stores whose cable is loose, and how often it was read over
}

// recording is one file that is to be kept, and the truth about it.
type recording struct {
	set, path string
	right     []byte
	older     [][]byte
	meant     []byte // a person has changed it on purpose, and nobody has accepted that yet
	renamed   string // a person has given it another name on purpose, likewise
	born      time.Time
	in        map[string]time.Time // stores that were given it, and when
	stump     bool                 // what was taken in is not all of it, and nobody has accepted the whole one yet
	lost      bool
}

// errand is something that a person is to do on a day.
type errand struct {
	day int
	do  func()
}

// spot is what a drive gives in the place of what was written.
type spot struct {
	of     fs.FileInfo // while this very file lies there
	change func(p []byte, off int64)
	bad    int64 // unreadable from here on; -1: no
}

// newYear makes an archive that has been kept for some time, in a bubble of time.
func newYear(t *testing.T, dir string, seed uint64, drive *drivetest.Server, folder string, post *postOffice, server string) *year {
	y := &year{t: t, seed: seed, rng: rand.New(rand.NewPCG(seed, 1953)), dir: dir, drive: drive, inCloud: folder, post: post, log: &said{},
		byPath: map[string]*recording{}, strays: map[string]*fault{}, late: map[int64]time.Time{}, tried: map[int64]int{}, open: map[int64]ledger.Finding{}, told: map[int64]ledger.Told{}, urgent: map[int64]time.Time{},
		tally: map[string]*kindTally{}, gone: map[string]string{}, changed: map[[2]string][]string{}, ordinary: map[int]bool{}, small: map[string]bool{}, spots: map[string]*spot{}, loose: map[string]int{}}
	// Files that the program writes get their times from the system: they must not lie in
	// the future. The 6th of January 2031 is a Monday.
	y.start = time.Date(2031, 1, 6, 0, 0, 0, 0, time.Local)
	time.Sleep(time.Until(y.start.Add(-10 * 24 * time.Hour)))
	first := 120 + y.rng.IntN(120)
	y.holiday, y.off = [2]int{first, first + 21}, y.rng.IntN(2) == 0
	closed := ""
	if y.rng.IntN(2) == 0 {
		closed = fmt.Sprintf("closed = [%q]", y.date(first).Format(time.DateOnly)+"/"+y.date(first+20).Format(time.DateOnly))
	}
	y.write("firmus.toml", []byte(fmt.Sprintf(yearConfig, folder, drive.Endpoint(), server, closed)), time.Now())
	for _, s := range diskStores {
		for _, set := range []string{"masters", "access"} {
			y.must(os.MkdirAll(y.path(s, set), 0o755))
		}
	}
	for range 8 {
		for _, f := range y.transfer(12 - len(y.files)/4) {
			y.put("studio", f)
			for _, s := range []string{"vault", "safe", "cloud"} {
				y.give(s, f)
			}
		}
	}
	time.Sleep(time.Until(y.start.Add(-12 * time.Hour)))
	for day := 10 + y.rng.IntN(20); day < 364; day += 25 + y.rng.IntN(15) {
		for day%7 >= 4 || day >= y.holiday[0] && day < y.holiday[1] { // the drive goes back on the day after
			day++
		}
		y.visits = append(y.visits, day)
	}
	return y
}

func (y *year) must(err error) {
	y.t.Helper()
	if err != nil {
		y.t.Fatal(err)
	}
}

func (y *year) date(day int) time.Time { return time.Date(2031, 1, 6+day, 0, 0, 0, 0, time.Local) }

func (y *year) day() int { return int(time.Since(y.start) / (24 * time.Hour)) }

// until lets time pass to an hour and a minute of a day.
func (y *year) until(day, hour, minute int) {
	at := y.date(day).Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute)
	if d := time.Until(at); d > 0 {
		time.Sleep(d)
	}
}

// path is where something of a store lies.
func (y *year) path(store string, rest ...string) string {
	at := filepath.Join(y.dir, store)
	if elsewhere := y.gone[store]; elsewhere != "" {
		at = filepath.Join(y.dir, elsewhere)
	}
	if len(rest) == 2 && y.small[store+"/"+rest[0]+"/"+path.Dir(rest[1])] { // whoever copies into it sees how it is spelled
		rest = []string{rest[0], strings.ToLower(path.Dir(rest[1])), path.Base(rest[1])}
	}
	return filepath.Join(append([]string{at}, rest...)...)
}

func (y *year) write(at string, b []byte, when time.Time) {
	y.t.Helper()
	if !filepath.IsAbs(at) {
		at = filepath.Join(y.dir, at)
	}
	y.must(os.MkdirAll(filepath.Dir(at), 0o755))
	if err := os.Remove(at); err != nil && !errors.Is(err, fs.ErrNotExist) {
		y.t.Fatal(err)
	}
	y.must(os.WriteFile(at, b, 0o644))
	y.must(os.Chtimes(at, when, when))
}

// switchOn starts the daemon.
func (y *year) switchOn() {
	y.t.Helper()
	d, err := app.Step(y.t.Context(), app.DaemonOptions{Log: slog.New(slog.NewTextHandler(y.log, nil)), By: "the daemon", Build: metrics.Build{Version: "test"}, Listed: true,
		Now: func() time.Time { return time.Now().Add(y.ahead) },
		Load: func() (*config.Config, error) {
			cfg, err := config.Load(filepath.Join(y.dir, "firmus.toml"))
			if err == nil {
				cfg.Web.Listen = ""
			}
			return cfg, err
		},
		Opened: func(a *app.App) {
			root := a.Acts.Root
			a.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
				r, err := root(store, set, c)
				if d, ok := r.(*disk.Dir); ok {
					return yearRoot{replicatest.Telling{Dir: d}, y, store, set}, err
				}
				return r, err
			}
		}})
	y.must(err)
	y.d, y.onSince = d, time.Now()
}

func (y *year) switchOff() {
	y.d.Stop()
	y.d = nil
}

// yearRoot is a set's folder on a drive that may fail.
type yearRoot struct {
	replicatest.Telling // the years lie in memory
	y                   *year
	store, set          string
}

// Volume tells of a drive of its own for each store.
func (r yearRoot) Volume(ctx context.Context) (fixity.Lies, error) {
	l, err := r.Dir.Volume(ctx)
	l.Device, l.ID = r.store, r.store
	return l, err
}

func (r yearRoot) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	in, err := r.Telling.Open(ctx, e, offset)
	return r.y.overlaid(r.store, r.set, e.Path, in, offset), err
}

func (r yearRoot) Begin(ctx context.Context, p string) (fixity.Entry, fixity.Reader, error) {
	e, in, err := r.Telling.Begin(ctx, p)
	return e, r.y.overlaid(r.store, r.set, p, in, 0), err
}

// spotAt is what the drive does to a file; nil: nothing, or another file lies there by now.
func (y *year) spotAt(store, set, p string) *spot {
	y.mu.Lock()
	defer y.mu.Unlock()
	key := store + "/" + set + "/" + p
	s := y.spots[key]
	if s == nil {
		return nil
	}
	if now, err := os.Lstat(y.path(store, set, p)); err != nil || !os.SameFile(s.of, now) {
		delete(y.spots, key)
		return nil
	}
	return s
}

func (y *year) overlaid(store, set, p string, in fixity.Reader, off int64) fixity.Reader {
	if in == nil {
		return in
	}
	s := y.spotAt(store, set, p)
	y.mu.Lock()
	if n, ok := y.loose[store]; ok && s == nil {
		y.loose[store]++
		if n%3 != 2 { // two of three readings
			at := int64(n*37%200 + 100)
			s = &spot{bad: -1, change: func(p []byte, off int64) { flipAt(p, off, at, byte(1+n%255)) }}
		}
	}
	y.mu.Unlock()
	if s == nil {
		return in
	}
	return &spotted{in, s, off}
}

func flipAt(p []byte, off, at int64, mask byte) {
	if i := at - off; i >= 0 && i < int64(len(p)) {
		p[i] ^= mask
	}
}

// spotted gives what a spot gives.
type spotted struct {
	fixity.Reader
	s   *spot
	off int64
}

func (r *spotted) Read(p []byte) (int, error) {
	if r.s.bad >= 0 {
		if r.off >= r.s.bad {
			return 0, fmt.Errorf("%w: bad sector at %d", fixity.ErrUnreadable, r.off)
		}
		p = p[:min(int64(len(p)), r.s.bad-r.off)]
	}
	n, err := r.Reader.Read(p)
	if r.s.change != nil {
		r.s.change(p[:n], r.off)
	}
	r.off += int64(n)
	return n, err
}

var errSector = errors.New("input/output error")

// bytesIn is what a person gets who reads a file of a store.
func (y *year) bytesIn(store, set, p string) ([]byte, error) {
	if store == "cloud" {
		id := y.drive.Find(y.inCloud, set+"/"+p)
		if id == "" {
			return nil, fs.ErrNotExist
		}
		b, ok := y.drive.Bytes(id)
		if !ok {
			return nil, fs.ErrNotExist
		}
		return b, nil
	}
	b, err := os.ReadFile(y.path(store, set, p))
	if err != nil {
		return nil, err
	}
	if s := y.spotAt(store, set, p); s != nil {
		if s.bad >= 0 && s.bad < int64(len(b)) {
			return nil, errSector
		}
		if s.change != nil {
			s.change(b, 0)
		}
	}
	return b, nil
}

// isRight says that a store gives the right bytes of a recording, at its place.
func (y *year) isRight(store string, f *recording) bool {
	b, err := y.bytesIn(store, f.set, f.path)
	return err == nil && bytes.Equal(b, f.right)
}

// rightIn are the stores that give the right bytes of a recording.
func (y *year) rightIn(f *recording) (out []string) {
	for _, s := range slices.Sorted(maps.Keys(f.in)) {
		if (y.gone[s] == "" || s == "safe") && y.isRight(s, f) {
			out = append(out, s)
		}
	}
	return out
}

// isAnywhere says that the right bytes of a recording are kept at all: in a store, under
// whatever name, on a drive that was taken out, or on a disc.
func (y *year) isAnywhere(f *recording) bool {
	if len(y.rightIn(f)) > 0 {
		return true
	}
	for _, d := range y.discs {
		if bytes.Contains(d.image, f.right) {
			return true
		}
	}
	found := false
	y.must(filepath.WalkDir(y.dir, func(at string, e fs.DirEntry, err error) error {
		if err != nil || found || e.IsDir() || !strings.HasSuffix(at, ".wav") {
			return err
		}
		b, err := os.ReadFile(at)
		found = found || bytes.Equal(b, f.right)
		return err
	}))
	return found
}

// transfer is a reel that was transferred: a master and an access file of each side.
func (y *year) transfer(sizeKiB int) (out []*recording) {
	y.reels++
	item := fmt.Sprintf("QV-%04d", 100+y.reels)
	for _, side := range "AB"[:1+y.rng.IntN(2)] {
		for _, x := range []struct{ set, name string }{{"masters", fmt.Sprintf("%s_%c.wav", item, side)}, {"access", fmt.Sprintf("%s_%c_01.wav", item, side)}} {
			p := item + "/" + x.name
			f := &recording{set: x.set, path: p, right: testdata.Wave(fmt.Sprint(y.seed, x.set, p), 1024*max(sizeKiB, 4)+y.rng.IntN(2000)), born: time.Now(), in: map[string]time.Time{}}
			y.files = append(y.files, f)
			y.byPath[f.set+"/"+f.path] = f
			out = append(out, f)
		}
	}
	return out
}

// put has a person save a recording on a drive.
func (y *year) put(store string, f *recording) {
	y.t.Helper()
	y.write(y.path(store, f.set, f.path), f.right, time.Now())
	f.in[store] = time.Now()
}

// give has a person copy a recording from the studio to another store: what the studio's
// drive gives of it, good or not. false: it can't be read, or the other isn't there.
func (y *year) give(store string, f *recording) bool {
	y.t.Helper()
	if store == "cloud" && f.set != "masters" {
		return true
	}
	b, err := y.bytesIn("studio", f.set, f.path)
	if err != nil || y.gone[store] != "" || store == "safe" && !y.safeIsHere() {
		return false
	}
	if store == "cloud" {
		y.drive.Put(y.inCloud, f.set+"/"+f.path, b)
	} else {
		when := time.Now()
		if st, err := os.Stat(y.path("studio", f.set, f.path)); err == nil {
			when = st.ModTime()
		}
		y.write(y.path(store, f.set, f.path), b, when)
	}
	f.in[store] = time.Now()
	if !bytes.Equal(b, f.right) && !bytes.Equal(b, f.meant) {
		y.plant(&fault{kind: "a damaged file was copied on", store: store, file: f, by: reading})
	}
	return true
}

func (y *year) safeIsHere() bool {
	_, err := os.Stat(filepath.Join(y.dir, "safe"))
	return err == nil
}

// feed has somebody copy a recording to the other stores in the next days.
func (y *year) feed(f *recording) {
	for _, s := range []string{"vault", "cloud"} {
		if s == "cloud" && f.set != "masters" {
			continue
		}
		var try func()
		try = func() {
			if y.byPath[f.set+"/"+f.path] != f || f.renamed != "" {
				return
			}
			if y.give(s, f) {
				y.noticed(s, f.set, f.path)
				return
			}
			y.later(1, try)
		}
		days := 1 + y.rng.IntN(3)
		if f.set == "access" { // once it is finished: until then it may be saved again
			days += 4
		}
		y.later(days, try)
	}
}

// later puts something on the list of what people have to do.
func (y *year) later(days int, do func()) { y.todo = append(y.todo, errand{y.day() + days, do}) }

// noticed is told of files that a person has changed on a drive.
func (y *year) noticed(store, set string, paths ...string) {
	if y.d == nil || store == "cloud" || y.gone[store] != "" {
		return
	}
	if store == "studio" {
		y.waiting = true
	}
	key := [2]string{store, set}
	y.changed[key] = append(y.changed[key], paths...)
}

// watch tells the daemon what has changed, as its watch of the folders would within
// minutes.
func (y *year) watch() {
	y.t.Helper()
	for _, key := range slices.SortedFunc(maps.Keys(y.changed), func(a, b [2]string) int { return slices.Compare(a[:], b[:]) }) {
		if y.d != nil && y.gone[key[0]] == "" {
			y.must(y.d.Noticed(key[0], key[1], y.changed[key]))
			y.look()
		}
	}
	clear(y.changed)
}

// sidecar is a list of checksums that a recorder lays beside its files.
func (y *year) sidecar(fs ...*recording) {
	var b bytes.Buffer
	for _, f := range fs {
		fmt.Fprintf(&b, "%x *%s\n", md5.Sum(f.right), path.Base(f.path))
	}
	f := &recording{set: "masters", path: path.Dir(fs[0].path) + "/recorder.md5", right: b.Bytes(), born: time.Now(), in: map[string]time.Time{}}
	y.files = append(y.files, f)
	y.byPath[f.set+"/"+f.path] = f
	y.put("studio", f)
	y.feed(f)
}

// copyFile is a person's copy of any file.
func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	st, err := in.Stat()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
		return err
	}
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	if _, err := io.Copy(out, in); err != nil {
		out.Close()
		return err
	}
	if err := out.Close(); err != nil {
		return err
	}
	return os.Chtimes(to, st.ModTime(), st.ModTime())
}
