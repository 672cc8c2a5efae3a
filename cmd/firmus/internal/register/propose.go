package register

import (
	"context"
	"strings"
)

// called are words that headers have for what a column tells, in small letters; what a
// header says more exactly comes first. A proposal is only that: a person confirms it.
var called = []struct {
	field Field
	words []string
}{
	{Item, []string{"number", "no", "no.", "nr", "nr.", "reel", "reel no", "reel no.", "reel number", "tape", "tape no", "tape no.", "tape number", "item", "item number", "shelf mark", "shelfmark", "signature", "call number", "identifier", "id"}},
	{Base, []string{"base", "tape base", "base material", "carrier base"}},
	{Side, []string{"side", "tape side", "face"}},
	{Track, []string{"track", "track no", "track no.", "track number", "piece"}},
	{Barcode, []string{"barcode", "bar code", "barcode number"}},
	{Title, []string{"title", "contents", "content", "song", "name"}},
	{Composer, []string{"composer", "composers", "author"}},
	{Performers, []string{"performers", "performer", "singer", "singers", "players", "artist", "artists"}},
	{Recorded, []string{"recorded", "date recorded", "recording date", "recorded on", "date of recording", "year"}},
	{Digitised, []string{"digitised", "digitized", "date digitised", "date digitized", "digitised on", "digitized on", "transferred", "transfer date", "transferred on", "date of transfer"}},
	{Length, []string{"length", "duration", "time", "running time", "playing time", "timing", "minutes"}},
	{Disc, []string{"disc", "discs", "disc no", "disc no.", "disc number", "disc numbers", "cd", "cd no", "cd no.", "cds", "dvd"}},
	{Box, []string{"box", "box no", "box no.", "box number", "shelf", "location"}},
	{File, []string{"file", "file name", "filename", "file no", "file no.", "file number", "wav"}},
	{Folder, []string{"folder", "directory", "path"}},
	{Condition, []string{"condition", "state", "condition notes", "condition of tape", "physical condition"}},
	{Playable, []string{"playable", "can be played", "play again", "playable?"}},
	{Hazard, []string{"hazard", "hazards", "mould", "mold"}},
	{TreatedFrom, []string{"treated from", "treatment from", "in treatment since", "treatment started"}},
	{TreatedTo, []string{"treated to", "treatment to", "treated until", "treatment ended"}},
	{PlayBy, []string{"play by", "to be played by", "play before"}},
	{Priority, []string{"priority", "urgency"}},
	{Restricted, []string{"restricted", "restriction", "restrictions", "access", "rights", "access restrictions"}},
	{Notes, []string{"notes", "note", "remarks", "remark", "comments", "comment"}},
}

// propose is what a header's words probably mean; a word stands for one field at most.
func (h header) propose() Columns {
	out := Columns{}
	taken := map[string]bool{}
	count := map[string]int{}
	for _, w := range h.words {
		count[Word(w)]++
	}
	for _, c := range called {
		for _, word := range c.words {
			for _, w := range h.words {
				if k := Word(w); k == word && !taken[k] && count[k] == 1 && out[c.field] == "" {
					out[c.field], taken[k] = w, true
				}
			}
		}
	}
	return out
}

// Proposal is how a book could be read.
type Proposal struct {
	Sheet   string // "" where it needn't be said
	Columns Columns
	Header  []string // the words of the header line
	Free    []string // those that nothing is proposed for
}

// Propose looks for a header line in a book: the one whose words are known best. Columns is
// empty if there is none. With a sheet it looks there alone.
func Propose(ctx context.Context, file string, b Book, sheet string) (Proposal, error) {
	var out Proposal
	for _, s := range b.Sheets {
		if sheet != "" && !strings.EqualFold(s.Name, sheet) {
			continue
		}
		var own Columns
		var words []string
		if err := head(ctx, s, func(h header) bool {
			if c := h.propose(); len(c) > len(own) {
				own, words = c, h.words
			}
			return true
		}); err != nil {
			return out, named(err, file, s.Name)
		}
		if len(own) > len(out.Columns) {
			out.Columns, out.Sheet, out.Header = own, s.Name, words
		}
	}
	if len(b.Sheets) == 1 {
		out.Sheet = ""
	}
	taken := map[string]bool{}
	for _, w := range out.Columns {
		taken[w] = true
	}
	for _, w := range out.Header {
		if w != "" && !taken[w] {
			out.Free = append(out.Free, w)
		}
	}
	return out, nil
}
