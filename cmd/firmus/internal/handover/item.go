package handover

import (
	"bytes"
	"cmp"
	"context"
	"encoding/base64"
	"fmt"
	"io"
	"net/url"
	"path"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/premis"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// Handed is an item that is handed on.
type Handed struct {
	Item       string
	Package    string // tells this bag from all others
	Restricted bool
	Now        map[int64]int64 // the version of each file that is handed on, by the file's number
}

// Item writes what is known of an item's files, those that were retired too, and of what
// became of them, as PREMIS. Of files that are handed on it says where they lie in a bag.
func Item(ctx context.Context, l *ledger.Ledger, by Teller, h Handed, w io.Writer) error {
	return l.View(ctx, func(t *ledger.Tx) error {
		s, err := newStory(t, by)
		if err != nil {
			return err
		}
		ids, err := s.filesOf(h.Item)
		if err != nil {
			return err
		}
		events, err := s.eventsOf(ids)
		if err != nil {
			return err
		}
		doc := premis.NewWriter(w)
		item := s.id("item:%s", h.Item)
		rights := ""
		if h.Restricted {
			rights = s.id("item:%s:restricted", h.Item)
			doc.Restrict(premis.Rights{ID: rights, Basis: "the archive's own rule", Note: "A recording of this item is restricted: ask the archive before anybody else may hear it.", Objects: []string{item}})
		}
		entity := premis.Object{ID: item, Entity: true, Name: ledger.DisplayPath(h.Item), Rights: rights, Facts: [][2]string{{"kind", "item"}, {"archive", by.Archive}}}
		if err := doc.Object(entity); err != nil {
			return err
		}
		made := premis.Event{ID: s.id("bag:%s", h.Package), Type: premis.PackageCreation, At: by.Now, Detail: "a bag (RFC 8493) of the item's files, each held against the record's checksum, for another archive",
			Agents: []premis.AgentLink{s.named(by.By, premis.Term{}, premis.Implementer), {Agent: premis.Agent{ID: s.id("software:%s:%s", strings.ToLower(program), by.Version), Name: program, Is: premis.Software, Version: by.Version}, Role: premis.Executes}}}
		for _, id := range s.oldFirst(ids) {
			if err := s.putFile(doc, id, item, h); err != nil {
				return err
			}
			if n, ok := h.Now[id]; ok {
				made.Objects = append(made.Objects, premis.ObjectLink{ID: s.object(id, n), Role: premis.Source})
			}
		}
		if len(made.Objects) == 0 {
			made.Objects = []premis.ObjectLink{{ID: item}}
		}
		for _, e := range append(events, made) {
			if err := doc.Event(e); err != nil {
				return err
			}
		}
		return doc.Close()
	})
}

// filesOf are the files of an item, and those that others took the place of, or took theirs.
func (s *story) filesOf(item string) ([]int64, error) {
	fs, err := s.t.Files.OfItem(item)
	if err != nil {
		return nil, err
	}
	var ids []int64
	for _, f := range fs {
		ids = append(ids, f.ID)
	}
	for i := 0; i < len(ids); i++ {
		if err := s.t.Log.Of(ids[i], func(e ledger.Event) error {
			if e.Verb != fixity.ReplacedBy {
				return nil
			}
			for _, key := range []string{"old", "new"} {
				if n, _ := e.Told()[key].(float64); n != 0 && !slices.Contains(ids, int64(n)) {
					ids = append(ids, int64(n))
				}
			}
			return nil
		}); err != nil {
			return nil, err
		}
	}
	out := ids[:0]
	for _, id := range ids {
		f, err := s.file(id)
		if err != nil {
			return nil, err
		}
		if f != nil {
			out = append(out, id)
		}
	}
	slices.Sort(out)
	return out, nil
}

// eventsOf are what befell some files, in the order of time.
func (s *story) eventsOf(ids []int64) ([]premis.Event, error) {
	s.only = map[int64]bool{}
	for _, id := range ids {
		s.only[id] = true
	}
	var out []premis.Event
	add := func(e premis.Event) error { out = append(out, e); return nil }
	lines, err := s.t.Log.LinesAbout(s.only)
	if err != nil {
		return nil, err
	}
	for seq, ls := range lines {
		if err := s.t.Log.Each(seq, 1, func(e ledger.Event) error { return s.tell(e, ls, add) }); err != nil {
			return nil, err
		}
	}
	for _, id := range ids {
		if err := s.t.Log.Of(id, func(e ledger.Event) error { return s.tell(e, nil, add) }); err != nil {
			return nil, err
		}
	}
	if err := s.t.Files.HandOvers(func(e ledger.Event) error { return s.tell(e, nil, add) }); err != nil {
		return nil, err
	}
	for _, gather := range []func(int64, func(premis.Event, string)) error{s.receivedOf, s.burnedOf} {
		at := map[string]int{}
		for _, id := range ids {
			if err := gather(id, func(e premis.Event, object string) {
				i, ok := at[e.ID]
				if !ok {
					i = len(out)
					at[e.ID] = i
					out = append(out, e)
				}
				out[i].Objects = append(out[i].Objects, premis.ObjectLink{ID: object})
			}); err != nil {
				return nil, err
			}
		}
	}
	slices.SortFunc(out, func(a, b premis.Event) int { return cmp.Or(a.At.Compare(b.At), strings.Compare(a.ID, b.ID)) })
	return out, nil
}

func (s *story) receivedOf(id int64, each func(premis.Event, string)) error {
	f, err := s.file(id)
	if f == nil || err != nil {
		return err
	}
	for _, v := range f.versions {
		rs, err := s.t.Sources.Of(f.Set, v.BLAKE3)
		if err != nil {
			return err
		}
		for _, r := range rs {
			each(s.transfer(r.ID, r.Source, r.At, r.By), s.object(id, v.N))
		}
	}
	return nil
}

func (s *story) burnedOf(id int64, each func(premis.Event, string)) error {
	ds, versions, err := s.t.Discs.With(id)
	if err != nil {
		return err
	}
	for i, d := range ds {
		object, err := s.version(id, versions[i], d.Added)
		if err != nil {
			return err
		}
		if object != "" {
			each(s.replica(d), object)
		}
	}
	return nil
}

// oldFirst orders files so that each comes after those whose place it took.
func (s *story) oldFirst(ids []int64) []int64 {
	out := make([]int64, 0, len(ids))
	met := map[int64]bool{} // also those that aren't to be written
	var put func(int64)
	put = func(id int64) {
		if met[id] {
			return
		}
		met[id] = true
		for _, old := range s.migrated[id] {
			put(old)
		}
		if s.files[id] != nil && (s.only == nil || s.only[id]) {
			out = append(out, id)
		}
	}
	for _, id := range ids {
		put(id)
	}
	return out
}

// putFile writes an object for each version of a file.
func (s *story) putFile(doc *premis.Writer, id int64, partOf string, h Handed) error {
	f, err := s.file(id)
	if f == nil || err != nil {
		return err
	}
	for i, v := range f.versions {
		// As it is: what XML can't hold stands as U+FFFD, and the bytes beside it.
		x := premis.Object{ID: s.object(id, v.N), Name: ledger.DisplayPath(f.Set + "/" + f.Path), Size: v.Size, PartOf: partOf, Facts: [][2]string{{"set", f.Set}, {"version", fmt.Sprint(v.N)}}}
		if strings.ContainsFunc(x.Name, noXML) {
			x.Facts = append(x.Facts, [2]string{"path_base64", base64.StdEncoding.EncodeToString([]byte(f.Path))})
		}
		for _, d := range []fixity.Digest{v.SHA256, v.MD5, v.BLAKE3} {
			if !d.IsZero() {
				x.Digests = append(x.Digests, d)
			}
		}
		known, err := s.t.Files.Sound(id, v.N)
		if err != nil {
			return err
		}
		heard, err := known.Recorded()
		if err != nil {
			return err
		}
		x.Format, x.FormatNote = formatOf(f.Path, heard)
		x.Facts = append(x.Facts, soundFacts(heard)...)
		if h.Now != nil {
			switch {
			case !f.Retired.IsZero():
				x.Facts = append(x.Facts, [2]string{"status", "not under care since " + f.Retired.UTC().Format("2006-01-02") + "; not in this bag"})
			case h.Now[id] == v.N:
				x.At = []premis.Location{{Kind: "URI", Place: (&url.URL{Path: "data/" + f.Set + "/" + f.Path}).String()}}
			case h.Now[id] == 0:
				x.Facts = append(x.Facts, [2]string{"status", "a file of another item; not in this bag"})
			default:
				x.Facts = append(x.Facts, [2]string{"status", "an earlier version; not in this bag"})
			}
		}
		if i == 0 {
			for _, old := range s.migrated[id] {
				from, err := s.version(old, 0, s.Now)
				if err != nil {
					return err
				}
				if doc.Has(from) {
					x.From = from
				}
			}
		}
		if err := doc.Object(x); err != nil {
			return err
		}
	}
	return nil
}

// formats are what kinds of sound files are called.
var formats = map[sound.Format]string{sound.WAVE: "WAVE", sound.BWF: "Broadcast WAVE", sound.RF64: "RF64", sound.BW64: "BW64", sound.AIFF: "AIFF", sound.AIFC: "AIFC", sound.FLAC: "FLAC"}

func formatOf(p string, s sound.Sound) (name, note string) {
	if name := formats[s.Format]; name != "" {
		return name, "told by the file's own header, when it was taken under care"
	}
	if e := path.Ext(p); e != "" {
		return "unknown", "not looked into; its name ends in " + report.Show(e)
	}
	return "unknown", "not looked into"
}

func soundFacts(s sound.Sound) (out [][2]string) {
	if s.Rate > 0 {
		out = append(out, [2]string{"sampling frequency in Hz", fmt.Sprint(s.Rate)})
	}
	if s.Bits > 0 {
		out = append(out, [2]string{"bits of a sample", fmt.Sprint(s.Bits)})
	}
	if s.Channels > 0 {
		out = append(out, [2]string{"channels", fmt.Sprint(s.Channels)})
	}
	if s.Duration > 0 {
		out = append(out, [2]string{"duration in seconds", fmt.Sprintf("%.3f", s.Duration.Seconds())})
	}
	return out
}

// ItemText is what Item writes.
func ItemText(ctx context.Context, l *ledger.Ledger, by Teller, h Handed) ([]byte, error) {
	var b bytes.Buffer
	err := Item(ctx, l, by, h, &b)
	return b.Bytes(), err
}

// noXML says of a character that XML 1.0 can't hold it (section 2.2, Char), or that it stands
// for bytes that are no character.
func noXML(r rune) bool {
	return r == 0xfffd || r < 0x20 && r != '\t' && r != '\n' && r != '\r' || r == 0xfffe || r == 0xffff
}
