package ledger

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Recovery is one copy that a person orders to be put right.
type Recovery struct {
	Finding int64 // 0 if none is open about it
	Way     string
	At      string // where it is put
	From    string // the store that gives the bytes, or several whose good blocks are joined; "" for a copy that is moved back
	Merged  bool
	Place   string // where they lie there
	Other   string // the file that the bytes are of, if it is another one with the same checksum
	Kept    string // where what lay in the place is now, "" if nothing did
	Entry   fixity.Entry
	Reason  string
}

// Event types of PREMIS 3.0 (semantic unit 2.2), in the terms of the Library of Congress's
// vocabulary of them; the terms are from memory.
const (
	eventRecovery    = "recovery"    // what was damaged, gone or elsewhere is as it was
	eventReplication = "replication" // a copy was made where none, or an earlier version, was
)

// event is the type of event that putting a copy right is.
func (r Recovery) event(was Copy) string {
	if was.State == fixity.Awaited || was.State == fixity.Behind && r.From != "" {
		return eventReplication
	}
	return eventRecovery
}

func (r Recovery) data(was Copy) map[string]any {
	out := map[string]any{"way": r.Way, "at": DisplayPath(r.At), "event_type": r.event(was)}
	for _, x := range [][2]string{{"from", r.From}, {"place", DisplayPath(r.Place)}, {"kept", DisplayPath(r.Kept)}, {"other_file", r.Other}} {
		if x[1] != "" {
			out[x[0]] = x[1]
		}
	}
	if r.Merged {
		out["merged"] = true
	}
	return out
}

// RecoveryOrdered records that a copy is about to be put right, before anything of it is
// touched: after a kill the record tells who ordered what. Other copies of the file may
// have changed since the person saw it, but not the file, its finding and this copy: else
// the error wraps fixity.ErrChangedMeanwhile.
func (t Copies) RecoveryOrdered(saw Seen, was Copy, r Recovery, by string) error {
	if err := t.StillFile(saw.File); err != nil {
		return err
	}
	if saw.Finding.ID != 0 {
		if err := t.stillFinding(saw.Finding); err != nil {
			return err
		}
	}
	now, err := t.At(was.Store, was.Set, was.At)
	if errors.Is(err, fixity.ErrNotFound) || err == nil && (now.File != was.File || now.Held != was.Held || now.Condition() != was.Condition()) {
		return fmt.Errorf("the copy in %s: %w", was.Store, fixity.ErrChangedMeanwhile)
	}
	if err != nil {
		return err
	}
	t.Event(Event{Verb: fixity.RecoveryOrdered, By: by, Store: was.Store, Set: was.Set, File: was.File, Finding: r.Finding, Reason: r.Reason, Data: r.data(was)})
	return nil
}

// Recovered records that a copy was put right as r says: it is due at once, and only a
// reading makes it intact. The error wraps fixity.ErrNotFound if it isn't expected any
// more.
func (t Copies) Recovered(was Copy, r Recovery, by string) error {
	now, err := t.At(was.Store, was.Set, was.At)
	if err != nil {
		return err
	}
	if r.From == "" { // it was moved there: nothing lies any more where it was found
		if err := t.Strays.Drop(was.Store, was.Set, r.Place); err != nil {
			return err
		}
	}
	if err := t.see(now, care.PutBack{At: r.Entry.Path, Size: r.Entry.Size, ModTime: r.Entry.ModTime.UnixNano()}); err != nil {
		return err
	}
	if r.Finding != 0 {
		f, err := t.Findings.Get(r.Finding)
		if err != nil {
			return err
		}
		told := fixity.Fact{Is: fixity.PutBackFrom, Store: r.From, At: []time.Time{t.now}}
		if r.Merged {
			told.Code = fixity.Merged
		}
		if r.Other != "" {
			told.Said = []string{r.Other}
		}
		if r.Kept != "" {
			told.Places = []fixity.Path{fixity.Path(r.Kept)}
		}
		f.Facts.Seen = append(f.Facts.Seen, told)
		if err := t.Findings.Retell(f); err != nil {
			return err
		}
	}
	t.Event(Event{Verb: fixity.Recovered, By: by, Store: was.Store, Set: was.Set, File: was.File, Finding: r.Finding, Reason: r.Reason, Data: r.data(was)})
	return nil
}

// RecoveryBegun is the last recovery of a file's copy for just this finding that was
// ordered, and whether it was done; ok is false if there was none.
func (t Copies) RecoveryBegun(file, finding int64, store, set string) (r Recovery, done, ok bool, err error) {
	err = t.Log.Of(file, func(e Event) error {
		if e.Verb != fixity.RecoveryOrdered && e.Verb != fixity.Recovered || e.Finding != finding || e.Store != store || e.Set != set {
			return nil
		}
		var in struct {
			Data struct {
				Way, At, From, Place, Kept string
				Merged                     bool
				Other                      string `json:"other_file"`
			}
		}
		if err := json.Unmarshal(e.Leaf(), &in); err != nil {
			return err
		}
		d := in.Data
		r = Recovery{Finding: finding, Way: d.Way, At: d.At, From: d.From, Merged: d.Merged, Place: d.Place, Other: d.Other, Kept: d.Kept, Reason: e.Reason}
		done, ok = e.Verb == fixity.Recovered, true
		return nil
	})
	return r, done, ok, err
}

// KeptRemoved records that a file which was kept in a store's set was removed.
func (t Copies) KeptRemoved(store, set, path, by, reason string) {
	t.Event(Event{Verb: fixity.KeptRemoved, By: by, Store: store, Set: set, Reason: reason, Data: map[string]any{"at": DisplayPath(path)}})
}

// NotWhole are the copies in a store, but not on discs, that aren't as they should be, by
// set and place.
func (t Copies) NotWhole(store string) ([]Copy, error) {
	return t.where(`WHERE store = $1 AND carrier = 0 AND NOT (`+inStates("state", care.Whole)+`) ORDER BY set_name, at`, store)
}

// InStores are the stores in which an incident is open, by kind: "unreadable" is a
// drive that fails.
func (t Incidents) InStores() (map[string][]string, error) {
	out := map[string][]string{}
	err := t.rows(`SELECT DISTINCT f.store, i.kind FROM finding f JOIN incident i ON i.id = f.incident WHERE f.settled = '' AND f.incident <> 0 ORDER BY f.store, i.kind`, nil, func(r *sql.Rows) error {
		var store, kind string
		err := r.Scan(&store, &kind)
		out[store] = append(out[store], kind)
		return err
	})
	return out, err
}

// endsAs says how a finding about a copy ends that is as it should be again: put back, by
// whom and why, if that was ordered and done; else somebody did it by another way.
func (t Findings) endsAs(f Finding, by string) (how fixity.Settled, who, reason string, err error) {
	how, who = fixity.IntactAgain, by
	if !f.Facts.Tells(fixity.PutBackFrom) {
		return how, who, "", nil
	}
	err = t.Log.Of(f.File, func(e Event) error {
		if e.Finding == f.ID && e.Verb == fixity.Recovered {
			how, who, reason = fixity.PutBack, e.By, e.Reason
		}
		return nil
	})
	return how, who, reason, err
}
