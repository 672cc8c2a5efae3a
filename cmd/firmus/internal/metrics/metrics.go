// Package metrics shows how things stand to a monitoring system, in Prometheus's
// text format. What it shows comes from tallies that are kept anyway: nothing is
// counted at a scrape. Labels are of closed sets (stores, sets, states, urgencies,
// kinds, outcomes) and never hold a path or a title.
package metrics

import (
	"context"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"firmus/fixity"
)

// Facts are how things stand. Times that are zero are not shown: what isn't known
// isn't there.
type Facts struct {
	// LedgerUp: the ledger answered; without it the facts below that come from it lack.
	LedgerUp bool
	// Writable: the ledger could be written to at the last try.
	Writable bool
	Closed   bool // today is a day on which nobody is there
	Files    []Files
	Open     []Open
	Stores   []Store
	Letters  *Letters  // nil: no letters are sent
	Record   *Record   // nil: the record was never checked
	Register *Register // nil: none is configured
	Host     string    // this computer among those that share the ledger; "": it is alone
	Hosts    int64     // how many of them run
	Free     int64     // bytes on the drive of the state folder; negative: not known
	Reloaded time.Time
	// ReloadFailed: the newest try to read the configuration anew failed, and the old
	// one is in force.
	ReloadFailed bool
}

// Files are a tally.
type Files struct {
	Store, Set string
	State      fixity.State
	Files      int64
	Bytes      int64
}

// Open are open findings of a store.
type Open struct {
	Store   string
	Kind    fixity.Kind
	Urgency fixity.Urgency
	N       int64
}

// Store is how things stand with one store.
type Store struct {
	Name        string
	Sets        []Set
	Away        bool
	Seen        time.Time
	Listed      bool // the system doesn't tell of its changes: it is listed
	Promise     time.Duration
	Counted     bool // the four below are known
	Held        int64
	Within      int64 // of them: read within the promise
	NeverRead   int64
	Oldest      time.Time // reading
	Broken      time.Time // when its promise will be broken, if that is foreseen
	Next        time.Time
	LastRun     time.Time
	LastOK      time.Time
	Missed      int64
	Running     bool
	Trouble     bool // its schedule can't be followed
	BackedUp    bool // backups of the ledger go there
	Backup      time.Time
	BackupFails bool
	Credential  time.Time // when its sign-in ends
	Visiting    bool      // it visits, and is there
	MayGoBack   bool      // it was read whole since it came
}

// Set is one set in a store.
type Set struct {
	Name     string
	Complete time.Time // its last complete listing
}

// Record is what the newest check of the record came to.
type Record struct {
	Checked time.Time
	Broken  bool // it is not what was written
	Failed  bool // it could not be checked
}

// Letters are those that wait or were refused.
type Letters struct {
	Waiting, Failed int64
	Next            time.Time // weekly letter
}

// Register is how the archive's own register stands.
type Register struct {
	Read     time.Time // when it was read to the end last
	Changed  time.Time // since when the one in force holds what it holds
	Failed   bool      // the last try failed
	Rows     int64
	Matched  int64 // whose files are there
	Problems int64 // that nobody settled
}

// scrapeWithin is how long the facts may take.
const scrapeWithin = 5 * time.Second

// Metrics are what the daemon counts itself, besides the facts.
type Metrics struct {
	audits   *prometheus.CounterVec
	duration *prometheus.SummaryVec
	read     *prometheus.CounterVec
	paused   *prometheus.GaugeVec
	events   *prometheus.CounterVec
}

// Build says which program it is.
type Build struct{ Version, Commit, Go string }

// New registers everything with reg. facts is asked at each scrape, and may answer
// with what it knows when its context ends. outcomes are those that audits have.
func New(reg prometheus.Registerer, b Build, stores, outcomes []string, facts func(context.Context) Facts) (*Metrics, error) {
	m := &Metrics{
		audits: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "firmus_audits_total",
			Help: "Scheduled audits that ended since the daemon was started."}, []string{"store", "outcome"}),
		duration: prometheus.NewSummaryVec(prometheus.SummaryOpts{Name: "firmus_audit_duration_seconds",
			Help: "How long scheduled audits took."}, []string{"store"}),
		read: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "firmus_read_bytes_total",
			Help: "Bytes of recordings read since the daemon was started."}, []string{"store"}),
		paused: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "firmus_reading_paused",
			Help: "1 while reading waits for a recording that grows on the drive."}, []string{"store"}),
		events: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "firmus_watch_events_total",
			Help: "Changes noticed between audits since the daemon was started."}, []string{"store"}),
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{Name: "firmus_build_info", Help: "The program; always 1.",
		ConstLabels: prometheus.Labels{"version": b.Version, "commit": b.Commit, "go": b.Go}})
	build.Set(1)
	for _, s := range stores { // a counter that isn't there can't rise
		for _, o := range outcomes {
			m.audits.WithLabelValues(s, o)
		}
		m.duration.WithLabelValues(s)
		m.read.WithLabelValues(s)
		m.paused.WithLabelValues(s)
		m.events.WithLabelValues(s)
	}
	for _, c := range []prometheus.Collector{m.audits, m.duration, m.read, m.paused, m.events, build, &collector{facts}} {
		if err := reg.Register(c); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// Serve gives a handler of a registry of its own that has everything.
func Serve(b Build, stores, outcomes []string, facts func(context.Context) Facts) (*Metrics, http.Handler, error) {
	reg := prometheus.NewRegistry()
	m, err := New(reg, b, stores, outcomes, facts)
	if err == nil {
		err = Process(reg)
	}
	return m, promhttp.HandlerFor(reg, promhttp.HandlerOpts{MaxRequestsInFlight: 4, Timeout: 20 * time.Second}), err
}

// Process registers what is known of the process itself.
func Process(reg prometheus.Registerer) error {
	if err := reg.Register(collectors.NewGoCollector()); err != nil {
		return err
	}
	return reg.Register(collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
}

// AuditEnded counts an audit. Like all methods it does nothing on nil.
func (m *Metrics) AuditEnded(store, outcome string, took time.Duration) {
	if m != nil {
		m.audits.WithLabelValues(store, outcome).Inc()
		m.duration.WithLabelValues(store).Observe(took.Seconds())
	}
}

// Read counts bytes read.
func (m *Metrics) Read(store string, n int64) {
	if m != nil && n > 0 {
		m.read.WithLabelValues(store).Add(float64(n))
	}
}

// Paused notes that reading waits for a recording, or goes on.
func (m *Metrics) Paused(store string, yes bool) {
	if m != nil {
		m.paused.WithLabelValues(store).Set(number(yes))
	}
}

// Noticed counts a change.
func (m *Metrics) Noticed(store string) {
	if m != nil {
		m.events.WithLabelValues(store).Inc()
	}
}

func number(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}
