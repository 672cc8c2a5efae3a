package receiving

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"slices"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
)

// Recognised is what is known of one file in a folder.
type Recognised struct {
	Path   string   `json:"path"`
	Exact  string   `json:"path_base64,omitempty"`
	State  string   `json:"state"` // held, earlier, unknown, unread
	Set    string   `json:"set,omitempty"`
	File   string   `json:"file,omitempty"`    // where it is under care
	Stores []string `json:"stores"`            // independent stores in which every byte of it was read and right
	SameAs string   `json:"same_as,omitempty"` // the store whose very file this is, under another name
	Detail string   `json:"detail,omitempty"`
	// Unfinished is the open finding that says that this isn't a whole recording; 0:
	// there is none.
	Unfinished int64 `json:"unfinished,omitempty"`
}

// Recognition is what is known of a folder.
type Recognition struct {
	Files    []Recognised `json:"files"`
	LeftOut  int          `json:"left_out"`
	MayErase bool         `json:"may_be_erased"`
	Because  string       `json:"because"`
	Complete bool         `json:"complete"`
}

// States of a recognised file. Shown in JSON: never change one.
const (
	Held        = "held"
	HeldEarlier = "earlier"
	NotKnown    = "unknown"
	NotRead     = "unread"
)

// safeStores is how many independent stores must have been read before a source may
// be erased.
const safeStores = 2

// Recognise reads every file in a folder and says, by its bytes, whether it is held.
// The folder may be erased only if all that is on it now was looked at, and each file's
// current version was read intact in two independent stores, by copies that are other
// files than those in the folder. None may be said to be unfinished: what it holds may
// be all that there is of the recording. A folder that is one of the copies, or their record,
// is refused before anything is read (fixity.ErrRefused).
func (e Acts) Recognise(ctx context.Context, dir string, from stores.Folder) (Recognition, error) {
	if err := e.Apart(ctx, dir); err != nil {
		return Recognition{Files: []Recognised{}}, err
	}
	out, err := e.recogniseAll(ctx, e.Stores().Outside(from, dir))
	if err != nil || !out.MayErase {
		return out, err
	}
	return out, e.sourceErasable(ctx, dir, len(out.Files))
}

func (e Acts) recogniseAll(ctx context.Context, from stores.Folder) (Recognition, error) {
	out := Recognition{Files: []Recognised{}, Complete: true}
	rules, err := e.RulesNow(ctx)
	if err != nil {
		return out, err
	}
	shards, err := from.Shards(ctx)
	if err != nil {
		return out, err
	}
	for _, shard := range shards {
		for x, err := range from.List(ctx, shard) {
			if err != nil {
				if context.Cause(ctx) != nil {
					return out, context.Cause(ctx)
				}
				out.Complete, out.Because = false, err.Error()
				break
			}
			if x.Type == fixity.LeftOut {
				if care.InTheMaking(x.Path) {
					out.Files = append(out.Files, inTheMaking(x))
				} else {
					out.LeftOut++
				}
				continue
			}
			f, err := e.recognise(ctx, rules, from, x)
			if err != nil {
				return out, err
			}
			out.Files = append(out.Files, f)
		}
	}
	out.judge()
	return out, nil
}

// inTheMaking is a file whose name says that a program is still writing it: every set
// leaves it out, so no store holds it, and it may be a recording.
func inTheMaking(x fixity.Entry) Recognised {
	r := Recognised{State: NotKnown, Stores: []string{}, Detail: "a name of a file in the making, which every set leaves out: no store holds it"}
	r.Path, r.Exact = displayed(x.Path)
	return r
}

func (e Acts) recognise(ctx context.Context, rules care.Rules, from audit.Store, x fixity.Entry) (Recognised, error) {
	r := Recognised{State: NotRead, Stores: []string{}}
	r.Path, r.Exact = displayed(x.Path)
	if x.Type != fixity.File {
		r.Detail = "no ordinary file: not opened"
		return r, nil
	}
	if e.Progress.File != nil {
		e.Progress.File(fixity.Shard{}, x.Path, x.Size)
	}
	f, err := from.Open(ctx, x, 0)
	var sums digest.Sums
	if err == nil {
		defer f.Close()
		sums, err = digest.Options{Algorithms: []fixity.Algorithm{fixity.BLAKE3}, Progress: e.Progress.Bytes}.Read(ctx, f)
	}
	if context.Cause(ctx) != nil {
		return r, context.Cause(ctx)
	}
	if err != nil {
		r.Detail = err.Error()
		return r, nil
	}
	d, _ := sums.Get(fixity.BLAKE3)
	var held []known
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { held, err = e.lookUp(t, d, &r); return err }); err != nil {
		return r, err
	}
	for i := range held {
		if held[i].copies, err = e.otherFiles(ctx, from, x.Path, held[i].copies, &r); err != nil {
			return r, err
		}
	}
	r.best(rules, held)
	return r, nil
}

// known is a file under care whose current version has the bytes, with the copies that
// were read as that.
type known struct {
	file   ledger.File
	copies []ledger.Copy
}

