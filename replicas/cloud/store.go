package cloud

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
)

// Options of a Store. Folder and Now are needed; for the rest zero will do.
type Options struct {
	Folder  string           // id of the folder that holds one sub-folder a set, named like the set
	Now     func() time.Time // the clock: how old a listing is
	Sleep   func(context.Context, time.Duration) error
	Retry   Retry         // when calls are repeated
	Timeout time.Duration // for one call that isn't a read of bytes; 0 is a minute
	Stall   time.Duration // a read that gives no byte for so long is broken off and taken up again; 0 is 30 seconds
	Fresh   time.Duration // so old a listing still says where a file lies; 0 is an hour
	Batch   int           // folders asked for in one call where a drive can't be listed as one; 0 is 40
	// Again is told of each call that will be made again after a while, with why; may be nil.
	Again func(error)
	// Place says what is known of a place in a set, for things that have one name in one
	// folder; nil: nothing is. A folder's path ends in a slash. It may not call the Store.
	Place func(ctx context.Context, set, path string) (Expected, error)
}

// Store is a folder that a service keeps. It may be used by several goroutines at
// once; while it is listed, others wait for that listing.
//
// A listing is of the whole folder, all sets, and is kept. It serves each call of
// Shards and of List once: who asks a second time for the same wants to know what
// is there now, and gets a new one. So an audit that asks for the shards, and then
// for each of them, lists the folder once.
type Store struct {
	service Service
	o       Options
	lock    chan struct{}     // held by whoever reads or writes what follows
	cur     *listing          // nil: to be made
	last    *listing          // the last complete one, also when cur is nil
	known   map[string]string // ids of what earlier listings showed at "set/path" and later ones don't
}

// New makes a Store. Nothing is asked of the service before a method is called.
func New(service Service, o Options) (*Store, error) {
	switch {
	case service == nil:
		return nil, errors.New("cloud: no service")
	case o.Folder == "":
		return nil, errors.New("cloud: no folder")
	case o.Now == nil:
		return nil, errors.New("cloud: no clock")
	}
	if o.Sleep == nil {
		o.Sleep = sleep
	}
	o.Retry = o.Retry.filled()
	for _, d := range []struct {
		at   *time.Duration
		fall time.Duration
	}{{&o.Timeout, time.Minute}, {&o.Stall, 30 * time.Second}, {&o.Fresh, time.Hour}} {
		if *d.at <= 0 {
			*d.at = d.fall
		}
	}
	if o.Batch <= 0 {
		o.Batch = 40
	}
	return &Store{service: service, o: o, lock: make(chan struct{}, 1)}, nil
}

// LeaveOut says that what lies at a path is litter.
type LeaveOut func(path string, isDir bool) bool

// Set is the root of a set: the sub-folder with its name. leaveOut may be nil.
// Whether it is there is found by each call.
func (s *Store) Set(name string, leaveOut LeaveOut) *Folder {
	return &Folder{s: s, set: name, leaveOut: leaveOut}
}

// Refresh lists the folder anew, for the calls of Shards and List that follow. It
// may take minutes, in which a List that had to do it would yield nothing. It
// fails like List.
func (s *Store) Refresh(ctx context.Context) error {
	if err := s.hold(ctx); err != nil {
		return err
	}
	defer s.release()
	_, err := s.relist(ctx)
	return err
}

func (s *Store) hold(ctx context.Context) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	select {
	case s.lock <- struct{}{}:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

func (s *Store) release() { <-s.lock }

// listing is one that has not served use yet; "" takes any that is fresh.
func (s *Store) listing(ctx context.Context, use string) (*listing, error) {
	if err := s.hold(ctx); err != nil {
		return nil, err
	}
	defer s.release()
	l := s.cur
	if l == nil || l.served[use] || s.o.Now().Sub(l.at) > s.o.Fresh {
		var err error
		if l, err = s.relist(ctx); err != nil {
			return nil, err
		}
	}
	if use != "" {
		l.served[use] = true
	}
	return l, nil
}

// root is the configured folder as it is now. What is wrong with it is an error
// that wraps fixity.ErrAway.
func (s *Store) root(ctx context.Context) (Item, error) {
	var it Item
	err := s.try(ctx, func(ctx context.Context) (err error) {
		it, err = s.service.Get(ctx, s.o.Folder)
		return err
	})
	switch {
	case classOf(err) == NotVisible:
		return it, fmt.Errorf("%w: folder %q can't be seen: this account may not read it, or there is no such folder: %w", fixity.ErrAway, s.o.Folder, err)
	case classOf(err) == Later && !errors.Is(err, fixity.ErrAway):
		return it, fmt.Errorf("%w: folder %q: %w", fixity.ErrAway, s.o.Folder, err)
	case err != nil:
		return it, fmt.Errorf("folder %q: %w", s.o.Folder, err)
	case it.Kind != Dir:
		return it, fmt.Errorf("%w: %q is no folder but a file named %q", fixity.ErrAway, s.o.Folder, it.Name)
	case it.InBin:
		return it, fmt.Errorf("%w: the folder %q (%s) lies in the bin", fixity.ErrAway, it.Name, s.o.Folder)
	case it.Closed:
		return it, fmt.Errorf("%w: what lies in the folder %q (%s) is not shown to this account", fixity.ErrAway, it.Name, s.o.Folder)
	}
	return it, nil
}
