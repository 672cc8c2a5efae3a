package app_test

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/demo/burn"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/testdata"
)

// archivist is the acts, as the archivist orders them.
func (y *year) archivist() acts.Acts {
	env := *y.d.App().Acts.Archive
	env.By = "M. R."
	return acts.Of(&env)
}

func (y *year) recovery() recovering.Acts { return recovering.Of(y.archivist().Archive) }

// work is what people do on an ordinary day.
func (y *year) work() {
	y.t.Helper()
	for i := 0; i < len(y.todo); i++ { // what is done may add to it
		if e := y.todo[i]; e.day <= y.day() {
			y.todo = slices.Delete(y.todo, i, i+1)
			i--
			e.do()
		}
	}
	switch n := y.rng.IntN(100); {
	case n < 10: // a reel is transferred
		fs := y.transfer(6)
		var masters []*recording
		for _, f := range fs {
			if f.set == "masters" {
				masters = append(masters, f)
			}
		}
		if y.rng.IntN(3) == 0 { // with a list of checksums
			y.sidecar(masters...)
		}
		for i, f := range fs {
			if i > 1 && y.rng.IntN(2) == 0 { // side B comes on the next day
				y.later(1, func() { y.put("studio", f); y.noticed("studio", f.set, f.path); y.feed(f) })
				continue
			}
			if y.rng.IntN(4) == 0 { // it grows while the watch sees it
				y.write(y.path("studio", f.set, f.path), f.right[:len(f.right)/2], time.Now())
				y.noticed("studio", f.set, f.path)
				y.watch()
			}
			y.put("studio", f)
			y.noticed("studio", f.set, f.path)
			y.feed(f)
		}
	case n < 20: // an access file is saved again, inside its window
		for _, f := range y.files {
			if _, is := f.in["studio"]; is && f.set == "access" && f.meant == nil && f.renamed == "" && time.Since(f.born) < 2*24*time.Hour && !y.busy("studio", f) && len(f.older) == 0 {
				f.older, f.right = append(f.older, f.right), testdata.Wave(fmt.Sprint("trimmed", y.seed, f.path), len(f.right)-200)
				y.put("studio", f)
				y.noticed("studio", f.set, f.path)
				y.feed(f)
				break
			}
		}
	case n < 22: // litter comes
		y.write(y.path("studio", "masters", "Thumbs.db"), []byte("litter"), time.Now())
	case n < 26:
		y.burn()
	}
}

// burn has a disc burned of what was not on one.
func (y *year) burn() {
	on := map[*recording]bool{}
	for _, d := range y.discs {
		for _, f := range d.files {
			on[f] = true
		}
	}
	number := fmt.Sprintf("QD-%04d", 1+len(y.discs))
	v := burn.Volume{Label: strings.ReplaceAll(number, "-", "_"), Made: time.Now()}
	d := &yearDisc{number: number, at: filepath.Join(y.dir, "discs", number+".iso")}
	var names []string
	for _, f := range y.files {
		if on[f] || !isMaster(f) || !y.pickable("studio", f) || len(d.files) == 6 {
			continue
		}
		d.files = append(d.files, f)
		v.Files = append(v.Files, burn.File{Path: path.Base(f.path), Bytes: f.right, Time: f.born})
		names = append(names, f.set+"/"+f.path)
	}
	if len(d.files) < 2 {
		return
	}
	var err error
	d.image, err = burn.Data(v)
	y.must(err)
	y.write(d.at, d.image, time.Now())
	_, err = y.d.App().Discs.Add(y.t.Context(), registering.Order{Number: number, Kind: ledger.DataDisc, Files: names})
	y.must(err)
	y.discs = append(y.discs, d)
	y.checkDisc(number)
}

// checkDisc puts a disc into the drive.
func (y *year) checkDisc(number string) {
	y.t.Helper()
	for _, d := range y.discs {
		if d.number == number {
			if _, err := y.d.App().Discs.Check(y.t.Context(), checking.Order{Number: number, At: discs.At{Image: d.at}}); err != nil {
				y.t.Errorf("disc %s: %v", number, err)
			}
			y.look()
		}
	}
}

// pull is what the weekly letter asks for: the month's discs are read.
func (y *year) pull() {
	y.t.Helper()
	month := time.Now().UTC().Format("2006-01")
	if len(y.discs) == 0 || y.drawnTill == month {
		return
	}
	s, err := y.d.App().Discs.Draw(y.t.Context(), 0)
	y.must(err)
	y.drawnTill = month
	for _, p := range s.Discs {
		y.checkDisc(p.Disc.Name())
	}
}