// lookUp finds what is known of bytes: which files hold them now, else of which they are
// an earlier version.
func (e Acts) lookUp(t *ledger.Tx, d fixity.Digest, r *Recognised) ([]known, error) {
	hs, err := t.Files.ByDigest(d)
	if err != nil {
		return nil, err
	}
	r.State = NotKnown
	var out []known
	for _, h := range hs {
		if !h.Current {
			if r.State == NotKnown {
				r.State, r.Set, r.File = HeldEarlier, h.File.Set, ledger.DisplayPath(h.File.Path)
				r.Detail = fmt.Sprintf("version %d of it", h.Version)
				now, err := t.Files.Version(h.File.ID, h.File.Version)
				if err != nil {
					return nil, err
				}
				if now.Outvoted {
					r.Detail += ", which the first reading gave; later readings gave other bytes. Keep this file"
				}
				if !h.File.Retired.IsZero() {
					r.Detail += "; it was retired"
				}
			}
			continue
		}
		copies, err := t.Copies.Of(h.File.ID)
		if err != nil {
			return nil, err
		}
		lacks, err := unfinished(t, h.File.ID)
		if err != nil {
			return nil, err
		}
		if lacks != 0 {
			r.Unfinished = lacks
		}
		k := known{file: h.File}
		for _, c := range copies {
			// A copy that has not followed a rename has the right bytes all the same.
			if care.HoldsVersion(c.State) && e.Rules.IsOf(c, h.File.Version) && c.Read.OK && c.Read.Cache != fixity.Allowed {
				k.copies = append(k.copies, c)
			}
		}
		out = append(out, k)
	}
	return out, nil
}

// otherFiles leaves out the copies that are the very file at path: a hard link, or a
// folder of a store by another way. Two names of one file are one copy.
func (e Acts) otherFiles(ctx context.Context, from any, path string, copies []ledger.Copy, r *Recognised) ([]ledger.Copy, error) {
	var out []ledger.Copy
	for _, c := range copies {
		if c.Carrier == 0 {
			root, err := e.Stores().Root(c.Store, c.Set, fixity.Bypassed)
			if err == nil {
				same, err := archive.SameFile(ctx, from, path, root, c.At)
				if err != nil {
					return nil, err
				}
				if same {
					r.SameAs = c.Store
					continue
				}
			}
		}
		out = append(out, c)
	}
	return out, nil
}

// best tells of the best kept of the files that hold the bytes.
func (r *Recognised) best(rules care.Rules, held []known) {
	for _, k := range held {
		read := []string{}
		for _, c := range k.copies {
			if !slices.Contains(read, c.Store) {
				read = append(read, c.Store)
			}
		}
		n := rules.CountIndependent(read)
		if r.State == Held && n <= rules.CountIndependent(r.Stores) {
			continue
		}
		r.State, r.Set, r.File, r.Stores, r.Detail = Held, k.file.Set, ledger.DisplayPath(k.file.Path), read, ""
		if n < safeStores {
			r.Detail = fmt.Sprintf("so far read intact in %d of %d independent stores", n, safeStores)
			if len(read) > n {
				r.Detail += "; stores that lie on one volume, or are kept in step, count as one"
			}
		}
	}
	if r.SameAs != "" && r.Detail != "" {
		r.Detail += "; it is the very file in " + r.SameAs + " under another name"
	}
	if r.Unfinished != 0 {
		r.Detail = fmt.Sprintf("not a whole recording (finding %d)", r.Unfinished)
	}
}

// unfinished is the number of the open finding that a file is unfinished, 0 if none is.
func unfinished(t *ledger.Tx, file int64) (int64, error) {
	f, err := t.Findings.UnfinishedOf(file)
	if errors.Is(err, fixity.ErrNotFound) || err == nil && !f.Open() {
		return 0, nil
	}
	return f.ID, err
}

func (r *Recognition) judge() {
	counts := map[string]int{}
	thin, bad := 0, 0
	for _, f := range r.Files {
		counts[f.State]++
		switch {
		case f.Unfinished != 0:
			bad++
		case f.State == Held && f.Detail != "":
			thin++
		}
	}
	switch {
	case !r.Complete:
		r.Because = "not all of the folder could be listed: " + r.Because
	case counts[NotRead] > 0:
		r.Because = fmt.Sprintf("%d of %d could not be read", counts[NotRead], len(r.Files))
	case counts[NotKnown] > 0:
		r.Because = someOf(counts[NotKnown], len(r.Files), "is not known", "are not known")
	case counts[HeldEarlier] > 0:
		r.Because = someOf(counts[HeldEarlier], len(r.Files), "is an earlier version", "are earlier versions") + ", which no store need hold any more"
	case bad > 0:
		r.Because = someOf(bad, len(r.Files), "is not a whole recording: keep this and the reel until it is transferred again", "are not whole recordings: keep this and the reel until they are transferred again")
	case thin > 0:
		r.Because = someOf(thin, len(r.Files), "has not been read intact in two independent stores yet", "have not been read intact in two independent stores yet")
	case len(r.Files) == 0:
		r.Because = "no file was found there"
	default:
		r.MayErase, r.Because = true, allOf(len(r.Files), "its only file was", "files were")+" read intact in two independent stores"
	}
}

// someOf says how many of the files are so; one is what is said of the only file.
func someOf(n, all int, one, many string) string {
	if all == 1 {
		return "its only file " + one
	}
	return fmt.Sprintf("%d of %d files %s", n, all, many)
}

// allOf says that all files are so; one is what is said of the only file.
func allOf(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return fmt.Sprintf("all %d %s", n, many)
}

func displayed(p string) (shown, exact string) {
	shown = ledger.DisplayPath(p)
	if shown != p {
		exact = base64.StdEncoding.EncodeToString([]byte(p))
	}
	return shown, exact
}
