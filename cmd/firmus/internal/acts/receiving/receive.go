package receiving

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/digest"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
	"firmus/manifest"
)

// ReceiveOrder says what to copy from a recorder's stick, and where to.
type ReceiveOrder struct {
	Source stores.Folder
	Name   string   // of the source, for people: its folder
	Into   string   // SET/PATH; the last part of PATH is the item
	Sides  []string // names of the recordings in the order of the stick; none keeps its names
	Reason string
	// Found is told how many bytes will be read of the source, which is read twice, before any
	// is copied; may be nil.
	Found func(bytes int64)
}

// ReceivedItem is one file that was received.
type ReceivedItem struct {
	Name    string    `json:"name"` // on the source
	Path    string    `json:"path"` // in the set
	Size    int64     `json:"size"`
	SHA256  string    `json:"sha256"`
	Clock   string    `json:"recorder_clock"` // what the recorder says; nobody checked it
	Already bool      `json:"already_there"`
	Dated   time.Time `json:"-"`     // the same as Clock
	Notes   []string  `json:"notes"` // what is odd about the file itself

	digest fixity.Digest // BLAKE3
}

// ReceiveResult is what receiving did.
type ReceiveResult struct {
	Set    string         `json:"set"`
	Files  []ReceivedItem `json:"files"`
	Bytes  int64          `json:"bytes"`
	Intake IntakeResult   `json:"intake"`
	Erase  bool           `json:"may_be_erased"`
	Why    string         `json:"because"`
}

// arriving is a file on its way in.
type arriving struct {
	entry fixity.Entry
	to    string
	notes []sound.Note
	split bool // it ends where a card's file system ends a file
}

// Receive copies all files of a source into a set's arrivals store: each is read
// twice there (manifest.ErrUnsteady if the readings disagree), the copy is flushed, read back
// past the page cache and compared before it gets its name. Nothing is ever overwritten: if other bytes lie
// at a name, nothing at all is copied (fixity.ErrRefused). The files are then taken
// in. The source must be kept until a second independent store has been read.
func (e Acts) Receive(ctx context.Context, o ReceiveOrder) (ReceiveResult, error) {
	set, folder, err := e.SplitSetPath(o.Into)
	if err != nil {
		return ReceiveResult{}, err
	}
	res := ReceiveResult{Set: set, Files: []ReceivedItem{}}
	store, ok := e.Rules.Arrivals(set)
	if !ok || folder == "" {
		return res, fmt.Errorf("name the folder for the files, SET/PATH: %w", fixity.ErrRefused)
	}
	if err := e.Apart(ctx, o.Name); err != nil {
		return res, err
	}
	o.Source = e.Stores().Outside(o.Source, o.Name)
	files, err := e.arriving(ctx, o, folder)
	if err != nil {
		return res, err
	}
	if err := e.takenUnderCare(set, files); err != nil {
		return res, err
	}
	if o.Found != nil {
		n := int64(0)
		for _, f := range files {
			n += 2 * f.entry.Size
		}
		o.Found(n)
	}
	if err := e.NoteStores(ctx); err != nil {
		return res, err
	}
	if err := e.Stores().Use(ctx, store.Name, stores.Purpose{Adopt: true}, func(ctx context.Context, u *stores.Used) error {
		return e.copyIn(ctx, u, o, set, files, &res)
	}); err != nil {
		return res, err
	}
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		r := ledger.Received{Source: o.Name, Set: set, Folder: folder, By: e.By}
		for i, f := range files {
			r.Files = append(r.Files, ledger.ReceivedFile{Name: f.entry.Path, Clock: f.entry.ModTime, Path: f.to, Size: f.entry.Size, Digest: res.Files[i].digest})
		}
		_, err := t.Sources.Put(r, o.Reason)
		return err
	}); err != nil {
		return res, err
	}
	if res.Intake, err = e.Intake(ctx, IntakeOrder{Sets: []string{set}, Cache: fixity.Bypassed}); err != nil {
		return res, err
	}
	keep, err := e.Sources(ctx)
	if err != nil {
		return res, err
	}
	res.Erase, res.Why = true, "two independent stores have been read"
	for _, k := range keep {
		if k.Source == ledger.DisplayPath(o.Name) {
			res.Erase, res.Why = false, k.Why
		}
	}
	return res, nil
}

