package archive

import (
	"fmt"

	"firmus/cmd/firmus/internal/report"
)

// Words are how a person orders things, for messages that say what to do: who ordered on a
// page has no command line. The zero value says it as the commands have it.
type Words struct {
	Option func(name string) string // an option of an act: "--new-transfer"
	Order  report.Say               // an order, or where something is shown
}

// Opt is how a person says an option of an act.
func (w Words) Opt(name string) string {
	if w.Option != nil {
		return w.Option(name)
	}
	return "--" + name
}

// OptIs is how a person gives an option its value.
func (w Words) OptIs(name string, value any) string {
	if w.Option != nil {
		return w.Option(name)
	}
	return fmt.Sprintf("--%s %v", name, value)
}

// To is how a person orders something.
func (w Words) To(o report.Order) string { return o.In(w.Order) }

// ToRead is how a person has a store read.
func (w Words) ToRead(store string) string {
	return w.To(report.Order{Act: report.ReadStore, Stores: []string{store}, Run: true})
}

// ToReadOnly is how a person has one file or folder of a store read in full; store may be "".
func (w Words) ToReadOnly(store, set, path string) string {
	o := report.Order{Act: report.ReadStore, Full: true, Set: set, Under: path, Run: true}
	if store != "" {
		o.Stores = []string{store}
	}
	return w.To(o)
}

// ToShow is where a person finds what is known of a finding.
func (w Words) ToShow(finding int64) string {
	return w.To(report.Order{Act: report.ShowFinding, Findings: []int64{finding}})
}

// ToRecover is how a person has a finding put right.
func (w Words) ToRecover(finding int64) string {
	return w.To(report.Order{Act: report.Recover, Findings: []int64{finding}})
}
