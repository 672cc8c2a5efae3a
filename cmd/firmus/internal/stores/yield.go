package stores

import (
	"context"
	"sync"
	"time"

	"firmus/fixity"
)

// Traffic is what went to and from a drive since the machine started, in bytes: all of it,
// and what this process asked for of any drive. ok is false where the system doesn't count
// that.
type Traffic func(drive string) (all, ours int64, ok bool)

// yield makes the reading of a use give way to other programs that use its drive. What they
// read and write is all that the drive did without what we asked for. While it is more than
// notMuch, each piece that we read is followed by a pause of many times as long: one who
// reads in order keeps more than nine tenths of the drive's time, also where a spindle's head
// goes to and fro between the two.
type yield struct {
	drive   string
	traffic Traffic
	turns   *Turns

	mu     sync.Mutex
	looked time.Time // last, by the machine's clock
	blind  bool      // the system counts nothing
	at     time.Time // since when it is counted what they do
	all    int64     // then
	ours   int64
	others bool          // they use it
	owed   time.Duration // of waiting
	waited time.Duration // in all
}

const (
	notMuch   = 4 << 20  // bytes a second: music that is played takes less
	certainly = 16 << 20 // bytes: more than several readers of ours may have asked for and not got
	lookEvery = 50 * time.Millisecond
	lookLong  = time.Second // at what isn't certain
	tooLong   = 5 * time.Second
	times     = 12                    // as long as a piece took is waited
	pauseMin  = 20 * time.Millisecond // pieces of short files wait together
	pauseMax  = 2 * time.Second
	enough    = 2 * time.Hour   // that a use gives way for in all: a drive that is never idle is read all the same
	felt      = 5 * time.Second // waited in all: who waits for the end is told why it takes longer
)

// read says how long to wait after a piece that took so long, and once that it is to be told.
func (y *yield) read(now time.Time, took time.Duration) (wait time.Duration, tell bool) {
	if y == nil {
		return 0, false
	}
	y.mu.Lock()
	defer y.mu.Unlock()
	if y.blind || y.waited >= enough {
		return 0, false
	}
	if now.Sub(y.looked) >= lookEvery {
		y.look(now)
	}
	if !y.others {
		return 0, false
	}
	if y.owed += times * took; y.owed < pauseMin {
		return 0, false
	}
	wait = min(y.owed, pauseMax)
	y.owed = 0
	tell = y.waited < felt && y.waited+wait >= felt
	y.waited += wait
	return wait, tell
}

// carried are the pauses that slices of audits have given a drive.
type carried struct {
	waited time.Duration
	at     time.Time
}

// forgotten is after how long without a slice a drive is given way to anew.
const forgotten = time.Hour

// carries lets a slice go on where the last one on its drive was: a file that is cut off by
// pauses again and again would never be read. done is called at the slice's end.
func (t *Turns) carries(y *yield) (done func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if x := t.gaveWay[y.drive]; time.Since(x.at) < forgotten {
		y.waited = x.waited
	}
	return func() {
		y.mu.Lock()
		x := carried{y.waited, time.Now()}
		y.mu.Unlock()
		t.mu.Lock()
		defer t.mu.Unlock()
		if t.gaveWay == nil {
			t.gaveWay = map[string]carried{}
		}
		t.gaveWay[y.drive] = x
	}
}

// look finds out whether others use the drive.
func (y *yield) look(now time.Time) {
	y.looked = now
	all, ours, ok := y.traffic(y.drive)
	if !ok {
		y.blind, y.others = true, false
		return
	}
	ours -= y.turns.elsewhere(y.drive)
	foreign, since := all-y.all-(ours-y.ours), now.Sub(y.at)
	switch {
	case y.at.IsZero() || since > tooLong: // nothing was read meanwhile
		foreign = 0
	case !y.others && foreign < certainly && since < lookLong:
		return
	}
	y.others = foreign > 0 && foreign >= int64(notMuch*since.Seconds())
	y.at, y.all, y.ours = now, all, ours
}

// countsElsewhere notes what was read of a drive, and not of memory.
func (t *Turns) countsElsewhere(drive string, n int64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.read == nil {
		t.read = map[string]int64{}
	}
	t.read[drive] += n
}

// elsewhere is how much was read of other drives.
func (t *Turns) elsewhere(drive string) (n int64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for d, x := range t.read {
		if d != drive {
			n += x
		}
	}
	return n
}

// yields waits after a piece while others use the drive, and says so once in a use.
func (u *Used) yields(ctx context.Context, n int64, took time.Duration, c fixity.Cache) {
	if c != fixity.Allowed {
		u.s.turns().countsElsewhere(u.Drive(), n)
	}
	wait, tell := u.yield.read(time.Now(), took)
	if tell {
		u.s.say("store %s is read slowly for now: other programs use its drive, and go first for up to %.0f hours in all", u.Rule.Name, enough.Hours())
	}
	pause(ctx, wait)
}
