package ledger_test

import (
	"path"
	"slices"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// world is stores made of names and contents, listed and read by hand through the
// ledger's own interface, so that a test says what happened and sees what was made
// of it.
type world struct {
	*testing.T
	d     database
	l     *ledger.Ledger
	clock time.Time
	// what lies in a store: by store, set and path
	holds map[string]map[string]map[string]lies
	cache fixity.Cache
	// listens is what whoever listens hears in bytes; nil: nobody listens
	listens func(bytes string) *ledger.Sound
}

// lies is one file as it lies somewhere.
type lies struct {
	bytes   string // see bytesOf
	mtime   time.Time
	outcome fixity.Outcome // forced; "" is what the bytes give
}

func newWorld(t *testing.T, d database, change ...func(*ledger.Options)) *world {
	t.Helper()
	w := &world{T: t, d: d, clock: begun, holds: map[string]map[string]map[string]lies{}, cache: fixity.Bypassed}
	w.l = d.open(change...)
	w.tx(func(x *ledger.Tx) error {
		for _, s := range w.l.Rules().Stores {
			st := ledger.Store{Name: s.Name, Kind: s.Kind, Place: "Quillmere"}
			for _, set := range s.Sets {
				st.Roots = append(st.Roots, ledger.Root{Set: set, Root: "/" + s.Name + "/" + set})
			}
			if err := x.Stores.Put(st); err != nil {
				return err
			}
			for _, set := range s.Sets {
				if err := x.Stores.Adopt(s.Name, set, fixity.Identity{Holdings: "h", Store: s.Name + "-id"}, "Ada Wren", "first found"); err != nil {
					return err
				}
			}
		}
		return nil
	})
	return w
}

func (w *world) tx(fn func(*ledger.Tx) error)   { w.Helper(); tx(w.T, w.l, w.clock, fn) }
func (w *world) view(fn func(*ledger.Tx) error) { w.Helper(); view(w.T, w.l, fn) }
func (w *world) now() time.Time                 { return w.clock }
func (w *world) pass(d time.Duration)           { w.clock = w.clock.Add(d) }
func (w *world) record() ledger.Record          { return w.l.Record(w.now, "Ada Wren") }

// put lays bytes into a store, at the present time.
func (w *world) put(store, set, p, bytes string) {
	if w.holds[store] == nil {
		w.holds[store] = map[string]map[string]lies{}
	}
	if w.holds[store][set] == nil {
		w.holds[store][set] = map[string]lies{}
	}
	w.holds[store][set][p] = lies{bytes: bytes, mtime: w.clock}
}

func (w *world) remove(store, set, p string) { delete(w.holds[store][set], p) }

// rot changes bytes and not the file's time.
func (w *world) rot(store, set, p, bytes string) {
	x := w.holds[store][set][p]
	x.bytes = bytes
	w.holds[store][set][p] = x
}

func (w *world) fails(store, set, p string, o fixity.Outcome) {
	x := w.holds[store][set][p]
	x.outcome = o
	w.holds[store][set][p] = x
}

func (w *world) move(store, set, from, to string) {
	w.holds[store][set][to] = w.holds[store][set][from]
	delete(w.holds[store][set], from)
}

func (w *world) entries(store, set, top string) []fixity.Entry {
	var out []fixity.Entry
	for p, x := range w.holds[store][set] {
		if ledger.Top(p) == top {
			out = append(out, fixity.Entry{Path: p, Size: bytesOf(x.bytes).Size, ModTime: x.mtime})
		}
	}
	slices.SortFunc(out, func(a, b fixity.Entry) int {
		if a.Path < b.Path {
			return -1
		}
		return 1
	})
	return out
}

// take takes a file under care: it lies in the named stores with these bytes, and
// is awaited in the others.
func (w *world) take(set, p, bytes string, vouched bool, stores ...string) ledger.File {
	w.Helper()
	var f ledger.File
	w.tx(func(x *ledger.Tx) (err error) {
		f, err = w.takeIn(x, set, p, bytes, vouched, stores...)
		return err
	})
	return f
}

func (w *world) takeIn(x *ledger.Tx, set, p, bytes string, vouched bool, stores ...string) (ledger.File, error) {
	v := bytesOf(bytes)
	f, err := x.Files.Add(set, p, "Ada Wren", w.clock, vouched, v)
	if err != nil {
		return f, err
	}
	for _, s := range w.l.Rules().Stores {
		if !s.Holds(set) {
			continue
		}
		c := ledger.Copy{Store: s.Name, Set: set, At: p, File: f.ID, State: fixity.Awaited, Size: -1}
		if slices.Contains(stores, s.Name) {
			w.put(s.Name, set, p, bytes)
			c.State, c.Held, c.Size, c.ModTime = fixity.Intact, 1, v.Size, w.clock.UnixNano()
			c.Read = fixity.Evidence{Strength: fixity.Read, At: w.clock, OK: true, Cache: w.cache}
			c.Due = care.NextDue(c, c.Read.At, c.Read.Cache, s)
		}
		if err := x.Strays.Drop(s.Name, set, p); err != nil {
			return f, err
		}
		if err := x.Copies.Put(ledger.Copy{}, c); err != nil {
			return f, err
		}
	}
	return f, nil
}

// order is how an audit is narrowed or cut short.
type order struct {
	full       bool
	set, under string
	incomplete string       // "SET/TOP" whose listing fails
	kind       string       // "" is ledger.Plain
	stopAt     fixity.Phase // the phase before which it is left alone
}

// audit runs one audit over a store and gives it back as the ledger knows it.
func (w *world) audit(store string, o order) ledger.Audit {
	w.Helper()
	a := ledger.Audit{Store: store, Kind: ledger.Plain, Full: o.full, Set: o.set, Under: o.under, Cache: w.cache, By: "Ada Wren"}
	if o.kind != "" {
		a.Kind = o.kind
	}
	rule, _ := w.l.Rules().Store(store)
	a.Sets = rule.Sets
	if o.set != "" {
		a.Sets = []string{o.set}
	}
	w.tx(func(x *ledger.Tx) (err error) {
		if a, _, err = x.Audits.Begin(a); err != nil {
			return err
		}
		for _, set := range a.Sets {
			var tops []string
			for p := range w.holds[store][set] {
				if t := ledger.Top(p); !slices.Contains(tops, t) {
					tops = append(tops, t)
				}
			}
			if _, err := x.Audits.AddShards(a, set, tops); err != nil {
				return err
			}
		}
		return nil
	})
	for _, p := range []fixity.Phase{fixity.PhaseList, fixity.PhaseProve, fixity.PhaseFirst, fixity.PhaseRead} {
		if p == o.stopAt {
			return a
		}
		w.phase(a, p, o)
	}
	w.view(func(x *ledger.Tx) (err error) { a, err = x.Audits.Get(a.ID); return err })
	return a
}

func (w *world) phase(a ledger.Audit, p fixity.Phase, o order) {
	w.Helper()
	r := w.record()
	jobs, err := r.Open(w.Context(), a.ID, p)
	if err != nil {
		w.Fatal(err)
	}
	for _, j := range jobs {
		s, err := r.Claim(w.Context(), j)
		if err != nil {
			w.Fatal(err)
		}
		if p == fixity.PhaseList {
			w.list(s, o)
		} else {
			w.read(s)
		}
	}
	if err := r.Advance(w.Context(), a.ID, p); err != nil {
		w.Fatal(err)
	}
}

// list says of a shard what a merge of its listing with what is known says.
func (w *world) list(s fixity.Shard, o order) {
	w.Helper()
	known, err := w.record().Known(w.Context(), s, "", 100_000)
	if err != nil {
		w.Fatal(err)
	}
	if !slices.IsSortedFunc(known, func(a, b fixity.Known) int { return compare(a.Path, b.Path) }) {
		w.Fatalf("what is known isn't in order: %v", known)
	}
	l := fixity.Listed{Shard: s, Done: true}
	if o.incomplete == s.Set+"/"+s.Top {
		l.Trouble = "the folder could not be listed to its end"
	}
	seen := map[string]bool{}
	if l.Trouble == "" {
		for _, e := range w.entries(s.Store, s.Set, s.Top) {
			seen[e.Path] = true
			i := slices.IndexFunc(known, func(k fixity.Known) bool { return k.Path == e.Path })
			switch {
			case i < 0:
				l.Strays = append(l.Strays, e)
			case known[i].File == 0:
				if known[i].Size != e.Size || known[i].ModTime != e.ModTime.UnixNano() {
					l.Strays = append(l.Strays, e)
				}
			default:
				k := known[i]
				if s.Counts && audit.InScope(s.Under, e.Path) {
					l.Files++
				}
				if (care.Shown{Size: e.Size, ModTime: e.ModTime.UnixNano()}).News(k) {
					l.Changed = append(l.Changed, e)
				}
			}
		}
	}
	for _, k := range known {
		switch {
		case seen[k.Path]:
		case k.File == 0:
			l.Left = append(l.Left, k)
		default:
			l.Gone = append(l.Gone, k)
		}
	}
	if err := w.record().CommitListing(w.Context(), l); err != nil {
		w.Fatal(err)
	}
}

func compare(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// read reads all that is due in a shard, and ends its phase.
func (w *world) read(s fixity.Shard) {
	w.Helper()
	due, err := w.record().Due(w.Context(), s, 100_000)
	if err != nil {
		w.Fatal(err)
	}
	var results []fixity.Result
	for _, d := range due {
		if x, ok := w.reading(s, d); ok {
			results = append(results, x)
		}
	}
	if err := w.record().CommitReadings(w.Context(), fixity.Readings{Shard: s, Results: results, End: true, Done: true}); err != nil {
		w.Fatal(err)
	}
}

// reading is what reading one copy gives: false if nothing lies there.
func (w *world) reading(s fixity.Shard, d fixity.Due) (fixity.Result, bool) {
	x, ok := w.holds[s.Store][s.Set][d.Path]
	if !ok {
		return fixity.Result{}, false
	}
	v := bytesOf(x.bytes)
	r := fixity.Result{Path: d.Path, File: d.File, At: w.clock, Size: v.Size, ModTime: x.mtime.UnixNano(), Cache: s.Cache, Sums: sums(v), Blocks: v.Blocks, Outcome: fixity.ReadDiffers}
	if x.outcome == fixity.ReadUnreadable || x.outcome == fixity.ReadUnsteady {
		r.Outcome, r.Sums, r.Seen = x.outcome, nil, []fixity.Fact{{Is: fixity.NotGiven}}
		return r, true
	}
	if d.File == 0 {
		return r, true
	}
	for _, k := range append([]fixity.Wanted{d.Want}, d.Earlier...) {
		if k.N > 0 && k.Digest == v.BLAKE3 {
			r.Version, r.Outcome = k.N, fixity.ReadEarlier
			if k.N == d.Want.N {
				r.Outcome = fixity.ReadIntact
			}
		}
	}
	if r.Outcome == fixity.ReadDiffers {
		if w.listens != nil {
			var err error
			if r.Heard, err = w.listens(x.bytes).Encode(); err != nil {
				w.Fatal(err)
			}
		}
		r.Anatomy, r.Ranges, r.Seen = fixity.Flipped, []fixity.Range{{Offset: 0, Length: 65536}}, []fixity.Fact{{Is: fixity.SameWrong, At: fixity.Instants(r.At, r.At), Cache: fixity.Bypassed}}
	}
	return r, true
}

// copyOf is what a store holds of a file.
func (w *world) copyOf(f ledger.File, store string) ledger.Copy {
	w.Helper()
	var out ledger.Copy
	w.view(func(x *ledger.Tx) error {
		copies, err := x.Copies.Of(f.ID)
		for _, c := range copies {
			if c.Store == store {
				out = c
			}
		}
		return err
	})
	return out
}

func (w *world) isIn(f ledger.File, store string, want fixity.State) {
	w.Helper()
	if got := w.copyOf(f, store).State; got != want {
		w.Errorf("%s in %s is %q, want %q", path.Base(f.Path), store, got, want)
	}
}

// finding is the one open finding about a file in a store; its ID is 0 if none is.
func (w *world) finding(f ledger.File, store string) ledger.Finding {
	w.Helper()
	var out ledger.Finding
	w.view(func(x *ledger.Tx) error {
		all, err := x.Findings.Of(f.ID)
		for _, y := range all {
			if y.Store == store && y.Open() {
				if out.ID != 0 {
					w.Errorf("two open findings about one file in %s", store)
				}
				out = y
			}
		}
		return err
	})
	return out
}

func (w *world) found(f ledger.File, store string, kind fixity.State, u fixity.Urgency) ledger.Finding {
	w.Helper()
	got := w.finding(f, store)
	if got.ID == 0 || got.Kind != fixity.Kind(kind) || got.Urgency != u {
		w.Errorf("finding about %s in %s: %q, %q; want %q, %q", path.Base(f.Path), store, got.Kind, got.Urgency, kind, u)
	}
	return got
}

func (w *world) quiet(f ledger.File, store string) {
	w.Helper()
	if got := w.finding(f, store); got.ID != 0 {
		w.Errorf("finding %d about %s in %s: %s (%v)", got.ID, path.Base(f.Path), store, got.Kind, got.Facts.Seen)
	}
}

// settledAs is how a finding ended.
func (w *world) settledAs(id int64) fixity.Settled {
	w.Helper()
	var f ledger.Finding
	w.view(func(x *ledger.Tx) (err error) { f, err = x.Findings.Get(id); return err })
	return f.Settled
}

// verbs counts the events by verb.
func (w *world) verbs() map[fixity.Verb]int {
	w.Helper()
	out := map[fixity.Verb]int{}
	w.view(func(x *ledger.Tx) error {
		return x.Log.Each(0, 1_000_000, func(e ledger.Event) error { out[e.Verb]++; return nil })
	})
	return out
}
