package workbook

import (
	"context"
	"errors"
	"sync"
	"time"

	"firmus/replicas/named"
)

// patience is how long a file may keep a reader waiting for one answer. A share that is gone,
// or a drive that died, may never give one, and a call to the system can't be ended.
const patience = time.Minute

// errSilent says that a place gave no answer for too long.
var errSilent = errors.New("it has not answered for " + patience.String())

// silent are the places that a call was given up for and that the system still works on: none
// of them is asked once more meanwhile, or a night a call would be left behind.
var silent = struct {
	sync.Mutex
	at map[string]bool
}{at: map[string]bool{}}

// ask runs do, which may hang, and gives up with errSilent once the system has not answered
// for too long, or with the cause of ctx. do calls answered after each call to the system. What
// it does after that is for nobody.
func ask[T any](ctx context.Context, path string, do func(answered func()) (T, error)) (out T, err error) {
	silent.Lock()
	hangs := silent.at[path]
	silent.Unlock()
	if hangs {
		return out, errSilent
	}
	type result struct {
		out T
		err error
	}
	done, alive := make(chan result, 1), make(chan struct{}, 1)
	left := false // guarded by silent
	go func() {
		x, err := do(func() {
			select {
			case alive <- struct{}{}:
			default:
			}
		})
		silent.Lock()
		defer silent.Unlock()
		if done <- (result{x, err}); left {
			delete(silent.at, path)
		}
	}()
	timer := time.NewTimer(patience)
	defer timer.Stop()
	for {
		select {
		case r := <-done:
			return r.out, r.err
		case <-alive:
			timer.Reset(patience)
			continue
		case <-ctx.Done():
			err = context.Cause(ctx)
		case <-timer.C:
			err = errSilent
		}
		silent.Lock()
		defer silent.Unlock()
		if len(done) == 0 {
			left, silent.at[path] = true, true
		}
		return out, err
	}
}

// Small reads a file of some bytes whole, such as that of a password, as named.Read does.
func Small(ctx context.Context, path string, most int64) ([]byte, error) {
	return ask(ctx, path, func(func()) ([]byte, error) { return named.Read(path, most) })
}

// Sign is how a change of a file shows.
type Sign struct {
	Size int64
	At   time.Time
	Gone bool
}

// Look reads the sign of a file. One that can't be looked at, or that lies where no answer
// comes from, has a size of -1.
func Look(ctx context.Context, path string) Sign {
	s, err := ask(ctx, path, func(func()) (Sign, error) { return look(path), nil })
	if err != nil {
		return Sign{Size: -1}
	}
	return s
}
