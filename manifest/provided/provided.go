package provided

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"path"
	"runtime"
	"strings"

	"firmus/fixity"
	"firmus/manifest"
	"firmus/manifest/bag"
)

// Sum is what one line of a list says of a file that lies there.
type Sum struct {
	Path   string // of the file, as the listing shows it, relative to the first-level folder
	Digest fixity.Digest
	List   string // the list's path, relative to the first-level folder
	Line   int    // counted from 1
}

// Read yields what lists say of the files of a first-level folder of f, shard as
// Folder.Shards names it ("" is f's own files), in the order of the paths. A
// file that two lists name comes twice. Files are not read, lists are: all files
// named manifest-<alg>.txt, in a bag tagmanifest-<alg>.txt too, and those named as
// checksum programs' lists are (a.wav.md5, SHA256SUMS, checksums.txt), in the
// folder and below. Paths in a list are relative to the folder it lies in.
//
// What can't be made use of is told in warn, never an error: lines that can't be
// read, paths that lead out (they are never opened), files that aren't there, the
// form of lists that RFC 8493 doesn't know, lists that name what lies there over and over,
// of which no line is believed. Paths in warnings are relative to f. An error, which is the last, says that
// a list or the listing couldn't be read to its end.
func Read(ctx context.Context, f manifest.Folder, shard string, warn *manifest.Warnings) iter.Seq2[Sum, error] {
	return func(yield func(Sum, error) bool) {
		s := &seeking{f: f, warn: warn, prefix: ""}
		if shard != "" {
			s.prefix = shard + "/"
		}
		if err := s.lists(ctx, shard); err != nil {
			yield(Sum{}, err)
			return
		}
		if len(s.found) == 0 {
			return
		}
		if err := s.check(ctx, shard, func(v Sum) bool { return yield(v, nil) }); err != nil && !errors.Is(err, errStopped) {
			yield(Sum{}, err)
		}
	}
}

var errStopped = errors.New("stopped")

type seeking struct {
	f      manifest.Folder
	warn   *manifest.Warnings
	prefix string // of the shard's paths in the folder, with its slash
	found  []found
	names  manifest.Names // what lies in the shard
}

// found is a list that lies in the shard.
type found struct {
	entry fixity.Entry
	kind  what
	alg   fixity.Algorithm
	decl  *bag.Declaration // of the bag that the list is a manifest of
}

func (s *seeking) name(p string) string { return strings.TrimPrefix(p, s.prefix) }

// lists finds the lists and the bags they belong to.
func (s *seeking) lists(ctx context.Context, shard string) error {
	var all []found
	bags := map[string]*bag.Declaration{}
	for e, err := range s.f.List(ctx, shard) {
		if err != nil {
			return err
		}
		s.names.Add(e)
		if e.Type != fixity.File {
			continue
		}
		dir, base := path.Split(e.Path)
		if base == "bagit.txt" {
			d, err := s.declaration(ctx, e)
			if err != nil {
				return err
			}
			bags[dir] = d
			continue
		}
		if kind, alg := listed(base); kind != none {
			all = append(all, found{entry: e, kind: kind, alg: alg})
		}
	}
	for _, l := range all {
		dir, _ := path.Split(l.entry.Path)
		d, inBag := bags[dir]
		if l.kind == tags && !inBag {
			continue
		}
		if inBag && l.kind != list {
			if d == nil {
				s.warn.Add(manifest.Warning{Reason: manifest.OutOfReach, File: l.entry.Path, Detail: "the bag's bagit.txt can't be made use of"})
				continue
			}
			l.decl = d
		}
		s.found = append(s.found, l)
	}
	return nil
}

// declaration is nil if the bag's version or encoding isn't known.
func (s *seeking) declaration(ctx context.Context, e fixity.Entry) (*bag.Declaration, error) {
	r, err := s.f.Open(ctx, e, 0)
	if err == nil {
		defer r.Close()
		var d bag.Declaration
		var problem *manifest.Problem
		if d, problem, err = bag.ReadDeclaration(r); err == nil {
			_, err := d.Text(strings.NewReader(""))
			if err != nil || problem != nil && problem.Kind == manifest.Version {
				return nil, nil
			}
			return &d, nil
		}
	}
	if errors.Is(err, fixity.ErrUnreadable) && !errors.Is(err, fixity.ErrAway) {
		return nil, nil
	}
	return nil, err
}

// check compares the lists with what lies in the shard.
func (s *seeking) check(ctx context.Context, shard string, yield func(Sum) bool) error {
	var lists []manifest.List
	for _, l := range s.found {
		lists = append(lists, manifest.List{Name: l.entry.Path, Algorithm: l.alg, Lines: s.lines(ctx, l)})
	}
	var res manifest.Result
	err := manifest.Check(ctx, s.f, lists, manifest.Rules{
		Shards:   []string{shard},
		Unlisted: func(string) {},
		Told: func(e fixity.Entry, list string, l manifest.Line) error {
			if !yield(Sum{Path: s.name(e.Path), Digest: l.Digest, List: s.name(list), Line: l.Number}) {
				return errStopped
			}
			return nil
		},
	}, &res, s.warn)
	if err != nil {
		return err
	}
	for _, p := range res.Problems {
		s.tell(p)
	}
	return nil
}

