// Package cue reads cue sheets: the text that lies beside an image of a compact disc
// and says which file holds which track. It opens no files.
//
// There is no standard. What is read is what programs agree on: the commands
// CATALOG, FILE, TRACK, INDEX, PREGAP, POSTGAP, ISRC, FLAGS, TITLE, PERFORMER,
// SONGWRITER, REM; COMPOSER, ARRANGER and MESSAGE as some write them; and REM SESSION
// before the first track of a further session. Times are minutes, seconds and frames
// of a 75th of a second, counted within the file.
package cue

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// MaxBytes is the most that is read of a sheet; one of 99 tracks has some 20 kB.
const MaxBytes = 1 << 20

// maxTime in frames: what the widest file could hold, and far more than a disc.
const maxTime = 75 * 60 * 1000

// ErrSheet: the text is no cue sheet, or one that contradicts itself.
var ErrSheet = errors.New("not a sound cue sheet")

// Mode is how a track's sectors are recorded in its file.
type Mode string

// Modes.
const (
	Audio     Mode = "AUDIO"
	Mode1User Mode = "MODE1/2048" // a user's data only
	Mode1Raw  Mode = "MODE1/2352"
	Mode2Part Mode = "MODE2/2336" // without the first 16 bytes
	Mode2Raw  Mode = "MODE2/2352"
)

// Bytes is the size of one of its sectors; 0 for a mode that isn't known.
func (m Mode) Bytes() int64 {
	switch m {
	case Audio, Mode1Raw, Mode2Raw:
		return 2352
	case Mode1User:
		return 2048
	case Mode2Part:
		return 2336
	}
	return 0
}

// Words are what the sheet says of the disc or of a track; "" where it says nothing.
type Words struct {
	Title, Performer, Songwriter, Composer, Arranger, Message string
}

// File is one file that holds sectors.
type File struct {
	Name string // as the sheet has it: perhaps with a path that is nowhere any more
	Type string // "BINARY", "MOTOROLA" or "WAVE"
}

// Track is one track.
type Track struct {
	Number, Session int
	Mode            Mode
	File            int   // of Sheet.Files: where index 1 lies
	Index0          int64 // frame in GapFile where the gap before it begins; -1 if none is recorded
	GapFile         int   // the file of Index0
	Index1          int64 // frame in File where the track begins
	Pregap, Postgap int64 // sectors that are in no file
	ISRC            string
	PreEmphasis     bool
	Words           Words
}

// Sheet is a cue sheet.
type Sheet struct {
	MCN    string
	Words  Words
	Files  []File
	Tracks []Track // at least one; ascending
}

// Parse reads a sheet. Text that isn't UTF-8 is taken as ISO 8859-1. Commands that
// aren't known are passed over. Errors match ErrSheet and name the line.
func Parse(text []byte) (Sheet, error) {
	if len(text) > MaxBytes {
		return Sheet{}, fmt.Errorf("%d bytes: %w", len(text), ErrSheet)
	}
	s := strings.TrimPrefix(string(text), "\uFEFF")
	if !utf8.ValidString(s) {
		r := make([]rune, len(s))
		for i := range len(s) {
			r[i] = rune(s[i])
		}
		s = string(r)
	}
	p := parser{session: 1}
	n := 0
	for line := range strings.FieldsFuncSeq(s, func(r rune) bool { return r == '\n' || r == '\r' }) {
		n++
		if err := p.line(line); err != nil {
			return Sheet{}, fmt.Errorf("line %d (%.80q): %w: %w", n, strings.TrimSpace(line), err, ErrSheet)
		}
	}
	if err := p.end(); err != nil {
		return Sheet{}, fmt.Errorf("%w: %w", err, ErrSheet)
	}
	return p.sheet, nil
}

type parser struct {
	sheet   Sheet
	session int
	cur     *Track // nil before the first
	indexed bool   // cur has its index 1
	last    int64  // the last index in the current file
}