// arriving lists the source and names each file.
func (e Acts) arriving(ctx context.Context, o ReceiveOrder, folder string) ([]arriving, error) {
	var files []arriving
	shards, err := o.Source.Shards(ctx)
	if err != nil {
		return nil, fmt.Errorf("list %s: %w", o.Name, err)
	}
	for _, shard := range shards {
		for x, err := range o.Source.List(ctx, shard) {
			if err != nil {
				return nil, fmt.Errorf("list %s: %w", o.Name, err)
			}
			switch x.Type {
			case fixity.LeftOut:
				continue
			case fixity.File:
				files = append(files, arriving{entry: x})
			default:
				return nil, fmt.Errorf("%s: %q is no ordinary file; nothing was copied: %w", o.Name, x.Path, fixity.ErrRefused)
			}
		}
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("%s holds no file: %w", o.Name, fixity.ErrRefused)
	}
	for i := range files {
		if err := e.inspect(ctx, o.Source, &files[i]); err != nil {
			return nil, err
		}
	}
	if len(o.Sides) > 0 {
		return files, nameBySide(files, o.Sides, folder)
	}
	for i := range files {
		files[i].to = folder + "/" + files[i].entry.Path
	}
	return files, nil
}

// takenUnderCare refuses names that the set leaves out: what is copied there would
// never be under care, though it was copied and read back.
func (e Acts) takenUnderCare(set string, files []arriving) error {
	for _, f := range files {
		parts := strings.Split(f.to, "/")
		for i := range parts {
			at := strings.Join(parts[:i+1], "/")
			// A folder that is named like a file that is left out is refused as well: a person
			// who names it so means something that isn't to stay.
			if strings.HasPrefix(strings.ToLower(parts[i]), ".firmus") || e.LeftOut(set, at, false) || i < len(parts)-1 && e.LeftOut(set, at, true) {
				return fmt.Errorf("%s/%s would never be taken under care: the set leaves out what is named like %q (leave_out, and what programs leave behind). Nothing was copied. Name another folder, or give the recordings names by their sides (%s): %w",
					set, ledger.DisplayPath(f.to), ledger.DisplayPath(parts[i]), e.Words.Opt("sides"), fixity.ErrRefused)
			}
		}
	}
	return nil
}

// inspect looks at the structure of a file on the source.
func (e Acts) inspect(ctx context.Context, from audit.Store, f *arriving) error {
	_, notes, err := essence.Inspect(readerAt{ctx, from, f.entry}, f.entry.Size)
	if err != nil {
		return fmt.Errorf("look at %q: %w", f.entry.Path, err)
	}
	for _, n := range notes {
		if n.Code == sound.SizeLimit {
			f.split = true
		}
		if n.Code != sound.OpaqueFile && n.Code != sound.FLACNotDecoded {
			f.notes = append(f.notes, n)
		}
	}
	return nil
}

// readerAt reads pieces of a store's file.
type readerAt struct {
	ctx  context.Context
	from audit.Store
	e    fixity.Entry
}

func (r readerAt) ReadAt(p []byte, off int64) (int, error) {
	f, err := r.from.Open(r.ctx, r.e, off)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	n, err := io.ReadFull(f, p)
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = io.EOF
	}
	return n, err
}

// nameBySide names the recordings of a stick, in the order in which the recorder
// wrote them, by item and side. A file that ends where a card ends a file and the
// next one are parts of one recording.
func nameBySide(files []arriving, sides []string, folder string) error {
	slices.SortStableFunc(files, func(a, b arriving) int {
		if c := a.entry.ModTime.Compare(b.entry.ModTime); c != 0 {
			return c
		}
		return strings.Compare(a.entry.Path, b.entry.Path)
	})
	var groups [][]int
	for i := range files {
		if i > 0 && files[i-1].split {
			groups[len(groups)-1] = append(groups[len(groups)-1], i)
		} else {
			groups = append(groups, []int{i})
		}
	}
	if len(groups) != len(sides) {
		return fmt.Errorf("there %s, and %s named; nothing was copied: %w", fixity.OneOr(len(groups), "is ", "are ")+fixity.Count(len(groups), "recording"), fixity.Counted(len(sides), "side", "was", "were"), fixity.ErrRefused)
	}
	item := path.Base(folder)
	for g, group := range groups {
		if sides[g] == "" || strings.ContainsAny(sides[g], "/\\") {
			return fmt.Errorf("%q can't be the name of a side: %w", sides[g], fixity.ErrRefused)
		}
		for n, i := range group {
			name := item + "_" + sides[g]
			if len(group) > 1 {
				name += fmt.Sprintf("_part%d", n+1)
			}
			files[i].to = folder + "/" + name + strings.ToLower(path.Ext(files[i].entry.Path))
		}
	}
	return nil
}

