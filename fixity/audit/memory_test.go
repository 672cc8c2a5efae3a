package audit_test

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
)

// errand is what a measured process is told, and what it tells.
type errand struct {
	Place place
	Root  string
	Files int64
}

type outcome struct {
	Highest, Resident int64 // bytes of memory, at most and in the end
	Live              int64 // bytes that the program itself held on to, listing or reading
	List, Read        time.Duration
}

// measured lists and reads everything in a store and says what that took.
func measured(order []byte) error {
	var e errand
	if err := json.Unmarshal(order, &e); err != nil {
		return err
	}
	ctx, now := context.Background(), func() time.Time { return begun.Add(time.Hour) }
	l, err := ledger.Open(ctx, e.Place.options(oneStore()))
	if err != nil {
		return err
	}
	defer l.Close()
	d, err := disk.Open(e.Root, disk.Options{})
	if err != nil {
		return err
	}
	tops, err := d.Shards(ctx)
	if err != nil {
		return err
	}
	a := ledger.Audit{Store: "shelf", Kind: ledger.Plain, Sets: []string{"masters"}, Full: true, Cache: fixity.Bypassed, By: "a test", Run: now()}
	if err := l.Tx(ctx, now(), func(tx *ledger.Tx) error {
		if a, _, err = tx.Audits.Begin(a); err != nil {
			return err
		}
		_, err = tx.Audits.AddShards(a, "masters", tops)
		return err
	}); err != nil {
		return err
	}
	var out outcome
	var mu sync.Mutex // files are read side by side
	var seen, live int64
	look := func() { // some forty times while it lists, and while it reads
		mu.Lock()
		defer mu.Unlock()
		if seen++; seen%(e.Files/40) != 0 {
			return
		}
		// What doesn't go away is there in each of the last looks. A file's buffer, or results
		// that are on their way to the ledger, aren't. What lies ready to be used again (sync.Pool),
		// of which one compressor takes more than a thousand files may, goes at the second turn.
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		if now := int64(m.HeapAlloc); seen%e.Files == e.Files*3/4 || seen%e.Files > e.Files*3/4 && now < live {
			live = now
		}
		if seen%e.Files == 0 {
			out.Live = max(out.Live, live)
		}
	}
	aud := &audit.Auditor{Progress: audit.Progress{File: func(fixity.Shard, string, int64) { look() }}, Record: l.Record(now, "a test"), Now: now,
		Open: func(string, string, fixity.Cache) (audit.Store, error) { return looking{d, look}, nil }}
	begun := time.Now()
	for _, p := range []fixity.Phase{fixity.PhaseList, fixity.PhaseProve} {
		if err := aud.RunPhase(ctx, a.ID, p); err != nil {
			return err
		}
	}
	out.List, begun = time.Since(begun), time.Now()
	if err := aud.RunPhase(ctx, a.ID, fixity.PhaseRead); err != nil {
		return err
	}
	out.Read = time.Since(begun)
	if err := l.View(ctx, func(tx *ledger.Tx) error {
		p, err := tx.Audits.Progress(a)
		if err == nil && (p.Read != e.Files || p.Listed != e.Files || !p.Complete) {
			err = fmt.Errorf("of %d files %d were listed, %d read; complete %t: %q", e.Files, p.Listed, p.Read, p.Complete, p.Trouble)
		}
		return err
	}); err != nil {
		return err
	}
	if out.Highest, err = memory("VmHWM:"); err != nil {
		return err
	}
	if out.Resident, err = memory("VmRSS:"); err != nil {
		return err
	}
	return json.NewEncoder(os.Stdout).Encode(out)
}

// looking calls look for each entry of a listing.
type looking struct {
	audit.Store
	look func()
}

func (l looking) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		for e, err := range l.Store.List(ctx, shard) {
			l.look()
			if !yield(e, err) {
				return
			}
		}
	}
}

// memory is a line of /proc/self/status (proc(5)), in bytes.
func memory(name string) (int64, error) {
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) == 3 && f[0] == name && f[2] == "kB" {
			n, err := strconv.ParseInt(f[1], 10, 64)
			return n << 10, err
		}
	}
	return 0, fmt.Errorf("/proc/self/status has no %s", name)
}

