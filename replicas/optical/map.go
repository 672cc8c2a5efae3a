package optical

import (
	"iter"
	"slices"

	"firmus/replicas/optical/scsi"
)

// MaxSectors is the most that a map holds: a double-layer BD has 24,438,784.
const MaxSectors = 25_000_000

// State is how the reading of a sector ended. The words of String are stored: never
// change one.
type State uint8

// States of a sector.
const (
	Untried    State = iota // not yet read
	Outside                 // of no track: between sessions, or between data and sound
	Read                    // read, after Tries readings
	Failed                  // not read yet: the tries at the lowest speed are to come
	Doubtful                // sound that the drive gave and called doubtful, or gave otherwise each time
	Unreadable              // not read by any of Tries readings
	ReadTwice               // sound, of which two of Tries readings agreed
)

var stateNames = []string{"untried", "outside", "read", "failed", "doubtful", "unreadable", "read-twice"}

func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return "unknown"
}

// Run is a row of sectors of one state.
type Run struct {
	LBA, Count int64
	State      State
	Tries      int        // readings of each: 0 for Untried and Outside, else 1 to MaxTries
	Sense      scsi.Sense // of Failed, Doubtful and Unreadable: the last; without its Info
}

// Range is a row of sectors.
type Range struct {
	LBA   int64 `json:"lba"`
	Count int64 `json:"count"`
}

// MaxTries is the most tries that a map counts for a sector.
const MaxTries = 31

const (
	chunkSectors = 4096
	maxSenses    = 256
)

// cell is one sector: 3 bits state, 5 bits tries, 8 bits which sense.
type cell uint16

func pack(s State, tries, sense int) cell {
	return cell(s)<<13 | cell(min(max(tries, 0), MaxTries))<<8 | cell(sense)
}

func (c cell) state() State { return State(c >> 13) }
func (c cell) tries() int   { return int(c >> 8 & 31) }

// chunk is 4096 sectors: all alike, or each for itself.
type chunk struct {
	all  cell
	each []cell
}

// Map says of every sector of a disc how reading it ended. It takes at most 50 MB,
// and a few kB for a disc that reads well. It may be used by one goroutine at a time.
type Map struct {
	disc    string
	sectors int64
	twice   bool
	chunks  []chunk
	senses  []scsi.Sense // the first says nothing; beyond a full table nothing is said
	counts  [8]int64     // by state
	retried int64        // of Read and ReadTwice
}

// NewMap begins a map of a disc. It gives ErrTooLarge for more than MaxSectors.
func NewMap(c Contents) (*Map, error) {
	m, err := newMap(c.ID(), c.LeadOut)
	if err != nil {
		return nil, err
	}
	for _, a := range c.Areas() {
		m.fill(a.LBA, a.LBA+a.Count, pack(Untried, 0, 0))
	}
	m.compact()
	return m, nil
}

// newMap is one whose sectors are all Outside.
func newMap(disc string, sectors int64) (*Map, error) {
	if sectors < 0 || sectors > MaxSectors {
		return nil, ErrTooLarge
	}
	m := &Map{disc: disc, sectors: sectors, senses: []scsi.Sense{{}}}
	m.chunks = make([]chunk, (sectors+chunkSectors-1)/chunkSectors)
	for i := range m.chunks {
		m.chunks[i].all = pack(Outside, 0, 0)
	}
	m.counts[Outside] = sectors
	return m, nil
}

// Disc is the ID of the contents of the disc that it is a map of.
func (m *Map) Disc() string { return m.disc }

// Sectors is the number of sectors up to the lead-out, those outside of tracks too.
func (m *Map) Sectors() int64 { return m.sectors }

// Twice says that sound was, or is to be, read twice.
func (m *Map) Twice() bool { return m.twice }

func (m *Map) at(lba int64) cell {
	c := &m.chunks[lba/chunkSectors]
	if c.each == nil {
		return c.all
	}
	return c.each[lba%chunkSectors]
}

func (m *Map) put(lba int64, v cell) {
	c := &m.chunks[lba/chunkSectors]
	old := m.at(lba)
	if old == v {
		return
	}
	if c.each == nil {
		n := min(chunkSectors, m.sectors-lba/chunkSectors*chunkSectors)
		c.each = slices.Repeat([]cell{c.all}, int(n))
	}
	c.each[lba%chunkSectors] = v
	m.count(old, -1)
	m.count(v, 1)
}

// count adds n sectors of one kind to the sums.
func (m *Map) count(v cell, n int64) {
	m.counts[v.state()] += n
	if retried(v.state(), v.tries()) {
		m.retried += n
	}
}