// copyIn copies the files into the arrivals store.
func (e Acts) copyIn(ctx context.Context, u *stores.Used, o ReceiveOrder, set string, files []arriving, res *ReceiveResult) error {
	if len(u.Away) > 0 {
		return fmt.Errorf("store %s: %s: %w", u.Rule.Name, report.Fact(u.Away[0]), fixity.ErrAway)
	}
	root, err := u.Root(set, fixity.Bypassed)
	if err != nil {
		return err
	}
	// What is in the way is found before anything is copied.
	there := map[int]digest.Sums{}
	for i, f := range files {
		_, err := root.Stat(ctx, f.to)
		if errors.Is(err, fixity.ErrVanished) {
			continue
		}
		if err != nil {
			return fmt.Errorf("%s: %w", f.to, err)
		}
		sums, same, err := e.sameBytes(ctx, o.Source, f.entry, u, set, f.to)
		if err != nil {
			return err
		}
		if !same {
			return fmt.Errorf("another file lies at %s/%s in %s; nothing was copied: %w", set, f.to, u.Rule.Name, fixity.ErrRefused)
		}
		there[i] = sums
	}
	for i, f := range files {
		sums, already := there[i]
		if !already {
			sums, err = e.copyOne(ctx, o.Source, root, f)
		}
		item := f.received(sums, already)
		if err != nil {
			return fmt.Errorf("copy %q to %s/%s: %w", f.entry.Path, set, f.to, err)
		}
		if err := e.noteTwin(ctx, &item, set, f.to); err != nil {
			return err
		}
		res.Files = append(res.Files, item)
		res.Bytes += f.entry.Size
	}
	return nil
}

// noteTwin notes of a received file that its bytes are under care already under another
// name: the number of the reel may be a slip.
func (e Acts) noteTwin(ctx context.Context, item *ReceivedItem, set, to string) error {
	return e.Ledger.View(ctx, func(t *ledger.Tx) error {
		hs, err := t.Files.ByDigest(item.digest)
		for _, h := range hs {
			if h.Current && (h.File.Set != set || h.File.Path != to) {
				item.Notes = append(item.Notes, "the same recording is under care already as "+h.File.Set+"/"+ledger.DisplayPath(h.File.Path)+". Is the number right?")
				break
			}
		}
		return err
	})
}

// sameBytes says that a file of the source lies in the store already, and gives its digests.
// Where they differ both are read once more: one wrong reading is no other file.
func (e Acts) sameBytes(ctx context.Context, from audit.Store, x fixity.Entry, u *stores.Used, set, to string) (sums digest.Sums, same bool, err error) {
	for range 2 {
		if sums, err = e.readSums(ctx, from, x); err != nil {
			return sums, false, fmt.Errorf("read %q: %w", x.Path, err)
		}
		b, err := e.Auditor(u).Take(ctx, u.Rule.Name, set, to, fixity.Bypassed, fixity.BLAKE3)
		if err != nil {
			return sums, false, fmt.Errorf("read %s: %w", to, err)
		}
		if d, _ := sums.Get(fixity.BLAKE3); d == b.Digest(fixity.BLAKE3) {
			return sums, true, nil
		}
	}
	return sums, false, nil
}

func (e Acts) readSums(ctx context.Context, from audit.Store, x fixity.Entry) (digest.Sums, error) {
	f, err := from.Open(ctx, x, 0)
	if err != nil {
		return digest.Sums{}, err
	}
	defer f.Close()
	return digest.Options{Algorithms: Digests, Progress: e.Progress.Bytes}.Read(ctx, f)
}

