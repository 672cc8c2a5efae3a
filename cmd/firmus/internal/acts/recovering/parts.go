package recovering

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
	"firmus/fixity/repair"
)

// partsFor is how long what a disc gave is kept, so that another one can give the rest.
const partsFor = 7 * 24 * time.Hour

// part is what a disc gave of a version's file. It is kept in the state folder until the
// file is put right, or for a week: the drive takes one disc after the other. It proves
// nothing: what is put together of it must have the version's digest.
type part struct {
	Disc    string         `json:"disc"`
	File    int64          `json:"file"`
	Version int64          `json:"version"`
	Size    int64          `json:"size"`
	Lacks   []fixity.Range `json:"lacks"` // bytes that it didn't give
	At      time.Time      `json:"at"`

	file string
}

func (a Acts) partsFolder() string { return filepath.Join(a.Ledger.State(), "gathered") }

// told is the ending of the file that says what a part is. It comes last: without it the
// part's bytes are what a kill left.
const told = ".json"

// parts are those that are kept and not too old.
func (a Acts) parts() (out []part, err error) {
	names, err := os.ReadDir(a.partsFolder())
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	for _, n := range names {
		path := filepath.Join(a.partsFolder(), n.Name())
		if !strings.HasSuffix(path, told) {
			continue
		}
		var p part
		b, err := os.ReadFile(path)
		if err != nil || json.Unmarshal(b, &p) != nil || a.Now().Sub(p.At).Abs() > partsFor {
			continue
		}
		p.file = strings.TrimSuffix(path, told)
		if st, err := os.Stat(p.file); err == nil && st.Size() == p.Size {
			out = append(out, p)
		}
	}
	return out, nil
}

// sweepParts removes what is too old, and what a kill left. Nobody else gathers just now.
func (a Acts) sweepParts() {
	kept, err := a.parts()
	if err != nil {
		return
	}
	names, _ := os.ReadDir(a.partsFolder()) // what isn't seen is left for the next time
	for _, n := range names {
		path := filepath.Join(a.partsFolder(), n.Name())
		if !slices.ContainsFunc(kept, func(p part) bool { return path == p.file || path == p.file+told }) {
			_ = os.Remove(path)
		}
	}
}

// partsOf are those of a file's present version.
func partsOf(all []part, f ledger.File) (out []part) {
	for _, p := range all {
		if p.File == f.ID && p.Version == f.Version {
			out = append(out, p)
		}
	}
	return out
}

// of is a part as it is joined with others.
func (p part) of(f *os.File) repair.Part {
	lack := func(off int64) (r fixity.Range, ok bool) {
		for _, r := range p.Lacks {
			if r.Offset+r.Length > off {
				return r, true
			}
		}
		return r, false
	}
	return repair.Part{
		Open: func(_ context.Context, off int64) (io.ReadCloser, error) {
			end := p.Size
			if r, ok := lack(off); ok {
				end = max(off, r.Offset)
			}
			return io.NopCloser(io.NewSectionReader(f, off, end-off)), nil
		},
		Next: func(off int64) int64 {
			if r, ok := lack(off); ok {
				return r.Offset + r.Length
			}
			return p.Size
		},
	}
}

// givers are the discs that gave parts of a file.
func (x *Item) givers() string {
	var out []string
	for _, p := range x.parts {
		out = append(out, p.Disc)
	}
	return fixity.And(out)
}

// forget removes what discs gave of a file that is in its place.
func (x *Item) forget() {
	for _, p := range x.parts {
		_ = os.Remove(p.file + told) // what can't be removed is, once it is old
		_ = os.Remove(p.file)
	}
}

// roomInState refuses what needs so many bytes in the state folder, if they aren't free.
func (a Acts) roomInState(bytes int64, what string) error {
	if a.Free == nil {
		return nil
	}
	dir := a.Ledger.State()
	free := a.Free(dir)
	if free < 0 || free >= bytes+roomLeft {
		return nil
	}
	return fmt.Errorf("there is no room in the state folder %s for %s: %s are free, and %s are needed. Make room there, and say the same again: %w",
		dir, what, report.Size(free), report.Size(bytes+roomLeft), fixity.ErrRefused)
}