// visit has the drive come from the safe, be read and be given what is new, and go back.
func (y *year) visit() {
	y.t.Helper()
	y.must(os.Rename(y.path("safe"), filepath.Join(y.dir, "safe")))
	delete(y.gone, "safe")
	for _, f := range y.files {
		if _, is := f.in["safe"]; f.lost || f.stump || y.busy("studio", f) || f.meant != nil || f.renamed != "" || time.Since(f.born) < 4*24*time.Hour {
			continue
		} else if b, err := y.bytesIn("safe", f.set, f.path); !is || err == nil && slices.ContainsFunc(f.older, func(o []byte) bool { return bytes.Equal(o, b) }) {
			y.give("safe", f)
		}
	}
	y.d.Visit("safe")
	y.look()
}

// goBack takes the drive to the safe again.
func (y *year) goBack() {
	if y.safeIsHere() && y.gone["safe"] == "" {
		y.must(os.Rename(filepath.Join(y.dir, "safe"), filepath.Join(y.dir, "in-the-safe")))
		y.gone["safe"] = "in-the-safe"
		y.d.Left("safe")
	}
}

// decide goes through what is open, as the letters have told it, and follows the advice
// where its time has come.
func (y *year) decide() {
	y.t.Helper()
	for range 60 {
		var fs []ledger.Finding
		a := y.d.App()
		y.must(a.Ledger.View(y.t.Context(), func(t *ledger.Tx) (err error) { fs, err = t.Findings.Open(""); return err }))
		i := slices.IndexFunc(fs, func(f ledger.Finding) bool { return y.isTime(f) })
		if i < 0 {
			return
		}
		var m report.Matter
		y.must(a.Ledger.View(y.t.Context(), func(t *ledger.Tx) (err error) {
			m, err = report.MatterOf(t, a.Acts.Rules, a.Where(), fs[i])
			return err
		}))
		for _, f := range m.Findings {
			y.tried[f.ID]++
			y.late[f.ID] = time.Now().Add(time.Duration(8+y.rng.IntN(3)) * 24 * time.Hour) // the next letter would tell that it goes on
		}
		y.follow(m)
		y.look()
	}
}

// isTime says that the archivist acts on a finding now: mostly at once, sometimes days
// late, and on what is merely untidy when there is time.
func (y *year) isTime(f ledger.Finding) bool {
	at, ok := y.late[f.ID]
	if !ok {
		days := 0
		switch n := y.rng.IntN(100); {
		case n < 55:
		case n < 85:
			days = 1 + y.rng.IntN(4)
		default:
			days = 5 + y.rng.IntN(10)
		}
		if f.Urgency == fixity.Tidy {
			days += 3
		}
		at = f.Opened.Add(time.Duration(days) * 24 * time.Hour)
		y.late[f.ID] = at
	}
	return !time.Now().Before(at)
}

// follow does what the steps say, in their order, and stops at the first that puts it right.
func (y *year) follow(m report.Matter) {
	y.t.Helper()
	f := m.Findings[0]
	steps := m.Steps()
	said := ""
	for _, s := range steps {
		said += "\n    " + strings.ReplaceAll(s.String(), "\n", "\n      ")
	}
	y.note("acts on [%d] %s %s %s/%s, try %d:%s", f.ID, f.Kind, f.Store, f.Set, f.Path, y.tried[f.ID], said)
	if f.Kind == fixity.Away {
		y.bringBack(f.Store)
		return
	}
	if m.Failing() {
		y.replaceDrive(f.Store)
		return
	}
	if f.Kind == fixity.TooFew {
		y.spread()
		return
	}
	if x := y.of(f); f.Kind == fixity.Unfinished && x != nil && y.isRight(f.Store, x) {
		return // the whole one lies there already, and another finding asks for the word
	}
	for _, s := range steps {
		done, err := y.step(m, s)
		if err != nil {
			y.note("  not done: %v", err)
			return
		}
		if done {
			return
		}
	}
}

