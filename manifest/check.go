package manifest

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"runtime"

	"firmus/fixity"
)

// List is one text that says which files there should be.
type List struct {
	Name      string           // its file name in the folder
	Algorithm fixity.Algorithm // of its digests; "" if its lines tell it, or it has none
	NoDigests bool             // it only names files
	// Lines yields its lines, each call from the beginning, as Read does. It is
	// called several times.
	Lines func() iter.Seq2[Line, error]
	// Bad is the kind of problem that a line is that can't be read; "" is BadLine.
	Bad Kind
}

// Rules say how a folder and its lists are compared.
type Rules struct {
	Shards []string // parts of the folder that are listed, as Folder.Shards names them
	// Ours says that a file needs to be in no list. It is only asked about files
	// that are in none.
	Ours func(path string) bool
	// Strict is for bags: a link, special file or placeholder that no list names
	// is a problem, and a listing that leaves anything out is no complete one.
	Strict bool
	// EveryList asks that every file that lies there is in every list with digests.
	EveryList bool
	// OwnManifests passes over unlisted files below a folder with a manifest of its own.
	OwnManifests bool
	// TwiceIsWarning makes a second line of a list for a file, with the same digest,
	// a warning and no problem.
	TwiceIsWarning bool
	// Unlisted, if set, is told the files that no list names, which are no problem then.
	Unlisted func(path string)
	// System is Go's name of the system whose rules for paths hold; "" is this one.
	System string
	// Told, if set, is given each listed file that lies there, with the list's name
	// and line, and no file is read. What isn't there is told as ever.
	Told func(e fixity.Entry, list string, l Line) error
	// Progress, if set, is told each file and the bytes of it that were just read.
	Progress func(path string, bytes int64)
}

// maxErrors is how many errors of single files an error names.
const maxErrors = 10

// Check compares what lies in f with lists and reads each listed file once, in
// the order of the paths. Problems, warnings and counts are added to res;
// Conclude is left to the caller. The Problems name in Lists who says so.
//
// With an error not all could be listed or read for another reason than the
// medium's, and res holds what was found all the same: never missing or
// unexpected files then if the listing was incomplete. The error wraps what kept
// it: fixity.ErrIncomplete, ErrAway, ErrDenied, ErrChanged, ErrVanished, ErrInUse
// or the cause of ctx.
//
// Memory grows with the number of problems. A list that isn't in the order of
// its paths' bytes is held in memory and sorted, some 250 bytes a line.
func Check(ctx context.Context, f Folder, lists []List, rules Rules, res *Result, warn *Warnings) error {
	if rules.System == "" {
		rules.System = runtime.GOOS
	}
	c := &check{f: f, rules: rules, res: res, warn: warn, partial: map[string][]*list{}, others: map[string]fixity.Entry{}, covered: map[string]int{}}
	if err := c.inspectAll(ctx, lists); err != nil {
		return err
	}
	if err := c.first(ctx); err != nil {
		return err
	}
	if c.incomplete == nil {
		if err := c.resolve(ctx); err != nil {
			return err
		}
	}
	return c.trouble()
}

type check struct {
	f     Folder
	rules Rules
	res   *Result
	warn  *Warnings

	lists  []*list
	unread bool // a list couldn't be read: what it names isn't known

	absent     []*absent
	unexpected []fixity.Entry
	partial    map[string][]*list      // file -> lists with digests that don't name it although others do
	others     map[string]fixity.Entry // what lies there and is no file
	silent     []fixity.Entry          // those of them that no list names
	covered    map[string]int          // folder with a manifest of its own -> unlisted files below it
	coveredIn  string                  // the one we are in, with a slash behind it
	incomplete error
	errs       []error
	more       int
}

// list is a List that has been looked through.
type list struct {
	List
	lines func() iter.Seq2[Line, error] // in the order of paths, only lines that can be judged
}

// absent is a path that is listed and that no entry has.
type absent struct {
	path  string
	wants []want
	found *candidate
	dir   bool   // a folder lies there
	other string // a file that the same list names, which this line can be read as too
	// agrees says that the list gives both the same digest.
	agrees bool
}

// want is what one list says of one path.
type want struct {
	list *list
	line Line
}

// failed keeps the error of one file, which ends nothing but that file's judgement.
func (c *check) failed(err error) {
	if len(c.errs) < maxErrors {
		c.errs = append(c.errs, err)
	} else {
		c.more++
	}
}

func (c *check) trouble() error {
	errs := c.errs
	if c.incomplete != nil {
		errs = append([]error{c.incomplete}, errs...)
	}
	if c.more > 0 {
		errs = append(errs, fmt.Errorf("and %d more", c.more))
	}
	return errors.Join(errs...)
}

func (c *check) problem(p Problem) { c.res.Problems = append(c.res.Problems, p) }

// stops says that err ends the whole check and not one file's judgement.
func stops(ctx context.Context, err error) bool {
	return ctx.Err() != nil || errors.Is(err, fixity.ErrAway)
}

// incomplete wraps why a listing didn't see everything.
func incomplete(err error) error {
	if errors.Is(err, fixity.ErrIncomplete) {
		return err
	}
	return fmt.Errorf("%w: %w", fixity.ErrIncomplete, err)
}