// gather has the disc that an order names give what it holds of the items. What it gave is
// kept until they are put right.
func (a Acts) gather(ctx context.Context, o Order, res *Result) error {
	if res.disc == "" {
		return nil
	}
	var files []int64
	items := map[int64]*Item{} // the first, by the file that the disc holds
	needs := map[int64]int64{} // bytes by the file that is put right: each keeps a part of its own
	for i := range res.Items {
		x := &res.Items[i]
		if x.State != Planned || x.Way == repair.MoveBack {
			continue
		}
		needs[x.seen.File.ID] = x.version.Size
		if items[x.onDisc] == nil {
			files, items[x.onDisc] = append(files, x.onDisc), x
		}
	}
	if len(files) == 0 {
		return nil
	}
	free, err := a.Lock(ctx, "gather")
	var held *ledger.LockedError
	if errors.As(err, &held) {
		return fmt.Errorf("%s has a disc read for a recovery: %w", held.Holder, fixity.ErrBusy)
	}
	if err != nil {
		return err
	}
	defer free()
	if err := private.MkdirAll(a.partsFolder()); err != nil {
		return err
	}
	a.sweepParts()
	var bytes int64
	for _, n := range needs {
		bytes += n
	}
	if err := a.roomInState(bytes, fmt.Sprintf("what %s gives of %s", res.disc, fixity.Count(len(files), "file"))); err != nil {
		return err
	}
	opened := map[int64]*os.File{}
	defer func() {
		for _, f := range opened {
			f.Close()
			os.Remove(f.Name()) // one that is kept has another name
		}
	}()
	got, err := a.Carriers.Gather(ctx, archive.Carrier{Name: res.disc, Drive: o.Drive, Image: o.Image, Progress: o.Progress}, files, func(file int64) (io.WriterAt, error) {
		f, err := os.CreateTemp(a.partsFolder(), "new-*")
		if err == nil {
			opened[file] = f
			err = f.Truncate(items[file].version.Size)
		}
		return f, err
	})
	if err != nil {
		return fmt.Errorf("%s: %w", res.disc, err)
	}
	for i, g := range got {
		x := items[files[i]]
		if g.Found {
			p := part{Disc: res.disc, Size: x.version.Size, Lacks: g.Lacks, At: a.Now()}
			if err := a.keepFor(res.Items, files[i], p, opened[files[i]]); err != nil {
				return fmt.Errorf("what %s gave could not be kept: %w", res.disc, err)
			}
			if g.Unread > 0 {
				n := lacking(g.Lacks)
				a.Sayf("%s gave %s of %s, but not %s. Check the disc afterwards: %s", res.disc, report.Size(p.Size-n), x.Path, report.Size(n), a.Words.To(report.Order{Act: report.CheckDisc, Disc: res.disc}))
			}
		}
		for k := range res.Items {
			if y := &res.Items[k]; y.onDisc == files[i] && y.State == Planned && !g.Found {
				y.State, y.Why = NoDonor, g.Why
			}
		}
	}
	all, err := a.parts()
	if err != nil {
		return err
	}
	for i := range res.Items {
		x := &res.Items[i]
		x.parts, x.named = partsOf(all, x.seen.File), res.disc
	}
	return nil
}

func lacking(rs []fixity.Range) (n int64) {
	for _, r := range rs {
		n += r.Length
	}
	return n
}

// keepFor keeps what a disc gave of a file that it holds, for each planned item that has the
// bytes from there: for files with the same bytes each its own, which goes once that is put
// right. What the disc gave of any of them before, perhaps in another drive, fills what it
// lacks now.
func (a Acts) keepFor(items []Item, onDisc int64, p part, f *os.File) error {
	var kept []part
	for i := range items {
		x := &items[i]
		if x.State != Planned || x.Way == repair.MoveBack || x.onDisc != onDisc {
			continue
		}
		for _, old := range x.parts {
			if old.Disc == p.Disc && old.Size == p.Size {
				if err := p.fill(f, old); err != nil {
					return err
				}
			}
		}
		p.File, p.Version = x.seen.File.ID, x.version.N
		if !slices.ContainsFunc(kept, func(k part) bool { return k.File == p.File && k.Version == p.Version }) {
			kept = append(kept, p)
		}
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	for i, k := range kept {
		k.Lacks = p.Lacks
		name := filepath.Join(a.partsFolder(), fmt.Sprintf("%d-%d-%x", k.File, k.Version, k.Disc))
		if err := a.keepPart(k, name, f.Name(), i == len(kept)-1); err != nil {
			return err
		}
	}
	return nil
}

// keepPart keeps bytes under a name, and what they are: those that lie at from, which the last
// of the parts takes with it. The others have a copy, since each is removed by itself.
func (a Acts) keepPart(p part, name, from string, last bool) error {
	text, err := json.Marshal(p)
	if err != nil {
		return err
	}
	if !last {
		if from, err = copied(from, a.partsFolder()); err != nil {
			return err
		}
	}
	_ = os.Remove(name + told) // it isn't of what comes now
	if err := os.Rename(from, name); err != nil {
		return err
	}
	if err := private.Flush(a.partsFolder()); err != nil {
		return err
	}
	return private.Replace(name+told, text)
}

// copied is a copy of a file, in a folder.
func copied(from, dir string) (string, error) {
	in, err := os.Open(from)
	if err != nil {
		return "", err
	}
	defer in.Close()
	out, err := os.CreateTemp(dir, "new-*")
	if err != nil {
		return "", err
	}
	_, err = io.Copy(out, in)
	if err = errors.Join(err, out.Sync(), out.Close()); err != nil {
		os.Remove(out.Name())
	}
	return out.Name(), err
}

// fill takes over what an earlier reading of the same disc gave.
func (p *part) fill(f *os.File, old part) error {
	in, err := os.Open(old.file)
	if err != nil {
		return nil // it is gone
	}
	defer in.Close()
	var lacks []fixity.Range
	for _, r := range p.Lacks {
		at := r.Offset
		for _, o := range append(old.Lacks, fixity.Range{Offset: p.Size}) {
			from, to := max(o.Offset, at), min(o.Offset+o.Length, r.Offset+r.Length)
			if o.Offset+o.Length <= at && o.Length > 0 {
				continue
			}
			// What lies before this lack is there.
			if end := min(from, r.Offset+r.Length); at < end {
				if _, err := io.Copy(io.NewOffsetWriter(f, at), io.NewSectionReader(in, at, end-at)); err != nil {
					return err
				}
				at = end
			}
			if from < to {
				lacks, at = append(lacks, fixity.Range{Offset: from, Length: to - from}), to
			}
		}
	}
	p.Lacks = lacks
	return nil
}