// step does one step. done: what the steps are about is put right by it, so that what
// follows is an alternative.
func (y *year) step(m report.Matter, s report.Step) (done bool, err error) {
	ctx, f := y.t.Context(), m.Findings[0]
	text := s.Text.String()
	if strings.Contains(text, "Connect the ") && strings.Contains(text, "safe") && !y.safeIsHere() {
		y.visit()
		y.later(1, y.goBack)
	}
	if strings.HasPrefix(text, "Check cable") {
		y.mu.Lock()
		delete(y.loose, f.Store)
		y.mu.Unlock()
		for _, x := range y.faults {
			if x.kind == "loose cable" && x.store == f.Store && x.over.IsZero() {
				x.over = time.Now()
			}
		}
	}
	var orders []report.Order
	for _, p := range append(slices.Clone(s.Text), s.Then...) {
		if p.Order != nil && p.Order.Act != report.DryRun {
			orders = append(orders, *p.Order)
		}
	}
	moved := false
	if len(s.Lines) > 0 && !slices.ContainsFunc(orders, func(o report.Order) bool { return o.Act == report.Recover || o.Act == report.SignOff }) {
		if moved, err = y.carry(m, text, s.Lines); err != nil {
			return false, err
		}
	}
	for _, o := range orders {
		switch o.Act {
		case report.Recover:
			if f.Kind == fixity.Kind(fixity.Misplaced) && y.isMeant(f) {
				continue // it was meant: the next step accepts it
			}
			from := o.From
			order := recovering.Order{Findings: o.Findings, Incident: o.Incident, From: from, Paused: o.Paused, Reason: "as the letter says"}
			if o.Disc != "" {
				order.From = o.Disc
				for _, d := range y.discs {
					if d.number == o.Disc {
						order.Image = d.at
					}
				}
			}
			res, err := y.recovery().Recover(ctx, order)
			if err != nil {
				return false, err
			}
			for _, x := range res.Items {
				if x.State != recovering.PutBack {
					y.note("  recover: %s %s: %s %s", x.Store, x.Path, x.State, x.Why)
				}
			}
			return true, nil
		case report.SignOff:
			ids := o.Findings
			if !y.accepts(m, o) {
				continue
			}
			order := deciding.SignOffOrder{Findings: ids, Incident: o.Incident, Files: int64(o.Files), Reason: "it is meant so"}
			switch o.Means {
			case "new-transfer":
				order.NewTransfer = true
			case "description":
				order.Description = true
			case "edited":
				order.Edited = true
			case "keep-current":
				order.KeepCurrent = true
			case "lost-otherwise":
				order.LostOtherwise = true
			}
			if _, err := deciding.Of(y.archivist().Archive).SignOff(ctx, order); err != nil {
				return false, err
			}
			y.accepted(m)
			return true, nil
		case report.ReadStore:
			stores := o.Stores
			if slices.Contains(stores, "safe") && !y.safeIsHere() {
				y.visit()
				y.later(1, y.goBack)
			}
			_, err := y.archivist().Audit(ctx, acts.AuditOrder{Stores: stores, Full: o.Full, Set: o.Set, Under: o.Under, Cache: fixity.Bypassed})
			if err != nil {
				return false, err
			}
			done = done || moved
		case report.CheckDisc:
			y.checkDisc(o.Disc)
		case report.RetireDisc, report.RegisterDisc, report.BurnSheet, report.DecideDisc:
			y.burnAnew(f.Disc)
			return true, nil
		}
	}
	return done, nil
}

// of is the recording that a finding is about.
func (y *year) of(f ledger.Finding) *recording { return y.byPath[f.Set+"/"+f.Path] }

// isMeant says that somebody changed on purpose what a finding tells of.
func (y *year) isMeant(f ledger.Finding) bool {
	x := y.of(f)
	return x != nil && (x.meant != nil && f.Store == "studio" || x.renamed != "" && f.FoundAt == x.renamed)
}

// accepts says whether an offered sign-off is what is true: people listen, and know what
// they did.
func (y *year) accepts(m report.Matter, o report.Order) bool {
	if o.Incident != 0 || len(o.Findings) == 0 {
		return false
	}
	for _, id := range o.Findings {
		i := slices.IndexFunc(m.Findings, func(f ledger.Finding) bool { return f.ID == id })
		if i < 0 {
			return false
		}
		f := m.Findings[i]
		x := y.of(f)
		if x == nil {
			return false
		}
		if f.Step == care.StepDecide {
			b, err := y.bytesIn(f.Store, f.Set, f.Path)
			here := err == nil && bytes.Equal(b, x.right)
			return here == (o.Means != "keep-current")
		}
		if y.isMeant(f) {
			continue
		}
		// A version that wasn't whole is replaced by the whole one.
		b, err := y.bytesIn(f.Store, f.Set, f.Path)
		if err != nil || !bytes.Equal(b, x.right) {
			return false
		}
	}
	return true
}