// copyOne copies one file. Order: read, copy what is read once more and compare, flush, read
// back and compare, then rename; a crash before the last step leaves nothing under the name.
func (e Acts) copyOne(ctx context.Context, from audit.Store, root stores.Root, f arriving) (sums digest.Sums, err error) {
	if e.Progress.File != nil {
		e.Progress.File(fixity.Shard{}, f.entry.Path, f.entry.Size)
	}
	if sums, err = e.readSums(ctx, from, f.entry); err != nil {
		return sums, err
	}
	want, _ := sums.Get(fixity.BLAKE3)
	return sums, root.ReplaceVerified(ctx, f.to, func(w io.Writer) error {
		src, err := from.Open(ctx, f.entry, 0)
		if err != nil {
			return err
		}
		defer src.Close()
		second, err := digest.Options{Algorithms: []fixity.Algorithm{fixity.BLAKE3}, Progress: e.Progress.Bytes, Tee: w}.Read(ctx, src)
		if got, _ := second.Get(fixity.BLAKE3); err == nil && got != want {
			err = manifest.ErrUnsteady
		}
		return err
	}, func(r fixity.Reader) error {
		back, err := digest.Options{Algorithms: []fixity.Algorithm{fixity.BLAKE3}}.Read(ctx, r)
		if err != nil {
			return fmt.Errorf("read back: %w", err)
		}
		if got, _ := back.Get(fixity.BLAKE3); got != want {
			return fmt.Errorf("read back: the copy isn't what was read from the source: check cable, port and memory")
		}
		return nil
	})
}

// received tells of a file that was received, with the digests of its bytes.
func (f arriving) received(sums digest.Sums, already bool) ReceivedItem {
	item := ReceivedItem{Name: ledger.DisplayPath(f.entry.Path), Path: ledger.DisplayPath(f.to), Size: f.entry.Size,
		Clock: f.entry.ModTime.Format("2006-01-02 15:04:05"), Dated: f.entry.ModTime, Already: already, Notes: []string{}}
	for _, n := range f.notes {
		item.Notes = append(item.Notes, n.Meaning().Means)
	}
	d, _ := sums.Get(fixity.SHA256)
	item.SHA256 = d.Sum
	item.digest, _ = sums.Get(fixity.BLAKE3)
	return item
}

// Source is a stick or the like whose files were received.
type Source struct {
	ID     int64  `json:"id"`
	Source string `json:"source"`
	Set    string `json:"set"`
	Folder string `json:"folder"`
	Files  int    `json:"files"`
	At     string `json:"received"`
	Why    string `json:"because"`
}

// Sources are those that must still be kept. When every file that was received has
// been read intact in two independent stores, the source is looked at anew, if it is
// there: it may hold more by now. If all that is on it is held, that is recorded and
// said, and it is left out. If it isn't there, it is said that the files are held, and
// that a look at the source is still to come; nothing waits for it any more.
func (e Acts) Sources(ctx context.Context) ([]Source, error) {
	out := []Source{}
	rules, err := e.RulesNow(ctx)
	if err != nil {
		return nil, err
	}
	var held []ledger.Received
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		rs, err := t.Sources.Keep()
		if err != nil {
			return err
		}
		for _, r := range rs {
			lacking, bad, err := e.lacking(t, rules, r)
			if err != nil {
				return err
			}
			if lacking+bad == 0 {
				held = append(held, r)
				continue
			}
			why := someOf(lacking, len(r.Files), "has not been read intact in two independent stores yet", "have not been read intact in two independent stores yet")
			if bad > 0 {
				why = someOf(bad, len(r.Files), "is not a whole recording", "are not whole recordings") + ": keep the reel too, and transfer it again"
			}
			out = append(out, keep(r, why))
		}
		return nil
	}); err != nil {
		return nil, err
	}
	for _, r := range held {
		why, err := e.lookAnew(ctx, r)
		if err != nil {
			return out, err
		}
		if why != "" {
			out = append(out, keep(r, why))
		}
	}
	return out, nil
}

func keep(r ledger.Received, why string) Source {
	return Source{r.ID, r.Source, r.Set, ledger.DisplayPath(r.Folder), len(r.Files), r.At.Format(time.RFC3339), why}
}