// word takes the next word off a line: one in quotes, or up to a blank.
func word(line string) (w, rest string) {
	line = strings.TrimLeft(line, " \t")
	if strings.HasPrefix(line, `"`) {
		if end := strings.IndexByte(line[1:], '"'); end >= 0 {
			return line[1 : 1+end], line[end+2:]
		}
		return line[1:], ""
	}
	if end := strings.IndexAny(line, " \t"); end >= 0 {
		return line[:end], line[end:]
	}
	return line, ""
}

// rest is all that a line says behind its command, without quotes.
func rest(line string) string {
	line = strings.TrimSpace(line)
	if len(line) >= 2 && line[0] == '"' && line[len(line)-1] == '"' {
		line = line[1 : len(line)-1]
	}
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F {
			return -1
		}
		return r
	}, line)
}

// frames reads mm:ss:ff.
func frames(s string) (int64, error) {
	part := strings.Split(s, ":")
	if len(part) != 3 {
		return 0, fmt.Errorf("time %q", s)
	}
	var v [3]int64
	for i, p := range part {
		n, err := strconv.ParseUint(p, 10, 20)
		if err != nil {
			return 0, fmt.Errorf("time %q", s)
		}
		v[i] = int64(n)
	}
	t := (v[0]*60+v[1])*75 + v[2]
	if v[1] > 59 || v[2] > 74 || t > maxTime {
		return 0, fmt.Errorf("time %q", s)
	}
	return t, nil
}

func (p *parser) words() *Words {
	if p.cur != nil {
		return &p.cur.Words
	}
	return &p.sheet.Words
}

func (p *parser) line(line string) error {
	command, args := word(line)
	command = strings.ToUpper(command)
	if command == "REM" {
		sub, more := word(args)
		switch strings.ToUpper(sub) {
		case "SESSION":
			return p.newSession(more)
		case "COMPOSER", "ARRANGER", "MESSAGE": // as remarks in older sheets
			command, args = strings.ToUpper(sub), more
		default:
			return nil
		}
	}
	switch command {
	case "CATALOG":
		if mcn := rest(args); len(mcn) == 13 && strings.Trim(mcn, "0123456789") == "" {
			p.sheet.MCN = mcn
		}
	case "TITLE":
		p.words().Title = rest(args)
	case "PERFORMER":
		p.words().Performer = rest(args)
	case "SONGWRITER":
		p.words().Songwriter = rest(args)
	case "COMPOSER":
		p.words().Composer = rest(args)
	case "ARRANGER":
		p.words().Arranger = rest(args)
	case "MESSAGE":
		p.words().Message = rest(args)
	case "FILE":
		return p.file(args)
	case "TRACK":
		return p.track(args)
	case "INDEX", "PREGAP", "POSTGAP", "ISRC", "FLAGS":
		if p.cur == nil {
			return errors.New("before the first track")
		}
		return p.ofTrack(command, args)
	}
	return nil
}

func (p *parser) newSession(args string) error {
	w, _ := word(args)
	n, err := strconv.Atoi(w)
	if err != nil || n != p.session && n != p.session+1 || n > 99 {
		return fmt.Errorf("session %q behind session %d", w, p.session)
	}
	p.session = n
	return nil
}

func (p *parser) file(args string) error {
	name, more := word(args)
	// Programs have written names with blanks and no quotes.
	kind := strings.ToUpper(strings.TrimSpace(more))
	if i := strings.LastIndexAny(kind, " \t"); i >= 0 && !strings.HasPrefix(strings.TrimSpace(args), `"`) {
		full := strings.TrimSpace(args)
		name, kind = strings.TrimSpace(full[:len(full)-len(kind[i+1:])]), kind[i+1:]
	}
	switch kind {
	case "BINARY", "MOTOROLA", "WAVE":
	default:
		return fmt.Errorf("a file of type %q isn't read", kind)
	}
	if name == "" || strings.ContainsRune(name, 0) {
		return errors.New("a file without a name")
	}
	if len(p.sheet.Files) >= 99 {
		return errors.New("more than 99 files")
	}
	p.sheet.Files = append(p.sheet.Files, File{name, kind})
	p.last = 0
	return nil
}