// accepted has the other stores follow what was signed off.
func (y *year) accepted(m report.Matter) {
	for _, f := range m.Findings {
		x := y.of(f)
		if x == nil || f.Store != "studio" {
			continue
		}
		if x.stump && y.isRight("studio", x) {
			x.stump = false
			y.feed(x)
		}
		if x.meant != nil {
			x.older, x.right, x.meant = append(x.older, x.right), x.meant, nil
			y.feed(x)
		}
		if x.renamed != "" && f.FoundAt == x.renamed {
			was := x.path
			x.path, x.renamed = x.renamed, ""
			y.byPath[x.set+"/"+x.path] = x
			for _, s := range []string{"vault", "safe"} {
				if _, is := x.in[s]; is {
					y.follow2(s, x, was)
				}
			}
		}
	}
	y.check()
}

// follow2 gives a recording its new name in another store, when somebody comes to it.
func (y *year) follow2(store string, x *recording, was string) {
	delete(x.in, store)
	var try func()
	try = func() {
		if y.gone[store] != "" {
			y.later(1, try)
			return
		}
		if err := os.Rename(y.path(store, x.set, was), y.path(store, x.set, x.path)); err == nil {
			x.in[store] = time.Now()
			y.noticed2(store, x.set, was, x.path)
			return
		}
		y.later(0, func() {
			if y.give(store, x) {
				y.noticed2(store, x.set, x.path)
			}
		})
	}
	y.later(1+y.rng.IntN(3), try)
}

// carry moves or copies what a step's places say.
func (y *year) carry(m report.Matter, text string, lines []report.Line) (bool, error) {
	f := m.Findings[0]
	x := y.of(f)
	from, to := "", ""
	any := false
	for _, l := range lines {
		switch l.Label {
		case "FROM":
			from = l.Path
		case "TO":
			to = l.Path
			if from == "" {
				if x == nil || !strings.Contains(text, "whole recording") {
					continue
				}
				y.write(to, x.right, time.Now()) // from the recorder's stick
				any = true
				continue
			}
			if err := y.carryOne(text, from, to); err != nil {
				return any, err
			}
			any = true
		}
	}
	return any, nil
}

func (y *year) carryOne(text, from, to string) error {
	const cloud = "cloud (drive): "
	lower := strings.ToLower(text)
	y.note("  carries %s to %s", from, to)
	for store := range y.gone {
		if root := filepath.Join(y.dir, store) + string(filepath.Separator); strings.HasPrefix(from, root) || strings.HasPrefix(to, root) {
			return fmt.Errorf("the %s isn't here", store)
		}
	}
	switch {
	case strings.HasPrefix(to, cloud):
		b, err := os.ReadFile(from)
		if err != nil {
			return err
		}
		set, p, _ := strings.Cut(strings.TrimPrefix(from, y.dir+string(filepath.Separator)), string(filepath.Separator))
		if set, p, ok := strings.Cut(filepath.ToSlash(p), "/"); ok && slices.Contains(diskStores, filepath.ToSlash(filepath.Dir(strings.TrimPrefix(from, y.dir+"/")))) {
			b, err = y.bytesIn("studio", set, p)
		}
		_ = set
		if err != nil {
			return err
		}
		y.drive.Put(y.inCloud, strings.TrimPrefix(to, cloud), b)
	case strings.HasPrefix(from, cloud):
		id := y.drive.Find(y.inCloud, strings.TrimPrefix(from, cloud))
		b, ok := y.drive.Bytes(id)
		if id == "" || !ok {
			return fmt.Errorf("nothing lies at %s", from)
		}
		y.write(to, b, time.Now())
		if strings.Contains(lower, "move it out") {
			y.drive.Delete(id)
		}
	case strings.Contains(lower, "copy") && !strings.Contains(lower, "move"):
		return copyFile(from, to)
	default:
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			return err
		}
		if _, err := os.Lstat(to); err == nil {
			return fmt.Errorf("something lies at %s", to)
		}
		return os.Rename(from, to)
	}
	return nil
}

// bringBack deals with a drive that isn't in its place.
func (y *year) bringBack(store string) {
	y.t.Helper()
	switch at := y.gone[store]; {
	case store == "safe":
		if !y.safeIsHere() {
			y.visit()
			y.later(1, y.goBack)
		}
	case strings.HasPrefix(at, "drawer"):
		y.must(os.RemoveAll(filepath.Join(y.dir, store)))
		y.must(os.Rename(filepath.Join(y.dir, at), filepath.Join(y.dir, store)))
		delete(y.gone, store)
		y.endFaults(store)
		_, err := y.archivist().Audit(y.t.Context(), acts.AuditOrder{Stores: []string{store}, Cache: fixity.Bypassed})
		y.must(err)
	case strings.HasPrefix(at, "scrap"):
		y.newDrive(store)
	}
}

