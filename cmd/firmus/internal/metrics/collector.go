package metrics

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"firmus/fixity"
)

// collector shows the facts.
type collector struct {
	facts func(context.Context) Facts
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("firmus_"+name, help, labels, nil)
}

var (
	ledgerUp       = desc("ledger_up", "1 if the ledger answers.")
	ledgerWritable = desc("ledger_writable", "1 if the ledger could be written to at the last try.")
	closed         = desc("closed_day", "1 on days on which nobody is there.")
	stateFree      = desc("state_free_bytes", "Room left on the drive of the state folder.")
	reloadAt       = desc("config_loaded_timestamp_seconds", "When the configuration in force was read.")
	reloadFailed   = desc("config_reload_failed", "1 if the newest try to read the configuration anew failed; the old one is in force.")

	hostInfo = desc("host", "1; its label is the name of this computer among those that share the ledger.", "host")
	hostsRun = desc("hosts_running", "How many computers that share the ledger run.")

	recordAt     = desc("record_checked_timestamp_seconds", "When the whole record was last checked.")
	recordBroken = desc("record_broken", "1 if the newest check found that the record is not what was written.")
	recordFailed = desc("record_check_failed", "1 if the record could not be checked when it was last tried.")

	files     = desc("files", "Files under care, by what is known of the copy.", "store", "set", "state")
	fileBytes = desc("file_bytes", "Bytes of files under care, by what is known of the copy.", "store", "set", "state")
	open      = desc("open_findings", "Findings that are open, by how soon a person should act.", "store", "urgency")
	openKinds = desc("open_findings_by_kind", "Findings that are open, by what they say.", "kind")

	away      = desc("store_away", "1 while a finding says that the store can't be reached.", "store")
	seen      = desc("store_seen_timestamp_seconds", "When the store was last there.", "store")
	listed    = desc("store_listed", "1 if the system doesn't tell of the store's changes, so that it is listed.", "store")
	complete  = desc("listing_complete_timestamp_seconds", "When a set was last listed completely.", "store", "set")
	promise   = desc("read_promise_seconds", "Every byte is to be read at least this often.", "store")
	held      = desc("read_promise_files", "Copies that the promise is about.", "store")
	within    = desc("read_within_promise_files", "Copies that were read within the promise.", "store")
	neverRead = desc("never_read_files", "Copies that were never read from the drive itself.", "store")
	oldest    = desc("oldest_read_timestamp_seconds", "When the copy that has waited longest was read.", "store")
	broken    = desc("read_promise_broken_timestamp_seconds", "When the promise will be broken if nothing changes; not there if it will be kept.", "store")

	mayGoBack = desc("visit_may_go_back", "Of a visiting store that is there: 1 once it was read whole and may go back.", "store")

	next    = desc("schedule_next_timestamp_seconds", "When the store's next audit is to begin.", "store")
	lastRun = desc("schedule_last_run_timestamp_seconds", "When a scheduled audit of the store last began.", "store")
	lastOK  = desc("schedule_last_success_timestamp_seconds", "When a scheduled audit of the store was last done.", "store")
	missed  = desc("schedule_missed", "Times of the schedule that nobody kept and that the newest audit made up.", "store")
	running = desc("audit_running", "1 while a scheduled audit of the store goes on.", "store")
	trouble = desc("schedule_trouble", "1 while the store's schedule can't be followed.", "store")

	backup      = desc("backup_timestamp_seconds", "When the ledger was last written to the store and read back.", "store")
	backupFails = desc("backup_failed", "1 if the newest try to write the ledger to the store failed.", "store")
	credential  = desc("credential_expiry_timestamp_seconds", "When the store's sign-in ends.", "store")

	waiting          = desc("letters_waiting", "Letters that no server has taken yet.")
	failed           = desc("letters_failed", "Letters that a server has refused for good.")
	registerRead     = desc("register_read_timestamp_seconds", "When the register in force was read last.")
	registerChanged  = desc("register_changed_timestamp_seconds", "When the register was first read as it is in force.")
	registerFailed   = desc("register_read_failed", "1 if the newest try to read the register failed; the one before is in force.")
	registerRows     = desc("register_rows", "Rows of the register in force.")
	registerMatched  = desc("register_rows_matched", "Rows of the register whose files are under care.")
	registerProblems = desc("register_problems", "Problems in the register that nobody settled.")

	nextLetter = desc("letter_next_timestamp_seconds", "When the next weekly letter is due.")
)

var all = []*prometheus.Desc{ledgerUp, ledgerWritable, closed, stateFree, reloadAt, reloadFailed, recordAt, recordBroken, recordFailed, files, fileBytes, open, openKinds,
	away, seen, listed, complete, promise, held, within, neverRead, oldest, broken, mayGoBack, next, lastRun, lastOK, missed, running, trouble,
	backup, backupFails, credential, waiting, failed, nextLetter,
	registerRead, registerChanged, registerFailed, registerRows, registerMatched, registerProblems}