func (p *parser) track(args string) error {
	if err := p.close(); err != nil {
		return err
	}
	w, more := word(args)
	n, err := strconv.Atoi(w)
	mode, _ := word(more)
	t := Track{Number: n, Session: p.session, Mode: Mode(strings.ToUpper(mode)), Index0: -1, File: len(p.sheet.Files) - 1}
	switch {
	case err != nil || n < 1 || n > 99:
		return fmt.Errorf("track %q", w)
	case len(p.sheet.Tracks) > 0 && n != p.sheet.Tracks[len(p.sheet.Tracks)-1].Number+1:
		return fmt.Errorf("track %d behind track %d", n, p.sheet.Tracks[len(p.sheet.Tracks)-1].Number)
	case t.Mode.Bytes() == 0:
		return fmt.Errorf("mode %q isn't read", mode)
	case t.File < 0:
		return errors.New("no file before it")
	}
	p.sheet.Tracks = append(p.sheet.Tracks, t)
	p.cur, p.indexed = &p.sheet.Tracks[len(p.sheet.Tracks)-1], false
	return nil
}

func (p *parser) ofTrack(command, args string) error {
	w, more := word(args)
	switch command {
	case "ISRC":
		if isrc := strings.ToUpper(strings.ReplaceAll(rest(args), "-", "")); len(isrc) == 12 {
			p.cur.ISRC = isrc
		}
		return nil
	case "FLAGS":
		for f := range strings.FieldsSeq(strings.ToUpper(args)) {
			p.cur.PreEmphasis = p.cur.PreEmphasis || f == "PRE"
		}
		return nil
	case "PREGAP", "POSTGAP":
		t, err := frames(w)
		if err != nil {
			return err
		}
		if command == "PREGAP" {
			p.cur.Pregap = t
		} else {
			p.cur.Postgap = t
		}
		return nil
	}
	n, err := strconv.Atoi(w)
	if err != nil || n < 0 || n > 99 {
		return fmt.Errorf("index %q", w)
	}
	w, _ = word(more)
	t, err := frames(w)
	if err != nil {
		return err
	}
	at := len(p.sheet.Files) - 1
	if t < p.last {
		return fmt.Errorf("index at %q lies before another one", w)
	}
	p.last = t
	switch {
	case n == 0 && !p.indexed && p.cur.Index0 < 0:
		p.cur.Index0, p.cur.GapFile = t, at
	case n == 1 && !p.indexed:
		p.cur.Index1, p.cur.File, p.indexed = t, at, true
	case n >= 2 && p.indexed: // a mark within the track
	default:
		return fmt.Errorf("index %d in the wrong place", n)
	}
	return nil
}

// close ends the current track.
func (p *parser) close() error {
	if p.cur == nil {
		return nil
	}
	if !p.indexed {
		return fmt.Errorf("track %d has no index 1", p.cur.Number)
	}
	// A gap of another file than the track's must be all that file's end: the
	// track begins the next one.
	if p.cur.Index0 >= 0 && p.cur.GapFile != p.cur.File && (p.cur.Index1 != 0 || p.cur.File != p.cur.GapFile+1) {
		return fmt.Errorf("the gap of track %d lies in another file", p.cur.Number)
	}
	return nil
}

func (p *parser) end() error {
	if p.cur == nil {
		return errors.New("no tracks")
	}
	if err := p.close(); err != nil {
		return err
	}
	seen := -1
	for _, t := range p.sheet.Tracks {
		first := t.File
		if t.Index0 >= 0 {
			first = t.GapFile
		}
		if first > seen+1 {
			return fmt.Errorf("file %q holds no track", p.sheet.Files[seen+1].Name)
		}
		seen = t.File
	}
	if last := p.sheet.Tracks[len(p.sheet.Tracks)-1].File; last != len(p.sheet.Files)-1 {
		return fmt.Errorf("file %q holds no track", p.sheet.Files[last+1].Name)
	}
	return nil
}