// spread copies to each store what it lacks, and replaces nothing.
func (y *year) spread() {
	y.t.Helper()
	for _, f := range y.files {
		if _, is := f.in["studio"]; !is || f.lost || f.stump || f.renamed != "" || f.meant != nil {
			continue
		}
		for _, s := range []string{"vault", "cloud", "safe"} {
			if y.gone[s] != "" || s == "cloud" && f.set != "masters" {
				continue
			}
			if _, err := y.bytesIn(s, f.set, f.path); errors.Is(err, fs.ErrNotExist) {
				y.give(s, f)
			}
		}
	}
	if _, err := y.archivist().Audit(y.t.Context(), acts.AuditOrder{Cache: fixity.Bypassed}); err != nil {
		y.note("  not done: %v", err)
	}
}

// endFaults: what was wrong with a store as a whole is put right.
func (y *year) endFaults(store string) {
	for _, x := range y.faults {
		if x.store == store && x.file == nil && x.disc == "" && x.path == "" && x.over.IsZero() {
			x.over = time.Now()
		}
	}
}

// replaceDrive follows what is said of a failing drive: it is disconnected, and another
// one, filled from the other stores, takes its place.
func (y *year) replaceDrive(store string) {
	y.t.Helper()
	if store == "safe" && !y.safeIsHere() {
		y.must(os.Rename(y.path("safe"), filepath.Join(y.dir, "safe")))
		delete(y.gone, "safe")
		y.later(1, y.goBack)
	}
	at := fmt.Sprintf("scrap-%s-%d", store, y.day())
	y.must(os.Rename(filepath.Join(y.dir, store), filepath.Join(y.dir, at)))
	y.gone[store] = at
	y.newDrive(store)
}

// newDrive fills a new drive from where each recording is right, as far as a person can
// tell: from the studio, and what can't be read there from elsewhere.
func (y *year) newDrive(store string) {
	y.t.Helper()
	ctx := y.t.Context()
	delete(y.gone, store)
	maps.DeleteFunc(y.small, func(key string, _ bool) bool { return strings.HasPrefix(key, store+"/") })
	for _, set := range []string{"masters", "access"} {
		y.must(os.MkdirAll(y.path(store, set), 0o755))
	}
	for _, f := range y.files {
		if _, is := f.in[store]; !is || f.lost {
			continue
		}
		for _, from := range []string{"studio", "vault", "cloud", "safe"} {
			if from == store || y.gone[from] != "" {
				continue
			}
			b, err := y.bytesIn(from, f.set, f.path)
			if err != nil {
				continue
			}
			y.write(y.path(store, f.set, f.path), b, f.born)
			if !bytes.Equal(b, f.right) {
				y.plant(&fault{kind: "a damaged file was copied on", store: store, file: f, by: listing})
			}
			break
		}
	}
	y.endFaults(store)
	a := y.archivist()
	if store == "studio" {
		if _, err := a.AdoptStore(ctx, store, "a new drive"); err != nil {
			y.t.Errorf("adopt %s: %v", store, err)
		}
	} else if _, err := deciding.Of(a.Archive).EndStore(ctx, deciding.EndStoreOrder{Store: store, Replace: true, Reason: "the old drive failed"}); err != nil {
		y.t.Errorf("replace %s: %v", store, err)
	}
	if _, err := a.Audit(ctx, acts.AuditOrder{Stores: []string{store}, Full: true, Cache: fixity.Bypassed}); err != nil {
		y.t.Errorf("read the new %s: %v", store, err)
	}
}

// burnAnew has a disc that has faded burned once more, under another number.
func (y *year) burnAnew(number string) {
	y.t.Helper()
	for i, d := range y.discs {
		if d.number != number {
			continue
		}
		if _, err := y.d.App().Discs.Retire(y.t.Context(), number, "it has faded; burned anew"); err != nil {
			y.t.Errorf("retire %s: %v", number, err)
		}
		y.discs[i].number += " (retired)"
		y.discs[i].files = nil
		for _, x := range y.faults {
			if x.disc == number && x.over.IsZero() {
				x.over = time.Now()
			}
		}
		y.burn()
		return
	}
}
