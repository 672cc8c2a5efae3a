package optical

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"firmus/replicas/optical/scsi"
)

// A map as text, so that a check that was broken off can go on another day. Lines
// end with LF; the first one names the version:
//
//	firmus-disc-map 1
//	disc ID
//	sectors N
//	twice                           only if sound is read twice
//	LBA+COUNT STATE [TRIES [KEY/ASC/ASCQ]]
//	end
//
// The rows are in order and cover every sector.
const (
	mapVersion  = "firmus-disc-map 1"
	maxIDLength = 128
	maxMapLine  = 256
)

// ErrMap: the text isn't a map, or not a whole one.
var ErrMap = errors.New("not a disc map")

// WriteTo writes the map as text. It implements io.WriterTo.
func (m *Map) WriteTo(w io.Writer) (int64, error) {
	c := &counter{w: w}
	b := bufio.NewWriter(c)
	fmt.Fprintf(b, "%s\ndisc %s\nsectors %d\n", mapVersion, m.disc, m.sectors)
	if m.twice {
		b.WriteString("twice\n")
	}
	for r := range m.Runs() {
		fmt.Fprintf(b, "%d+%d %s", r.LBA, r.Count, r.State)
		if r.Tries > 0 || r.Sense != (scsi.Sense{}) {
			fmt.Fprintf(b, " %d", r.Tries)
		}
		if r.Sense != (scsi.Sense{}) {
			fmt.Fprintf(b, " %s", r.Sense.Code())
		}
		b.WriteString("\n")
	}
	b.WriteString("end\n")
	if err := b.Flush(); err != nil {
		return c.n, fmt.Errorf("write disc map: %w", err)
	}
	return c.n, nil
}

type counter struct {
	w io.Writer
	n int64
}

func (c *counter) Write(p []byte) (int, error) {
	n, err := c.w.Write(p)
	c.n += int64(n)
	return n, err
}

// MarshalText gives the map as text. It implements encoding.TextMarshaler.
func (m *Map) MarshalText() ([]byte, error) {
	var b bytes.Buffer
	_, err := m.WriteTo(&b)
	return b.Bytes(), err
}

// ReadMap reads a map that WriteTo wrote. It gives ErrMap for anything else, one cut
// short too, and the reader's error.
func ReadMap(r io.Reader) (*Map, error) {
	s := bufio.NewScanner(r)
	s.Buffer(make([]byte, 0, maxMapLine), maxMapLine)
	m, err := readMap(s)
	if s.Err() != nil && !errors.Is(s.Err(), bufio.ErrTooLong) {
		return nil, fmt.Errorf("read disc map: %w", s.Err())
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrMap, err)
	}
	return m, nil
}

func readMap(s *bufio.Scanner) (*Map, error) {
	if !s.Scan() || s.Text() != mapVersion {
		return nil, fmt.Errorf("it doesn't begin with %q", mapVersion)
	}
	id, ok := field(s, "disc ")
	if !ok || id == "" || len(id) > maxIDLength || strings.ContainsFunc(id, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return nil, errors.New("no disc")
	}
	text, _ := field(s, "sectors ")
	sectors, err := number(text)
	if err != nil || sectors < 1 {
		return nil, errors.New("no number of sectors")
	}
	m, err := newMap(id, sectors)
	if err != nil {
		return nil, err
	}
	for next := int64(0); s.Scan(); {
		line := s.Text()
		switch {
		case line == "twice" && next == 0 && !m.twice:
			m.twice = true
			continue
		case line == "end":
			if next != sectors {
				return nil, fmt.Errorf("%d of %d sectors", next, sectors)
			}
			if s.Scan() {
				return nil, errors.New("more behind its end")
			}
			m.compact()
			return m, nil
		}
		run, err := parseRun(line)
		if err != nil {
			return nil, err
		}
		if run.LBA != next || run.Count < 1 || run.Count > sectors-next {
			return nil, fmt.Errorf("%q doesn't follow on sector %d", line, next)
		}
		m.fill(next, next+run.Count, pack(run.State, run.Tries, m.sense(run.Sense)))
		next += run.Count
	}
	return nil, errors.New("it is cut short")
}

func field(s *bufio.Scanner, name string) (string, bool) {
	if !s.Scan() {
		return "", false
	}
	return strings.CutPrefix(s.Text(), name)
}

// number reads what WriteTo writes: no sign, no leading zeros.
func number(s string) (int64, error) {
	n, err := strconv.ParseUint(s, 10, 32)
	if err != nil || strconv.FormatUint(n, 10) != s {
		return 0, fmt.Errorf("number %q", s)
	}
	return int64(n), nil
}

func parseRun(line string) (Run, error) {
	bad := fmt.Errorf("row %q", line)
	part := strings.Split(line, " ")
	at, count, ok := strings.Cut(part[0], "+")
	if !ok || len(part) < 2 || len(part) > 4 {
		return Run{}, bad
	}
	var r Run
	var err1, err2 error
	r.LBA, err1 = number(at)
	r.Count, err2 = number(count)
	state := slices.Index(stateNames, part[1])
	if err1 != nil || err2 != nil || state < 0 {
		return Run{}, bad
	}
	r.State = State(state)
	if len(part) > 2 {
		n, err := number(part[2])
		if err != nil || n > MaxTries {
			return Run{}, bad
		}
		r.Tries = int(n)
	}
	if len(part) > 3 {
		var k, a, q uint8
		if n, err := fmt.Sscanf(part[3], "%x/%x/%x", &k, &a, &q); n != 3 || err != nil || k > 15 {
			return Run{}, bad
		}
		r.Sense = scsi.Sense{Key: scsi.Key(k), ASC: a, ASCQ: q}
		if r.Sense.Code() != part[3] {
			return Run{}, bad
		}
	}
	tried := r.State != Untried && r.State != Outside
	if tried != (r.Tries > 0) || !tried && len(part) > 2 || len(part) > 3 && r.Sense == (scsi.Sense{}) || (r.State == Read || r.State == ReadTwice) && r.Sense != (scsi.Sense{}) {
		return Run{}, bad
	}
	return r, nil
}
