// Package handover writes what another archive gets with the files of an item, or of a time:
// the rows of the register about it, and what the record tells of its files as PREMIS events.
// It reads the ledger and writes nothing to it.
//
// What PREMIS has a word for is told by that word (semantic unit 2.2, in the terms of the
// Library of Congress): copying to a new kind of medium, such as a disc, is a replication, a
// new drive for a store a refreshment, WAV to FLAC a migration. A proof that files can be
// brought back puts nothing right, so it is no recovery, and is left out, as is all that
// befell no file: accounts, letters, findings (the fixity check that showed one is there).
package handover

import (
	"cmp"
	"errors"
	"fmt"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/premis"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Teller says whose story is told, and by whom.
type Teller struct {
	Archive string // its name
	Version string // of this program
	By      string
	Now     time.Time
}

// program is the program as it took part in what happened: in which version isn't known.
const program = "Firmus"

// recorder is who the record has an event from, where nobody knows who did it.
var recorder = premis.Term{Word: "recorder"}

// story tells events of a ledger.
type story struct {
	Teller
	t        *ledger.Tx
	holdings string
	about    string            // the entity that an event is about if it is about no file; "": such aren't told
	only     map[int64]bool    // files that are told of; nil: all
	files    map[int64]*file   // by number; nil: it has no version
	together bool              // readings of one event that came out alike are one PREMIS event
	migrated map[int64][]int64 // by the new file, the old ones
}

// file is a file as events are about it.
type file struct {
	ledger.File
	versions []ledger.Version
}

func newStory(t *ledger.Tx, by Teller) (*story, error) {
	id, err := t.Stores.Holdings()
	return &story{Teller: by, t: t, holdings: id, files: map[int64]*file{}, migrated: map[int64][]int64{}}, err
}

func (s *story) id(format string, args ...any) string {
	return s.holdings + ":" + fmt.Sprintf(format, args...)
}

func (s *story) file(id int64) (*file, error) {
	if f, ok := s.files[id]; ok {
		return f, nil
	}
	x, err := s.t.Files.Get(id)
	if errors.Is(err, fixity.ErrNotFound) {
		s.files[id] = nil
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	f := &file{File: x}
	if f.versions, err = s.t.Files.Versions(id); err != nil {
		return nil, err
	}
	if len(f.versions) == 0 {
		f = nil // its bytes have no authority: there is no object to be told of
	}
	s.files[id] = f
	return f, nil
}

func (s *story) object(id, n int64) string { return s.id("file:%d:version:%d", id, n) }

// version is the object of a version of a file; n is 0 for the one of a time. "" if there is
// none, or the file isn't told of.
func (s *story) version(id, n int64, at time.Time) (string, error) {
	if s.only != nil && !s.only[id] {
		return "", nil
	}
	f, err := s.file(id)
	if f == nil || err != nil {
		return "", err
	}
	if n == 0 {
		n = f.versions[0].N
		for _, v := range f.versions {
			if !v.At.After(at) {
				n = v.N
			}
		}
	}
	for _, v := range f.versions {
		if v.N == n {
			return s.object(id, n), nil
		}
	}
	return "", nil
}

func (s *story) software() premis.AgentLink {
	return premis.AgentLink{Agent: premis.Agent{ID: s.id("software:%s", strings.ToLower(program)), Name: program, Is: premis.Software}, Role: premis.Executes}
}

// named is a name as the record has it: a person's, or that of the account that the program
// ran under.
func (s *story) named(by string, is, role premis.Term) premis.AgentLink {
	if by == "" {
		return s.software()
	}
	return premis.AgentLink{Agent: premis.Agent{ID: s.id("name:%s", by), Name: by, Is: is}, Role: role}
}

// by are who did what an event tells.
func (s *story) by(e ledger.Event, is, role premis.Term) []premis.AgentLink {
	out := []premis.AgentLink{s.named(e.By, is, role)}
	if second := report.Second(e); second != "" {
		out = append(out, s.named(second, premis.Person, premis.Authorizer))
	}
	return out
}

// tell gives the PREMIS events that an event of the record is; none if PREMIS has no word for
// it. lines are the readings that it accounts for.
func (s *story) tell(e ledger.Event, lines []ledger.Line, each func(premis.Event) error) error {
	x := premis.Event{ID: s.id("event:%d", e.Seq), At: e.At, Detail: e.Reason}
	told := e.Told()
	text := func(key string) string { v, _ := told[key].(string); return v }
	number := func(key string) int64 { v, _ := told[key].(float64); return int64(v) }
	decided := func(what premis.Term) {
		x.Type, x.Outcome, x.Agents = what, premis.Success, s.by(e, premis.Person, premis.Implementer)
	}
	link := func(file, n int64, role premis.Term) error {
		id, err := s.version(file, n, e.At)
		if id != "" {
			x.Objects = append(x.Objects, premis.ObjectLink{ID: id, Role: role})
		}
		return err
	}
	switch e.Verb {
	case fixity.TakenIn:
		return s.takenIn(e, lines, each)
	case fixity.Audited:
		return s.read(e, "in store "+e.Store, lines, each)
	case fixity.DiscChecked:
		return s.read(e, "on disc "+text("disc"), lines, each)
	case fixity.ReceivedFrom:
		return s.received(e, number("received"), each)
	case fixity.DiscAdded:
		return s.burned(number("id"), each)
	case fixity.VersionSigned, fixity.Saved:
		n := number("version")
		if n > 1 {
			if err := link(e.File, n-1, premis.Source); err != nil {
				return err
			}
		}
		if err := link(e.File, n, premis.Produced); err != nil {
			return err
		}
		decided(premis.Modification)
		if e.Verb == fixity.Saved {
			x.Detail = "saved inside its editing window, as an audit found; who saved it isn't recorded"
			x.Agents = []premis.AgentLink{s.named(e.By, premis.Term{}, recorder)}
		} else {
			x.Detail = because("a change was accepted", e.Reason)
		}
	case fixity.Outvoted:
		if err := link(e.File, number("version"), premis.Produced); err != nil {
			return err
		}
		x.Type, x.Outcome = premis.DigestCalculation, premis.Warning
		x.Detail = "the reading at intake gave other bytes than two later ones; what those gave is the file's version"
		x.Agents = []premis.AgentLink{s.named(e.By, premis.Term{}, recorder)}
	case fixity.Renamed:
		decided(premis.FilenameChange)
		x.Detail = because(fmt.Sprintf("in store %s, from %s to %s", e.Store, text("from"), text("to")), e.Reason)
		if err := link(e.File, 0, premis.Term{}); err != nil {
			return err
		}
	case fixity.Retired:
		decided(premis.Deaccession)
		if err := link(e.File, 0, premis.Term{}); err != nil {
			return err
		}
	case fixity.ReplacedBy:
		old := number("old")
		if old == 0 {
			return nil // the new file's event tells it
		}
		decided(premis.Migration)
		x.Detail = because("another file with the same samples took its place", e.Reason)
		s.migrated[e.File] = append(s.migrated[e.File], old)
		if err := link(old, 0, premis.Source); err != nil {
			return err
		}
		if err := link(e.File, 0, premis.Produced); err != nil {
			return err
		}
	case fixity.Recovered:
		decided(premis.RecoveryOf)
		if text("event_type") == premis.Replication.Word {
			x.Type = premis.Replication
		}
		x.Detail = "in store " + e.Store
		if from := text("from"); from != "" {
			x.Detail += ", from " + from
		}
		x.Detail = because(x.Detail, e.Reason)
		if err := link(e.File, 0, premis.Term{}); err != nil {
			return err
		}
	case fixity.StoreReplaced:
		if told["discs"] != nil {
			return nil // the same discs, under another store's name
		}
		decided(premis.Refreshment)
		x.Detail = because(fmt.Sprintf("a new drive became store %s; what it holds counts once it was read there", e.Store), e.Reason)
		x.Outcome = premis.Term{}
		x.Objects = s.whole()
	case fixity.KeptRemoved:
		decided(premis.Deletion)
		x.Detail = fmt.Sprintf("what was kept of a damaged file was removed from store %s, %s", e.Store, text("at"))
		x.Objects = s.whole()
	case fixity.HandedOver:
		h := ledger.HandOverOf(e)
		decided(premis.Dissemination)
		// Where the bag lay is of the archive's own computer.
		x.Detail = fmt.Sprintf("put into a bag (RFC 8493) for another archive, %s; the %s digest of its %s is %s", path.Base(filepath.ToSlash(h.To)), strings.ToUpper(string(h.Digest.Algorithm)), h.Manifest, h.Digest.Sum)
		for _, f := range h.Files {
			if err := link(f.File, f.Version, premis.Source); err != nil {
				return err
			}
		}
	case fixity.RegisterKept:
		decided(premis.MetadataChange)
		x.Agents = []premis.AgentLink{s.named(e.By, premis.Term{}, recorder)}
		x.Detail = fmt.Sprintf("the register was read, and differs from what it was: version %d", number("version"))
		x.Objects = s.whole()
	}
	if x.Type.Word == "" || len(x.Objects) == 0 {
		return nil
	}
	return each(x)
}

// whole is what an event is about that is about no file of its own.
func (s *story) whole() []premis.ObjectLink {
	if s.about == "" {
		return nil
	}
	return []premis.ObjectLink{{ID: s.about}}
}

// takenIn tells how files came under care: each was read in every store within reach. The
// first reading gave its checksums, the others were held against them.
func (s *story) takenIn(e ledger.Event, lines []ledger.Line, each func(premis.Event) error) error {
	type of struct {
		object string
		first  time.Time
	}
	var came []of
	seen := map[int64]bool{}
	var rest []ledger.Line
	// The record has them store by store.
	lines = slices.SortedStableFunc(slices.Values(lines), func(a, b ledger.Line) int { return cmp.Compare(a.At, b.At) })
	for _, l := range lines {
		id, err := s.version(l.File, l.Version, time.Unix(0, l.At))
		if err != nil {
			return err
		}
		if id == "" {
			continue
		}
		if seen[l.File] || l.Outcome != fixity.ReadIntact {
			rest = append(rest, l)
			continue
		}
		seen[l.File] = true
		came = append(came, of{id, time.Unix(0, l.At)})
	}
	for _, c := range came {
		x := premis.Event{ID: s.id("event:%d:digest:%s", e.Seq, strings.TrimPrefix(c.object, s.holdings+":")), Type: premis.DigestCalculation, At: c.first, Detail: "when it was taken under care",
			Outcome: premis.Success, Agents: []premis.AgentLink{s.software()}, Objects: []premis.ObjectLink{{ID: c.object}}}
		if err := each(x); err != nil {
			return err
		}
	}
	if err := s.read(e, "when it was taken under care, in a store within reach", rest, each); err != nil {
		return err
	}
	for _, c := range came {
		x := premis.Event{ID: s.id("event:%d:%s", e.Seq, strings.TrimPrefix(c.object, s.holdings+":")), Type: premis.Ingestion, At: e.At, Detail: "taken under care; it had appeared in store " + e.Store,
			Outcome: premis.Success, Agents: s.by(e, premis.Term{}, premis.Implementer), Objects: []premis.ObjectLink{{ID: c.object}}}
		if err := each(x); err != nil {
			return err
		}
	}
	return nil
}

// outcomes are how readings came out, in PREMIS's words.
var outcomes = map[fixity.Outcome]premis.Term{
	fixity.ReadIntact:     premis.Success,
	fixity.ReadEarlier:    premis.Warning,
	fixity.ReadDiffers:    premis.Fail,
	fixity.ReadUnsteady:   premis.Fail,
	fixity.ReadUnreadable: premis.Fail,
}

// read tells readings.
func (s *story) read(e ledger.Event, where string, lines []ledger.Line, each func(premis.Event) error) error {
	type alike struct {
		outcome fixity.Outcome
		cache   fixity.Cache
	}
	var order []alike
	all := map[alike]*premis.Event{}
	nth := map[int64]int{}
	check := func(l ledger.Line) premis.Event {
		return premis.Event{Type: premis.FixityCheck, At: e.At, Detail: fmt.Sprintf("every byte was read %s, %s", where, fixity.Means("cache", string(l.Cache))), Outcome: outcomes[l.Outcome],
			Note: fixity.Means("outcome", string(l.Outcome)), Agents: append([]premis.AgentLink{s.software()}, s.by(e, premis.Term{}, premis.Implementer)...)}
	}
	for _, l := range lines {
		at := time.Unix(0, l.At)
		id, err := s.version(l.File, l.Version, at)
		if err != nil {
			return err
		}
		if id == "" || outcomes[l.Outcome] == (premis.Term{}) {
			continue
		}
		nth[l.File]++
		link := premis.ObjectLink{ID: id}
		if s.together && l.Outcome == fixity.ReadIntact {
			k := alike{l.Outcome, l.Cache}
			if all[k] == nil {
				x := check(l)
				x.ID = s.id("event:%d:%s:%s", e.Seq, l.Outcome, l.Cache)
				all[k] = &x
				order = append(order, k)
			}
			all[k].Objects = append(all[k].Objects, link)
			continue
		}
		x := check(l)
		x.ID, x.At, x.Objects = s.id("event:%d:reading:%d:%d", e.Seq, l.File, nth[l.File]), at, []premis.ObjectLink{link}
		if err := each(x); err != nil {
			return err
		}
	}
	for _, k := range order {
		if err := each(*all[k]); err != nil {
			return err
		}
	}
	return nil
}

// received tells what was copied from a stick, by the files that came of it.
func (s *story) received(e ledger.Event, id int64, each func(premis.Event) error) error {
	r, err := s.t.Sources.Get(id)
	if err != nil {
		return err
	}
	x := s.transfer(r.ID, r.Source, r.At, r.By)
	for _, f := range r.Files {
		held, err := s.t.Files.ByDigest(f.Digest)
		if err != nil {
			return err
		}
		for _, h := range held {
			if h.File.Set != r.Set {
				continue
			}
			o, err := s.version(h.File.ID, h.Version, r.At)
			if err != nil {
				return err
			}
			if link := (premis.ObjectLink{ID: o}); o != "" && !slices.Contains(x.Objects, link) {
				x.Objects = append(x.Objects, link)
			}
		}
	}
	if len(x.Objects) == 0 {
		return nil
	}
	return each(x)
}

func (s *story) transfer(id int64, source string, at time.Time, by string) premis.Event {
	return premis.Event{ID: s.id("received:%d", id), Type: premis.Transfer, At: at, Detail: "copied from " + source + ", read back past the system's memory and compared", Outcome: premis.Success,
		Agents: []premis.AgentLink{s.named(by, premis.Term{}, premis.Implementer)}}
}

// burned tells that files were put on a disc: a new kind of medium.
func (s *story) burned(id int64, each func(premis.Event) error) error {
	d, err := s.t.Discs.Get(id)
	if err != nil {
		return err
	}
	on, err := s.t.Discs.FilesOn(id)
	if err != nil {
		return err
	}
	x := s.replica(d)
	for _, f := range on {
		o, err := s.version(f.File, f.Version, d.Added)
		if err != nil {
			return err
		}
		if o != "" {
			x.Objects = append(x.Objects, premis.ObjectLink{ID: o})
		}
	}
	if len(x.Objects) == 0 {
		return nil
	}
	return each(x)
}

func (s *story) replica(d ledger.Disc) premis.Event {
	x := premis.Event{ID: s.id("disc:%d", d.ID), Type: premis.Replication, At: d.Added, Detail: "put on disc " + d.Name() + ", which was entered on the list then", Agents: []premis.AgentLink{s.named(d.By, premis.Term{}, premis.Implementer)}}
	if d.Kind == ledger.AudioDisc {
		x.Detail += "; an audio disc holds the sound at 44.1 kHz and 16 bit, not the file"
	}
	if d.Burned != "" {
		x.Detail += "; burned " + d.Burned
	}
	return x
}

// because joins what was done with why, if that is known.
func because(what, why string) string {
	if why == "" {
		return what
	}
	return what + ": " + why
}