// retried says that a sector needed more readings than it would have had anyhow.
func retried(s State, tries int) bool {
	return s == Read && tries > 1 || s == ReadTwice && tries > 2
}

// fill sets the sectors from and before to, whole chunks at once.
func (m *Map) fill(from, to int64, v cell) {
	for from < to {
		i := from / chunkSectors
		end := min(m.sectors, (i+1)*chunkSectors)
		if c := &m.chunks[i]; from == i*chunkSectors && to >= end && c.each == nil {
			m.count(c.all, from-end)
			m.count(v, end-from)
			c.all, from = v, end
			continue
		}
		m.put(from, v)
		from++
	}
}

// compact makes chunks that have become all alike small again.
func (m *Map) compact() {
	for i := range m.chunks {
		m.compactChunk(i)
	}
}

func (m *Map) compactChunk(i int) {
	c := &m.chunks[i]
	if c.each == nil {
		return
	}
	for _, v := range c.each {
		if v != c.each[0] {
			return
		}
	}
	c.all, c.each = c.each[0], nil
}

// set notes the end of reading one sector.
func (m *Map) set(lba int64, s State, tries int, sense scsi.Sense) {
	m.put(lba, pack(s, tries, m.sense(sense)))
	if lba%chunkSectors == chunkSectors-1 || lba == m.sectors-1 {
		m.compactChunk(int(lba / chunkSectors))
	}
}

// sense gives the number of a sense in the map's table.
func (m *Map) sense(s scsi.Sense) int {
	s.HasInfo, s.Info, s.Deferred = false, 0, false
	for i, o := range m.senses {
		if o == s {
			return i
		}
	}
	if len(m.senses) == maxSenses {
		return 0
	}
	m.senses = append(m.senses, s)
	return len(m.senses) - 1
}

// Runs gives all sectors in order, as few runs as say it.
func (m *Map) Runs() iter.Seq[Run] {
	return func(yield func(Run) bool) {
		if m.sectors == 0 {
			return
		}
		begin, cur := int64(0), m.at(0)
		run := func(end int64) Run {
			return Run{begin, end - begin, cur.state(), cur.tries(), m.senses[cur&0xFF]}
		}
		for i := int64(0); i < m.sectors; {
			c := m.chunks[i/chunkSectors]
			end := min(m.sectors, (i/chunkSectors+1)*chunkSectors)
			if c.each == nil {
				if c.all != cur {
					if i > begin && !yield(run(i)) {
						return
					}
					begin, cur = i, c.all
				}
				i = end
				continue
			}
			for ; i < end; i++ {
				if v := c.each[i%chunkSectors]; v != cur {
					if i > begin && !yield(run(i)) {
						return
					}
					begin, cur = i, v
				}
			}
		}
		yield(run(m.sectors))
	}
}

// MaxRanges is the most ranges that Ranges gives.
const MaxRanges = 1000

// Ranges gives the sectors that are in one of the states, at most MaxRanges of them,
// and whether there are more.
func (m *Map) Ranges(states ...State) (list []Range, more bool) {
	return m.ranges(func(r Run) bool { return slices.Contains(states, r.State) })
}

func (m *Map) ranges(of func(Run) bool) (list []Range, more bool) {
	for r := range m.Runs() {
		if !of(r) {
			continue
		}
		if n := len(list); n > 0 && list[n-1].LBA+list[n-1].Count == r.LBA {
			list[n-1].Count += r.Count
			continue
		}
		if len(list) == MaxRanges {
			return list, true
		}
		list = append(list, Range{r.LBA, r.Count})
	}
	return list, false
}

// Counts are a map's sectors by how reading them ended. Sectors counts those of
// tracks; the others add up to it.
type Counts struct {
	Sectors    int64
	AtOnce     int64 // read at the first try; twice without a difference where sound is read twice
	Retried    int64 // read, after more
	Doubtful   int64
	Unreadable int64
	Failed     int64 // not read, and not all tries done
	Untried    int64
}

// Counts adds the map up.
func (m *Map) Counts() Counts {
	c := Counts{
		Sectors:  m.sectors - m.counts[Outside],
		Doubtful: m.counts[Doubtful], Unreadable: m.counts[Unreadable], Failed: m.counts[Failed], Untried: m.counts[Untried],
	}
	c.AtOnce = m.counts[Read] + m.counts[ReadTwice] - m.retried
	c.Retried = m.retried
	return c
}

// Retried gives the sectors that were read after more than one try, as Ranges does.
func (m *Map) Retried() (list []Range, more bool) {
	return m.ranges(func(r Run) bool { return retried(r.State, r.Tries) })
}

// Done says that every sector has been read or given up.
func (m *Map) Done() bool {
	return m.counts[Untried] == 0 && m.counts[Failed] == 0
}