// tell makes a warning of what would be a problem were the list a manifest of ours.
func (s *seeking) tell(p manifest.Problem) {
	w := manifest.Warning{Reason: manifest.NotThere, Line: p.Line, Path: p.Path, Detail: p.Detail}
	if len(p.Lists) > 0 {
		w.File = p.Lists[0]
	}
	switch p.Kind {
	case manifest.BadLine:
		w.Reason, w.Path = manifest.NotALine, ""
	case manifest.Outside:
		w.Reason = manifest.LeadsOut
	case manifest.Unreadable:
		w.Reason, w.Path = manifest.OutOfReach, ""
	case manifest.ListedTwice:
		w.Reason = manifest.NamedTwice
	case manifest.Link, manifest.Special, manifest.Online:
		w.Reason = manifest.NotFollowed
	}
	s.warn.Add(w)
}

// lines reads a list, each time anew, with paths relative to the set's root.
func (s *seeking) lines(ctx context.Context, l found) func() iter.Seq2[manifest.Line, error] {
	dir, base := path.Split(l.entry.Path)
	told := false
	return func() iter.Seq2[manifest.Line, error] {
		first := !told
		told = true
		return func(yield func(manifest.Line, error) bool) {
			r, err := s.f.Open(ctx, l.entry, 0)
			if err != nil {
				yield(manifest.Line{}, err)
				return
			}
			defer r.Close()
			o := manifest.ReadOptions{Algorithm: l.alg, Rule: manifest.ListRule}
			if l.kind == folder {
				o.Rule = manifest.FolderRule
			}
			text := io.Reader(r)
			if l.decl != nil {
				o.Rule = l.decl.Rule()
				if text, err = l.decl.Text(r); err != nil {
					yield(manifest.Line{}, fmt.Errorf("read %q: %w", l.entry.Path, err))
					return
				}
			}
			if first {
				o.Warn = func(why manifest.Reason, line int) {
					s.warn.Add(manifest.Warning{Reason: why, File: l.entry.Path, Line: line})
				}
			}
			passed := 0
			for line, err := range manifest.Read(text, o) {
				if err == nil {
					line, err = s.place(line, dir, base, first)
				}
				var bad *manifest.LineError
				switch {
				case err == nil && line.Path == "": // told by place
					continue
				case errors.As(err, &bad):
					if first {
						s.warn.Add(manifest.Warning{Reason: manifest.NotALine, File: l.entry.Path, Line: bad.Line, Detail: bad.Detail})
					}
					continue
				case err == nil && !s.names.May(line):
					// A list of a whole archive beside one reel: its lines are passed by, not kept.
					if first {
						s.warn.Add(manifest.Warning{Reason: manifest.NotThere, File: l.entry.Path, Line: line.Number, Path: line.Path})
					}
					continue
				}
				if passed++; err == nil && passed > s.most() {
					err = fmt.Errorf("%w: it names what lies here more than %s times, which has %s", fixity.ErrUnreadable, fixity.Number(int64(s.most())), fixity.Count(int64(s.names.Len()), "name"))
				}
				if !yield(line, err) || err != nil {
					return
				}
			}
		}
	}
}

// most is how many lines of a list may name something that lies there. A list has a line
// for each algorithm, and perhaps some twice; a list that goes on for millions is of no
// use, and is to fill no memory.
func (s *seeking) most() int { return 1000 + 32*s.names.Len() }

// place makes a line's paths relative to the set's root. A path that leads out of
// the list's own folder is told and its line is given without one.
func (s *seeking) place(l manifest.Line, dir, base string, first bool) (manifest.Line, error) {
	if l.Path == "" {
		if l.Path = owner(base); l.Path == "" {
			return l, &manifest.LineError{Line: l.Number, Detail: "it names no file"}
		}
	}
	if why, always := manifest.Leaves(l.Path, runtime.GOOS); always {
		if first {
			s.warn.Add(manifest.Warning{Reason: manifest.LeadsOut, File: dir + base, Line: l.Number, Path: l.Path, Detail: why})
		}
		l.Path = ""
		return l, nil
	}
	l.Path = dir + l.Path
	var others []manifest.Interpretation
	for _, r := range l.Others {
		if _, always := manifest.Leaves(r.Path, runtime.GOOS); !always {
			others = append(others, manifest.Interpretation{Path: dir + r.Path, Reasons: r.Reasons})
		}
	}
	l.Others = others
	return l, nil
}