// many takes n small files in folders of 200 under care, quickly.
func many(t testing.TB, n int) *world {
	t.Helper()
	const folder, sizes = 200, 997
	w := newWorld(t, oneStore())
	text := strings.Repeat("Quillmere ", sizes)
	var versions [sizes]ledger.Version
	for i := range versions {
		sums, err := digest.Read(t.Context(), strings.NewReader(text[:i+1]), fixity.BLAKE3, fixity.SHA256)
		w.must(err)
		versions[i] = ledger.VersionOf(sums.Size, sums.Digests, sums.Blocks, "a test", "")
	}
	root, at := w.at("shelf", "masters").dir, begun.Add(-7*day)
	for first := 0; first < n; first += 10_000 {
		w.tx(func(tx *ledger.Tx) error {
			for i := first; i < min(first+10_000, n); i++ {
				path := fmt.Sprintf("QV-%05d/take-%06d.wav", i/folder, i)
				name := filepath.Join(root, filepath.FromSlash(path))
				if i%folder == 0 {
					if err := os.Mkdir(filepath.Dir(name), 0o777); err != nil {
						return err
					}
				}
				if err := os.WriteFile(name, []byte(text[:i%sizes+1]), 0o666); err != nil {
					return err
				}
				if err := chtime(name, at); err != nil {
					return err
				}
				v := versions[i%sizes]
				f, err := tx.Files.Add("masters", path, "a test", at, true, v)
				if err != nil {
					return err
				}
				c := ledger.Copy{Store: "shelf", Set: "masters", At: path, File: f.ID, State: fixity.Intact, Held: 1, Size: v.Size, ModTime: at.UnixNano(),
					Read: fixity.Evidence{Strength: fixity.Read, At: w.now, OK: true, Cache: fixity.Bypassed}}
				if err := tx.Copies.Put(ledger.Copy{}, c); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return w
}

func (w *world) measure(n int) (out outcome) {
	w.t.Helper()
	c := child(w.t, "FIRMUS_AUDIT_MEMORY", errand{Place: w.place, Root: w.at("shelf", "masters").dir, Files: int64(n)})
	text, err := c.Output()
	if err != nil {
		w.t.Fatalf("%v: %s", err, c.Stderr)
	}
	w.must(json.Unmarshal(text, &out))
	return out
}

// TestMemory: what an audit keeps in memory doesn't grow with the number of files. What it
// holds on to is known to some hundred KiB, since files are on their way: 40 bytes more for
// each file would show, which is less than a path and its header take. Its process as a whole,
// with what SQLite has, is known less well. With FIRMUS_AUDIT_FILES there are so many files, and
// a tenth of them.
func TestMemory(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("memory is told by /proc, which is Linux's")
	}
	if os.Getenv("FIRMUS_ALL_PARTS") != "1" {
		t.Skip("takes half a minute: only with FIRMUS_ALL_PARTS=1")
	}
	t.Parallel()
	n := 20_000
	if s := os.Getenv("FIRMUS_AUDIT_FILES"); s != "" {
		var err error
		if n, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	const kib, mib = 1 << 10, 1 << 20
	few, lots := many(t, n/10).measure(n/10), many(t, n).measure(n)
	for n, o := range map[int]outcome{n / 10: few, n: lots} {
		t.Logf("%d files: %d KiB held on to, at most %d MiB, in the end %d MiB; listed in %v, read in %v", n, o.Live/kib, o.Highest/mib, o.Resident/mib, o.List, o.Read)
	}
	if few.Live < 100*kib || lots.Live > few.Live+700*kib {
		t.Errorf("%d KiB are held on to with %d files, %d KiB with a tenth of them: at most 700 KiB more", lots.Live/kib, n, few.Live/kib)
	}
	if few.Highest < mib || lots.Highest > few.Highest+24*mib || lots.Highest > 120*mib {
		t.Errorf("%d MiB for %d files, %d MiB for a tenth of them: at most 24 MiB more and 120 MiB in all", lots.Highest/mib, n, few.Highest/mib)
	}
}