// lookAnew looks at a source whose received files are all held, and says why it must
// still be kept; "" if it needn't.
func (e Acts) lookAnew(ctx context.Context, r ledger.Received) (string, error) {
	there, more, from := e.stillOn(ctx, r)
	switch {
	case context.Cause(ctx) != nil:
		return "", context.Cause(ctx)
	case !there:
		done, err := e.endSources(ctx, []ledger.Received{r}, func(t *ledger.Tx, r ledger.Received) error { return t.Sources.Held(r, e.By) })
		if err == nil && len(done) == 0 {
			return "what is known of its files changed while they were looked at: that is done again with the next audit", nil
		}
		if err == nil {
			e.Sayf("%s, received %s: %s read intact in two independent stores. The source isn't there now, so what else is on it isn't known: before it is erased, %s",
				r.Source, r.At.Format("2 Jan 2006"), allOf(len(r.Files), "the only file that was received has been", "files that were received have been"), e.Words.To(report.Order{Act: report.Recognise, From: r.Source, Run: true}))
		}
		return "", err
	case more != "":
		return fmt.Sprintf("more is on it than was received (%s): %s, or receive it again", more, e.Words.To(report.Order{Act: report.Recognise, From: r.Source, Run: true})), nil
	}
	rec, err := e.recogniseAll(ctx, from)
	if err != nil {
		return "", err
	}
	if !rec.MayErase {
		return "looked at anew: " + rec.Because, nil
	}
	return "", e.sourceErasable(ctx, r.Source, len(rec.Files))
}

// stillOn looks whether the source is there with the files that were received, and
// names one that is there besides.
func (e Acts) stillOn(ctx context.Context, r ledger.Received) (there bool, more string, from stores.Folder) {
	if e.Apart(ctx, r.Source) != nil {
		return false, "", nil
	}
	stick, err := e.Folder(r.Source)
	if err != nil {
		return false, "", nil
	}
	from = e.Stores().Outside(stick, r.Source)
	shards, err := from.Shards(ctx)
	if err != nil {
		return false, "", nil
	}
	sizes := map[string]int64{}
	for _, f := range r.Files {
		sizes[f.Name] = f.Size
	}
	for _, shard := range shards {
		for x, err := range from.List(ctx, shard) {
			if err != nil {
				return there, "it can't be listed in full", from
			}
			size, received := sizes[x.Path]
			switch {
			case received:
				there = true
				if x.Size != size {
					more = ledger.DisplayPath(x.Path) + ", which has changed"
				}
			case x.Type != fixity.LeftOut || care.InTheMaking(x.Path):
				more = ledger.DisplayPath(x.Path)
			}
		}
	}
	return there, more, from
}

// sourceErasable records, for all that was received from a folder, that everything on
// it now was looked at and is held.
func (e Acts) sourceErasable(ctx context.Context, dir string, files int) error {
	var done []ledger.Received
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		rs, err := t.Sources.Keep()
		done = slices.DeleteFunc(rs, func(r ledger.Received) bool { return r.Source != ledger.DisplayPath(dir) })
		return err
	}); err != nil || len(done) == 0 {
		return err
	}
	done, err := e.endSources(ctx, done, func(t *ledger.Tx, r ledger.Received) error { return t.Sources.Erasable(r, files, e.By) })
	for _, r := range done {
		e.Sayf("%s, received %s: %s read intact in two independent stores; it may be erased", r.Source, r.At.Format("2 Jan 2006"),
			allOf(files, "the only file that is on it now was looked at anew and has been", "files that are on it now were looked at anew and have been"))
	}
	return err
}

// endSources records of sources that they need not be kept any more, and gives those of
// which that is so in this transaction: a copy may have been found damaged since they were
// looked at, or another process has recorded it.
func (e Acts) endSources(ctx context.Context, rs []ledger.Received, record func(*ledger.Tx, ledger.Received) error) (done []ledger.Received, err error) {
	err = e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		done = nil
		rules, err := t.Stores.Rules()
		if err != nil {
			return err
		}
		open, err := t.Sources.Keep()
		if err != nil {
			return err
		}
		for _, r := range rs {
			if !slices.ContainsFunc(open, func(o ledger.Received) bool { return o.ID == r.ID }) {
				continue
			}
			lacking, bad, err := e.lacking(t, rules, r)
			if err != nil {
				return err
			}
			if lacking+bad > 0 {
				continue
			}
			if err := record(t, r); err != nil {
				return err
			}
			done = append(done, r)
		}
		return nil
	})
	return done, err
}

// lacking counts the files of a source that were not read intact in two independent
// stores, and those that are no whole recordings.
func (e Acts) lacking(t *ledger.Tx, rules care.Rules, r ledger.Received) (lacking, bad int, err error) {
	for _, f := range r.Files {
		x := Recognised{}
		known, err := e.lookUp(t, f.Digest, &x)
		if err != nil {
			return 0, 0, err
		}
		x.best(rules, known)
		switch {
		case x.Unfinished != 0:
			bad++
		case x.State != Held || rules.CountIndependent(x.Stores) < safeStores:
			lacking++
		}
	}
	return lacking, bad, nil
}
