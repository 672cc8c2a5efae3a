package archive

import "fmt"

// Words are how a person orders things, for messages that say what to do: who ordered on a
// page has no command line. The zero value says it as the commands have it.
type Words struct {
	Option  func(name string) string   // an option of an act: "--new-transfer"
	Read    func(store string) string  // have a store audited: "run: firmus audit vault"
	Show    func(finding int64) string // look at a finding: "firmus findings show 12"
	Recover func(finding int64) string // have it put right: "firmus recover 12"
}

// Opt is how a person says an option of an act.
func (w Words) Opt(name string) string {
	if w.Option != nil {
		return w.Option(name)
	}
	return "--" + name
}

// ToRead is how a person has a store read.
func (w Words) ToRead(store string) string {
	if w.Read != nil {
		return w.Read(store)
	}
	return "run: firmus audit " + store
}

// ToShow is where a person finds what is known of a finding.
func (w Words) ToShow(finding int64) string {
	if w.Show != nil {
		return w.Show(finding)
	}
	return fmt.Sprintf("firmus findings show %d", finding)
}

// ToRecover is how a person has a finding put right.
func (w Words) ToRecover(finding int64) string {
	if w.Recover != nil {
		return w.Recover(finding)
	}
	return fmt.Sprintf("firmus recover %d", finding)
}