func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range all {
		ch <- d
	}
}

func (c *collector) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), scrapeWithin)
	defer cancel()
	f := c.facts(ctx)
	put := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	at := func(d *prometheus.Desc, t time.Time, labels ...string) {
		if !t.IsZero() {
			put(d, float64(t.UnixMilli())/1000, labels...)
		}
	}
	put(ledgerUp, number(f.LedgerUp))
	put(ledgerWritable, number(f.Writable))
	put(closed, number(f.Closed))
	if f.Free >= 0 {
		put(stateFree, float64(f.Free))
	}
	at(reloadAt, f.Reloaded)
	put(reloadFailed, number(f.ReloadFailed))
	for _, s := range f.Stores {
		f.store(s, put, at)
	}
	if l := f.Letters; l != nil {
		put(waiting, float64(l.Waiting))
		put(failed, float64(l.Failed))
		at(nextLetter, l.Next)
	}
	if r := f.Record; r != nil {
		at(recordAt, r.Checked)
		put(recordBroken, number(r.Broken))
		put(recordFailed, number(r.Failed))
	}
	if r := f.Register; r != nil {
		at(registerRead, r.Read)
		at(registerChanged, r.Changed)
		put(registerFailed, number(r.Failed))
		put(registerRows, float64(r.Rows))
		put(registerMatched, float64(r.Matched))
		put(registerProblems, float64(r.Problems))
	}
	if !f.LedgerUp {
		return // what isn't known isn't 0
	}
	if f.Host != "" {
		put(hostInfo, 1, f.Host)
		put(hostsRun, float64(f.Hosts))
	}
	for _, x := range f.Files {
		put(files, float64(x.Files), x.Store, x.Set, string(x.State))
		put(fileBytes, float64(x.Bytes), x.Store, x.Set, string(x.State))
	}
	f.findings(put)
}

func (f Facts) store(s Store, put func(*prometheus.Desc, float64, ...string), at func(*prometheus.Desc, time.Time, ...string)) {
	if f.LedgerUp {
		put(away, number(s.Away), s.Name)
		at(seen, s.Seen, s.Name)
		for _, x := range s.Sets {
			at(complete, x.Complete, s.Name, x.Name)
		}
	}
	put(listed, number(s.Listed), s.Name)
	if s.Promise > 0 {
		put(promise, s.Promise.Seconds(), s.Name)
	}
	if s.Counted {
		put(held, float64(s.Held), s.Name)
		put(within, float64(s.Within), s.Name)
		put(neverRead, float64(s.NeverRead), s.Name)
		at(oldest, s.Oldest, s.Name)
		at(broken, s.Broken, s.Name)
	}
	if s.Visiting {
		put(mayGoBack, number(s.MayGoBack), s.Name)
	}
	at(next, s.Next, s.Name)
	at(lastRun, s.LastRun, s.Name)
	at(lastOK, s.LastOK, s.Name)
	put(missed, float64(s.Missed), s.Name)
	put(running, number(s.Running), s.Name)
	put(trouble, number(s.Trouble), s.Name)
	if s.BackedUp {
		at(backup, s.Backup, s.Name)
		put(backupFails, number(s.BackupFails), s.Name)
	}
	at(credential, s.Credential, s.Name)
}

// findings shows every urgency of every store and every kind, also those of which
// none is open: an alert on what isn't there never fires.
func (f Facts) findings(put func(*prometheus.Desc, float64, ...string)) {
	type key struct {
		store   string
		urgency fixity.Urgency
	}
	n := map[key]int64{}
	kinds := map[fixity.Kind]int64{}
	for _, o := range f.Open {
		n[key{o.Store, o.Urgency}] += o.N
		kinds[o.Kind] += o.N
	}
	for _, s := range f.Stores {
		for _, u := range []fixity.Urgency{fixity.NoneIntact, fixity.AtRisk, fixity.Tidy} {
			k := key{s.Name, u}
			put(open, float64(n[k]), s.Name, string(u))
			delete(n, k)
		}
	}
	for k, v := range n { // of stores that are no longer configured
		put(open, float64(v), k.store, string(k.urgency))
	}
	for _, t := range fixity.Vocabulary {
		k := fixity.Kind(t.Code)
		switch {
		case t.Group == "kind":
		case t.Group == "state" && (k != "intact" && k != "awaited" && k != "editing" || kinds[k] > 0):
		default:
			continue
		}
		put(openKinds, float64(kinds[k]), t.Code)
	}
}
